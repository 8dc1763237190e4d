"""Puts the facts of a piece in words and pictures: everything for the shop, plain words for the customer."""

from __future__ import annotations

from typing import Final

from collector.advice.display import Units
from collector.report import customer, shop
from collector.report.blocks import A4, LETTER, Block, Document
from collector.report.facts import PieceRecord
from collector.report.phrases import clock, day

CUSTOMER: Final = "customer"
SHOP: Final = "shop"
READERS: Final = (CUSTOMER, SHOP)


def compose(record: PieceRecord, reader: str) -> Document:
    """The record for ``customer`` or ``shop``.

    The customer's has no names of people, no notes and no readings of the shop's own doings.

    Raises
    ------
    ValueError
        If there is no such reader.
    """
    if reader not in READERS:
        raise ValueError(f"reader {reader!r}; expected one of {', '.join(READERS)}")
    settings = record.settings.shop
    units, zone = Units(settings.units), settings.zone
    blocks: list[Block]
    if reader == CUSTOMER:
        blocks = customer.blocks(record, units, zone)
        title, foot, made = "Finish record", "Kept with tackfree from measurements in the booth.", day(record.at, zone)
    else:
        blocks = shop.blocks(record, units, zone)
        title = "Finish record, shop copy"
        foot = f"Times in {settings.zone.key}. Each interval and each ± covers about 95 %."
        made = clock(record.at, zone)
    return Document(
        title=title,
        subtitle=record.piece.name,
        shop=settings.name,
        foot=foot,
        made=made,
        paper=LETTER if units.us else A4,
        blocks=blocks,
    )
