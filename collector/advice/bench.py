"""Hands free: a node's button starts and ends coats, its lamp shows the booth's verdict.

Both go by what was last chosen for the booth (:class:`~collector.records.model.BoothSetup`).
"""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.advice.readiness import assess, gather
from collector.advice.wet_coat import last_coat, mix_in_use
from collector.errors import NotFound, RecordError
from collector.readings.base import ReadingStore
from collector.records.model import BoothSetup, Coat
from collector.records.repository import Records
from collector.settings import Settings
from collector.wire import Remark

log = logging.getLogger(__name__)

BUTTON: Final = "button"
SHORT, LONG = "short", "long"

REMEMBERED: Final = timedelta(days=2)
"""A press that arrives later than this, from a node that was cut off, is left in the log and not acted on."""

TWITCH: Final = timedelta(seconds=3)
"""A second press this soon is the same gloved thumb."""


def verdicts(readings: ReadingStore, records: Records, now_ms: int, settings: Settings) -> dict[str, str]:
    """The present verdict of every booth for which a material is chosen, by booth."""
    found: dict[str, str] = {}
    for setup in records.booth_setups():
        if setup.material_id is None:
            continue
        try:
            material = records.material(setup.material_id)
            piece = records.piece(setup.piece_id) if setup.piece_id is not None else None
        except NotFound:
            continue  # deleted since it was chosen
        found[setup.booth] = assess(
            gather(readings, setup.booth, now_ms, settings.readiness),
            material,
            piece,
            settings,
            mix=mix_in_use(records, material),
            earlier=last_coat(records, piece, now_ms),
        ).verdict
    return found


def act_on_presses(readings: ReadingStore, records: Records, now_ms: int) -> list[Coat]:
    """Start or end a coat for each short press that has arrived since the last call, at the time it was pressed.

    Returns
    -------
    list of Coat
        The coats started or ended, in order.
    """
    coats: list[Coat] = []
    since_ms = now_ms - round(REMEMBERED.total_seconds() * 1000)
    for setup in records.booth_setups():
        by_node: dict[str, list[Remark]] = {}
        for press in readings.remarks(setup.booth, since_ms, now_ms + 1, BUTTON):
            by_node.setdefault(press.node, []).append(press)
        for node, presses in by_node.items():
            coats += _of_node(records, setup, node, presses)
    return coats


def _of_node(records: Records, setup: BoothSetup, node: str, presses: list[Remark]) -> list[Coat]:
    coats: list[Coat] = []
    until = records.presses_done_until(setup.booth, node)
    for press in presses:
        at = datetime.fromtimestamp(press.time_ms / 1000, UTC)
        if until is not None and at <= until:
            continue
        twitch = until is not None and at - until < TWITCH
        if press.text == SHORT and not twitch:
            coat = _toggle(records, setup, node, at)
            coats += [coat] if coat else []
        records.presses_done(setup.booth, node, at)
        until = at
    return coats


def _toggle(records: Records, setup: BoothSetup, node: str, at: datetime) -> Coat | None:
    if setup.piece_id is None or setup.material_id is None:
        log.warning("button on %s: no coat, as no piece and material are chosen for %s", node, setup.booth)
        return None
    if at < setup.changed_at:
        log.warning("button on %s at %s: no coat, as the piece was chosen later than that", node, at)
        return None
    try:
        if records.open_coat(setup.piece_id) is not None:
            return records.end_coat(setup.piece_id, at)
        mix = mix_in_use(records, records.material(setup.material_id))
        mix = mix if mix.id else records.add_mix(replace(mix, note="as supplied"))
        return records.start_coat(setup.piece_id, mix.id, setup.booth, at, note=f"by the button of {node}")
    except RecordError as error:
        log.warning("button on %s at %s: no coat: %s", node, at, error)
        return None
