"""A small shop with known numbers, written into real stores."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import Coat, Mix, Piece
from collector.records.repository import open_records
from collector.wire import Pack, Reading

BOOTH = "booth-1"
UNITS = {
    "air_temperature": "Cel",
    "surface_temperature": "Cel",
    "relative_humidity": "%RH",
    "voc_ppm": "ppm",
    "booth_pressure": "Pa",
    "face_velocity": "m/s",
}
AIR = {"air_temperature": 21.0, "relative_humidity": 48.0, "voc_ppm": 2.0, "booth_pressure": -9.0, "face_velocity": 0.7}
PANEL = {"surface_temperature": 21.4}


def put(folder: Path, node: str, values: dict[str, float], *moments: datetime) -> None:
    """Write one reading of each value at each moment."""
    store = SqliteReadingStore(folder / "readings.sqlite")
    try:
        store.write(Batch(packs=[pack(node, values, moment) for moment in moments]))
    finally:
        store.close()


def pack(node: str, values: dict[str, float], moment: datetime) -> Pack:
    """What a node would have sent."""
    time_ms = round(moment.timestamp() * 1000)
    readings = tuple(
        Reading(booth=BOOTH, node=node, quantity=name, unit=UNITS[name], time_ms=time_ms, value=value)
        for name, value in values.items()
    )
    return Pack(booth=BOOTH, node=node, kind="readings", received_ms=time_ms, readings=readings)


def every(seconds: float, start: datetime, end: datetime) -> list[datetime]:
    """Moments from start, up to but without end."""
    return [start + timedelta(seconds=seconds * index) for index in range(int((end - start).total_seconds() / seconds))]


def shop(folder: Path, now: datetime | None = None) -> None:
    """Two hours of a steady booth, two pieces, one finished coat an hour ago."""
    now = now or datetime.now(UTC).replace(microsecond=0)
    moments = every(10, now - timedelta(hours=2), now + timedelta(seconds=10))
    put(folder, "air-1", AIR, *moments)
    put(folder, "panel-1", PANEL, *moments)
    records = open_records(f"sqlite:///{folder / 'records.sqlite'}")
    try:
        shell = records.add_piece(Piece(name="Snare shell, maple", substrate="maple", due=now + timedelta(days=9)))
        records.add_piece(Piece(name="Lap steel 1", substrate="alder"))
        mix = records.add_mix(Mix(material=records.material("Nitrocellulose lacquer, clear"), reducer_fraction=0.5))
        records.log_coat(
            Coat(
                piece_id=shell.id,
                mix=mix,
                booth=BOOTH,
                started_at=now - timedelta(minutes=66),
                ended_at=now - timedelta(minutes=60),
                passes=2,
                wet_film_low_um=75,
                wet_film_high_um=100,
            )
        )
    finally:
        records.close()
