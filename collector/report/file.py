"""The record of a piece as a file, ready to be saved or handed over."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from collector.readings.base import ReadingStore
from collector.records.model import Piece
from collector.records.repository import Records
from collector.report import html, pdf
from collector.report.compose import compose
from collector.report.gather import gather
from collector.settings import Settings

PDF: Final = "pdf"
HTML: Final = "html"
KINDS: Final = (PDF, HTML)


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """A file's usual name and its bytes."""

    name: str
    content: bytes


def file_of(
    readings: ReadingStore, records: Records, settings: Settings, piece: Piece, reader: str, kind: str, now: datetime
) -> File:
    """The record of a piece.

    Parameters
    ----------
    readings, records
        The shop's stores.
    piece : Piece
    reader : str
        ``customer`` or ``shop``.
    kind : str
        ``pdf`` or ``html``.
    now : datetime
        Aware.

    Raises
    ------
    ValueError
        If there is no such reader or kind.
    """
    if kind not in KINDS:
        raise ValueError(f"kind {kind!r}; expected one of {', '.join(KINDS)}")
    document = compose(gather(readings, records, settings, piece, now), reader)
    content = pdf.write(document, now) if kind == PDF else html.write(document).encode()
    return File(name=file_name(piece.name, reader, kind), content=content)


def file_name(piece: str, reader: str, kind: str) -> str:
    """The usual name of such a file: "lap-steel-3-customer.pdf"."""
    slug = re.sub(r"\W+", "-", piece.lower()).strip("-") or "piece"
    return f"{slug}-{reader}.{kind}"
