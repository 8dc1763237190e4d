"""What happens in the simulated booth and when: coats, purges, a wet floor, a new filter.

An event is physical only: what leaves the gun, how long the fan runs. Which piece it was for is the affair of
``plan``.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from collector.demo.booth import NOTHING, OVERSPRAY_SHARE, BoothDesign, Doings

MINUTE_MS: Final = 60_000
LONGEST_MS: Final = 120 * MINUTE_MS
"""No event lasts longer, fan and all, so a look at a moment need only go back this far."""

FAN_LEAD_MS: Final = 1 * MINUTE_MS
FAN_AFTER_MS: Final = 18 * MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing done in the booth, from ``start_ms`` to ``end_ms``.

    Attributes
    ----------
    solvent_kg, water_kg, solids_kg : float
        Leaving the gun in all.
    rinse_kg : float
        Water poured on the floor in all.
    fan_from_ms, fan_until_ms : int
        When the fan is run for it; equal: not at all.
    new_filter : bool
        The exhaust filter is changed at the start.
    """

    start_ms: int
    end_ms: int
    fan_from_ms: int = 0
    fan_until_ms: int = 0
    solvent_kg: float = 0.0
    water_kg: float = 0.0
    solids_kg: float = 0.0
    rinse_kg: float = 0.0
    people: int = 1
    new_filter: bool = False

    def __post_init__(self) -> None:
        last = max(self.end_ms, self.fan_until_ms)
        if not self.start_ms < self.end_ms or last - self.start_ms > LONGEST_MS:
            raise ValueError(f"event from {self.start_ms} to {last}; expected a span above 0, at most {LONGEST_MS} ms")


def spraying(
    start_ms: int,
    minutes: float,
    *,
    solvent_kg: float,
    solids_kg: float,
    water_kg: float = 0.0,
    fan_late_min: float = 0.0,
) -> Event:
    """A coat: the fan goes on first, unless it comes late, and runs on until most of the solvent is out."""
    end_ms = start_ms + round(minutes * MINUTE_MS)
    return Event(
        start_ms=start_ms,
        end_ms=end_ms,
        fan_from_ms=start_ms + (round(fan_late_min * MINUTE_MS) if fan_late_min else -FAN_LEAD_MS),
        fan_until_ms=end_ms + FAN_AFTER_MS,
        solvent_kg=solvent_kg,
        water_kg=water_kg,
        solids_kg=solids_kg,
    )


def rinsing(start_ms: int, water_kg: float) -> Event:
    """The floor is wetted against dust, the fan standing; what stays on it evaporates."""
    return Event(start_ms=start_ms, end_ms=start_ms + 3 * MINUTE_MS, rinse_kg=water_kg)


class Schedule:
    """Events in order of time."""

    def __init__(self, events: Iterable[Event]) -> None:
        self.events = sorted(events, key=lambda event: event.start_ms)
        self._starts = [event.start_ms for event in self.events]

    def doings(self, start_ms: float, end_ms: float) -> Doings:
        """What is done between two moments, as steady rates that put exactly the events' amounts into it."""
        fan_on = False
        solvent_kg = water_kg = solids_kg = rinse_kg = 0.0
        people = 0
        first = bisect_left(self._starts, start_ms - LONGEST_MS)
        for event in self.events[first:]:
            if event.start_ms - FAN_LEAD_MS >= end_ms:
                break
            fan_on = fan_on or event.fan_from_ms <= (start_ms + end_ms) / 2 < event.fan_until_ms
            overlap = min(end_ms, event.end_ms) - max(start_ms, event.start_ms)
            if overlap <= 0:
                continue
            share = overlap / (event.end_ms - event.start_ms)
            solvent_kg += share * event.solvent_kg
            water_kg += share * event.water_kg
            solids_kg += share * event.solids_kg
            rinse_kg += share * event.rinse_kg
            people = max(people, event.people)
        if not fan_on and not people:
            return NOTHING
        seconds = (end_ms - start_ms) / 1000
        return Doings(
            fan_on=fan_on,
            solvent_kg_s=solvent_kg / seconds,
            water_kg_s=water_kg / seconds,
            solids_kg_s=solids_kg / seconds,
            rinse_kg_s=rinse_kg / seconds,
            people=people,
        )

    def filter_changed(self, start_ms: float, end_ms: float) -> bool:
        """Whether the exhaust filter is changed between two moments."""
        first = bisect_left(self._starts, start_ms)
        last = bisect_left(self._starts, end_ms)
        return any(event.new_filter for event in self.events[first:last])

    def filter_load(self, at_ms: int, design: BoothDesign, at_first: float = 0.3) -> float:
        """Load the exhaust filter has gathered by then, in the unit of ``BoothState.filter_load``."""
        load = at_first
        for event in self.events:
            if event.start_ms >= at_ms:
                break
            if event.new_filter:
                load = 0.0
            load += OVERSPRAY_SHARE * event.solids_kg / design.filter_kg
        return load


LIVE_CYCLE_MIN: Final = 48
LIVE_DAYS: Final = 60


def live_events(anchor_ms: int) -> list[Event]:
    """The demo's own future: a test coat, later a wet floor, again and again, so that the screens live.

    Somebody who watches for half an hour sees the fan start, solvent come and go, and the air become too
    humid for a while. After :data:`LIVE_DAYS` only the weather goes on.
    """
    events: list[Event] = []
    for cycle in range(LIVE_DAYS * 24 * 60 // LIVE_CYCLE_MIN):
        at_ms = anchor_ms + cycle * LIVE_CYCLE_MIN * MINUTE_MS
        events += [
            spraying(at_ms + 6 * MINUTE_MS, 3, solvent_kg=0.045, solids_kg=0.010),
            rinsing(at_ms + 34 * MINUTE_MS, 0.16),
        ]
    return events
