"""What the booth's sensors say now and said in the last hour, gathered from the reading store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from collector.readings.base import Buckets, ReadingStore, Series
from collector.settings import Readiness as ReadinessSettings
from collector.wire import Reading

AIR, HUMIDITY, SURFACE = "air_temperature", "relative_humidity", "surface_temperature"

REMEMBERED_MS: Final = 24 * 3_600_000
"""A sensor heard in this time and silent now is missed; one silent for longer is taken as removed."""

HISTORY_MS: Final = 3_600_000
HISTORY_BUCKETS: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class BoothState:
    """The booth's newest readings with those of the last hour.

    Attributes
    ----------
    readings : tuple of Reading
        Newest reading of every series heard in the last day.
    faults : mapping
        What (node, quantity) reports as faulty now, with the node's words.
    history : mapping
        (node, quantity) to one-minute buckets of the last hour, all on the same time axis.
    """

    booth: str
    now_ms: int
    readings: tuple[Reading, ...]
    faults: Mapping[tuple[str, str], str]
    history: Mapping[tuple[str, str], Buckets]

    def age_s(self, reading: Reading) -> float:
        """Age of a reading. [s]"""
        return (self.now_ms - reading.time_ms) / 1000

    def fresh(self, quantity: str, stale_after_s: float) -> list[Reading]:
        """Readings of a quantity that count: neither stale, nor from a clock far ahead, nor of a faulty sensor."""
        return [
            reading
            for reading in self.readings
            if reading.quantity == quantity
            and abs(self.age_s(reading)) <= stale_after_s
            and (reading.node, quantity) not in self.faults
        ]

    def newest(self, quantity: str) -> Reading | None:
        """Newest reading of a quantity in the last day, however old."""
        of_quantity = [reading for reading in self.readings if reading.quantity == quantity]
        return max(of_quantity, key=lambda reading: reading.time_ms, default=None)


def gather(store: ReadingStore, booth: str, now_ms: int, settings: ReadinessSettings) -> BoothState:
    """Read the state of a booth.

    Parameters
    ----------
    store : ReadingStore
        Where the readings are.
    now_ms : int
        The moment asked about. [ms since 1970, UTC]
    """
    readings = store.latest(booth, now_ms - REMEMBERED_MS)
    newest = {(reading.node, reading.quantity): reading.time_ms for reading in readings}
    # A fault stands until a newer reading of the same sensor arrives, or the sensor has been silent for a day.
    faults = {
        (remark.node, remark.quantity): remark.text
        for remark in store.remarks(booth, now_ms - REMEMBERED_MS, now_ms + round(settings.stale_after_s * 1000))
        if remark.text.startswith("fault") and remark.time_ms >= newest.get((remark.node, remark.quantity), 0)
    }
    history = {
        (reading.node, reading.quantity): store.buckets(
            Series(booth=booth, node=reading.node, quantity=reading.quantity, unit=reading.unit),
            now_ms - HISTORY_MS,
            now_ms,
            HISTORY_BUCKETS,
        )
        for reading in readings
        if reading.quantity in (AIR, HUMIDITY, SURFACE)
        and abs(now_ms - reading.time_ms) <= settings.stale_after_s * 1000
    }
    return BoothState(booth=booth, now_ms=now_ms, readings=tuple(readings), faults=faults, history=history)
