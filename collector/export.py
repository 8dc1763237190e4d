"""`tackfree export`: the shop's data as CSV, one table at a time, with units in the column heads."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any, Final, TextIO

from collector.readings.base import ReadingStore
from collector.records.repository import Records

Row = tuple[Any, ...]
STEP_MS: Final = 6 * 3600 * 1000
"""Readings are fetched a quarter of a day at a time: a year's export needs no more memory than a day's."""


def readings(store: ReadingStore, start_ms: int, end_ms: int) -> Iterator[Row]:
    """Raw readings, series by series, oldest first."""
    yield ("time_utc", "booth", "node", "quantity", "unit", "value")
    for series in store.series():
        for step in range(start_ms, end_ms, STEP_MS):
            samples = store.samples(series, step, min(step + STEP_MS, end_ms))
            for time_ms, value in zip(samples.time_ms.tolist(), samples.value.tolist(), strict=True):
                yield (_iso_ms(time_ms), series.booth, series.node, series.quantity, series.unit or "", value)


def coats(records: Records) -> Iterator[Row]:
    """Every coat with its piece and its mix as applied."""
    yield (
        "coat_id", "piece", "material", "material_version", "reducer_fraction", "retarder_fraction",
        "catalyst_fraction", "booth", "started_at_utc", "ended_at_utc", "passes", "wet_film_low_um",
        "wet_film_high_um", "sprayed_ml", "gun_note", "sprayed_by", "note",
    )  # fmt: skip
    names = {piece.id: piece.name for piece in records.pieces(include_done=True)}
    for coat in records.coats():
        mix = coat.mix
        yield (
            coat.id, names.get(coat.piece_id, f"deleted piece {coat.piece_id}"), mix.material.name,
            mix.material.version, mix.reducer_fraction, mix.retarder_fraction, mix.catalyst_fraction,
            coat.booth, _iso(coat.started_at), _iso(coat.ended_at), coat.passes, coat.wet_film_low_um,
            coat.wet_film_high_um, coat.sprayed_ml, coat.gun_note, coat.sprayed_by, coat.note,
        )  # fmt: skip


def checks(records: Records) -> Iterator[Row]:
    """Every readiness check of every coat."""
    yield ("check_id", "coat_id", "at_utc", "stage", "method", "passed", "value", "note")
    for coat in records.coats():
        for check in records.checks(coat.id):
            yield (
                check.id,
                coat.id,
                _iso(check.at),
                check.stage,
                check.method,
                check.passed,
                check.value,
                check.note,
            )


def outcomes(records: Records) -> Iterator[Row]:
    """Every outcome of every coat; a coat that came out right has an empty defect."""
    yield ("outcome_id", "coat_id", "seen_at_utc", "defect", "degree_0_to_5", "zone", "note")
    for coat in records.coats():
        for outcome in records.outcomes(coat.id):
            yield (
                outcome.id, coat.id, _iso(outcome.seen_at), outcome.defect, outcome.degree, outcome.zone,
                outcome.note,
            )  # fmt: skip


def solvent_uses(records: Records) -> Iterator[Row]:
    """Solvent used beside the coats, newest first."""
    yield ("solvent_use_id", "at_utc", "what", "litres", "voc_g_l", "note")
    for use in records.solvent_uses():
        yield (use.id, _iso(use.at), use.what, use.litres, use.voc_g_l, use.note)


def dead_letters(store: ReadingStore) -> Iterator[Row]:
    """Refused messages with their reasons, newest first."""
    yield ("received_utc", "topic", "reason", "size_bytes", "payload")
    for letter in store.dead_letters(1_000_000):
        yield (
            _iso_ms(letter.received_ms), letter.topic, letter.reason, letter.size,
            letter.payload.decode("utf-8", "backslashreplace"),
        )  # fmt: skip


def write_csv(rows: Iterable[Row], out: TextIO) -> int:
    """Write rows as CSV (RFC 4180); returns how many came after the head."""
    writer = csv.writer(out)
    count = -1
    for row in rows:
        writer.writerow(row)
        count += 1
    return count


def _iso_ms(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _iso(moment: datetime | None) -> str:
    return "" if moment is None else moment.isoformat(timespec="seconds").replace("+00:00", "Z")
