"""All that the rules look at, gathered at one moment; a part that cannot be read is missing, the others are there."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final, TypeVar

from collector.advice.air import AirState, air_state
from collector.advice.airflow import FilterState, filter_state
from collector.advice.booth_state import BoothState, gather
from collector.advice.coat_progress import Rack
from collector.advice.readiness import Readiness, assess
from collector.alerts.once import OncePerChange
from collector.readings.base import NodeState, ReadingStore
from collector.records.model import Coat, Piece
from collector.records.repository import Records
from collector.settings import Settings

T = TypeVar("T")

READINGS: Final = "readings"
WET: Final = "wet coats"
AIR: Final = "air"
FILTERS: Final = "filters"
RACK: Final = "rack"
DISK: Final = "disk"

LONGEST_COAT: Final = timedelta(hours=2)
"""A coat open for longer was not ended when it should have been; nobody is spraying it."""

RACK_PERIOD: Final = timedelta(seconds=60)
FILTER_PERIOD: Final = timedelta(minutes=10)

RackOf = Callable[[ReadingStore, Records, Settings, int], Rack]
"""Readings, records, settings and the moment [ms since 1970, UTC] to the progress of every piece in hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WetCoat:
    """A coat being sprayed or flashing off, with its piece and what the booth's limits say to it."""

    coat: Coat
    piece: Piece
    spraying: bool
    readiness: Readiness


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The shop at one moment.

    Attributes
    ----------
    booths, air, filters : mapping
        By booth.
    missing : frozenset of str
        Names of the parts that could not be read; they are empty here.
    """

    now: datetime
    settings: Settings
    booths: Mapping[str, BoothState] = field(default_factory=dict)
    nodes: tuple[NodeState, ...] = ()
    wet: tuple[WetCoat, ...] = ()
    air: Mapping[str, AirState] = field(default_factory=dict)
    filters: Mapping[str, FilterState] = field(default_factory=dict)
    rack: Rack | None = None
    free_bytes: int | None = None
    missing: frozenset[str] = frozenset()

    def spraying_in(self, booth: str) -> bool:
        """Whether a coat is being sprayed in a booth."""
        return any(each.spraying and each.coat.booth == booth for each in self.wet)


class Gatherer:
    """Gathers snapshots; what moves slowly is looked at less often.

    Parameters
    ----------
    rack_of : callable or None
        None: nothing is known of the rack.
    """

    def __init__(self, store: ReadingStore, records: Records, settings: Settings, rack_of: RackOf | None) -> None:
        self._store = store
        self._records = records
        self._settings = settings
        self._rack_of = rack_of
        self._said = OncePerChange(logging.getLogger(__name__))
        self._kept: dict[str, tuple[datetime, object]] = {}

    def gather(self, now_ms: int) -> Snapshot:
        """The shop now. Never raises: what cannot be read is named as missing."""
        now = datetime.fromtimestamp(now_ms / 1000, UTC)
        missing: set[str] = set() if self._rack_of else {RACK}

        def part(name: str, read: Callable[[], T], empty: T) -> T:
            try:
                found = read()
            except Exception as error:
                self._said.failed(name, f"alerts: {name} cannot be told", error)
                missing.add(name)
                return empty
            self._said.worked(name)
            return found

        no_readings: tuple[tuple[NodeState, ...], dict[str, BoothState]] = ((), {})
        nodes, booths = part(READINGS, lambda: self._readings(now_ms), no_readings)
        wet: tuple[WetCoat, ...] = ()
        air: dict[str, AirState] = {}
        filters: dict[str, FilterState] = {}
        if READINGS in missing:
            missing |= {WET, AIR, FILTERS}
        else:
            wet = part(WET, lambda: self._wet(now, booths), wet)
            air = part(AIR, lambda: self._air(booths), air)
            filters = part(FILTERS, lambda: self._filters(now, booths), filters)
        rack = part(RACK, lambda: self._rack(now, now_ms), None) if self._rack_of else None
        return Snapshot(
            now=now,
            settings=self._settings,
            booths=booths,
            nodes=nodes,
            wet=wet,
            air=air,
            filters=filters,
            rack=rack,
            free_bytes=part(DISK, self._free_bytes, None),
            missing=frozenset(missing),
        )

    def _readings(self, now_ms: int) -> tuple[tuple[NodeState, ...], dict[str, BoothState]]:
        nodes = tuple(self._store.nodes())
        names = sorted({node.booth for node in nodes})
        return nodes, {name: gather(self._store, name, now_ms, self._settings.readiness) for name in names}

    def _wet(self, now: datetime, booths: Mapping[str, BoothState]) -> tuple[WetCoat, ...]:
        since = now - LONGEST_COAT - timedelta(minutes=self._settings.alerts.wet_min)
        found = []
        for coat in self._records.coats(since=since):
            spraying = coat.ended_at is None and now - coat.started_at <= LONGEST_COAT
            ended = coat.ended_at
            flashing = ended is not None and now - ended <= timedelta(minutes=self._settings.alerts.wet_min)
            if coat.booth not in booths or coat.started_at > now or not (spraying or flashing):
                continue
            piece = self._records.piece(coat.piece_id)
            answer = assess(booths[coat.booth], coat.mix.material, piece, self._settings, mix=coat.mix)
            found.append(WetCoat(coat=coat, piece=piece, spraying=spraying, readiness=answer))
        return tuple(found)

    def _air(self, booths: Mapping[str, BoothState]) -> dict[str, AirState]:
        return {name: air_state(self._store, self._records, state, self._settings) for name, state in booths.items()}

    def _filters(self, now: datetime, booths: Mapping[str, BoothState]) -> dict[str, FilterState]:
        def read() -> dict[str, FilterState]:
            return {name: filter_state(self._store, name, at.now_ms, self._settings) for name, at in booths.items()}

        return self._now_and_then(FILTERS, now, FILTER_PERIOD, read)

    def _rack(self, now: datetime, now_ms: int) -> Rack | None:
        rack_of = self._rack_of
        if rack_of is None:
            return None
        return self._now_and_then(
            RACK, now, RACK_PERIOD, lambda: rack_of(self._store, self._records, self._settings, now_ms)
        )

    def _now_and_then(self, name: str, now: datetime, period: timedelta, read: Callable[[], T]) -> T:
        kept = self._kept.get(name)
        if kept is not None and timedelta(0) <= now - kept[0] < period:
            return kept[1]  # type: ignore[return-value]  # kept under a name by the same call
        found = read()
        self._kept[name] = (now, found)
        return found

    def _free_bytes(self) -> int | None:
        return shutil.disk_usage(self._settings.data.path).free
