"""The invented shop's last weeks set in time: when each coat was sprayed, and what else went on in the booth.

Coats lie on working days counted back from the demo's "now", at hours of the shop's day, so that a demo
started at any time looks back on ordinary work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from collector.demo.pieces import PIECES, PlannedCoat
from collector.demo.schedule import MINUTE_MS, Event, live_events, rinsing, spraying


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wet:
    """What a millilitre from the gun holds. [kg per ml]"""

    solvent: float
    water: float
    solids: float


# Guesses per chemistry, ready to spray.
_WET: Final[Mapping[str, _Wet]] = {
    "solvent_lacquer": _Wet(solvent=0.70e-3, water=0.0, solids=0.20e-3),
    "two_component_urethane": _Wet(solvent=0.45e-3, water=0.0, solids=0.55e-3),
    "waterborne": _Wet(solvent=0.06e-3, water=0.64e-3, solids=0.33e-3),
    "oxidising_varnish": _Wet(solvent=0.45e-3, water=0.0, solids=0.45e-3),
    "conversion_varnish": _Wet(solvent=0.55e-3, water=0.0, solids=0.38e-3),
    "shellac": _Wet(solvent=0.68e-3, water=0.02e-3, solids=0.15e-3),
    "crackle_topcoat": _Wet(solvent=0.68e-3, water=0.0, solids=0.25e-3),
}

SHOP_DAYS: Final = range(6)  # Monday to Saturday
MORNING_ENDS: Final = time(11, 15)
"""From this hour on today counts as a working day with coats behind it."""

RINSE_HOUR: Final = 17.2
DRY_START_MS: Final = 6 * 60 * MINUTE_MS
FILTER_WORKDAY: Final = 9
BATTERY_WORKDAY: Final = 6
WORKDAYS: Final = 60


class Plan:
    """The pieces' coats set in time, and all that happens in the booth before and after "now".

    Parameters
    ----------
    anchor : datetime
        The demo's "now", aware.
    zone : tzinfo
        The shop's time zone.
    """

    def __init__(self, anchor: datetime, zone: tzinfo) -> None:
        self.anchor = anchor.astimezone(UTC)
        self.zone = zone
        here = anchor.astimezone(zone)
        day = here.date()
        if day.weekday() not in SHOP_DAYS or here.time() < MORNING_ENDS:
            day -= timedelta(days=1)
        self._workdays: list[date] = []
        while len(self._workdays) < WORKDAYS:
            if day.weekday() in SHOP_DAYS:
                self._workdays.append(day)
            day -= timedelta(days=1)

    def at(self, workday: int, hour: float) -> datetime:
        """UTC time of an hour of the shop's day, so many working days back."""
        minutes = round(hour * 60)
        local = datetime.combine(self._workdays[workday], time(minutes // 60, minutes % 60), self.zone)
        return local.astimezone(UTC)

    def started_at(self, coat: PlannedCoat) -> datetime:
        """When a coat was begun."""
        return self.at(coat.workday, coat.hour)

    def ended_at(self, coat: PlannedCoat) -> datetime:
        """When a coat's spraying ended."""
        return self.started_at(coat) + timedelta(minutes=coat.minutes)

    def battery_new_ms(self) -> list[int]:
        """When the panel's battery was changed, in order. [ms since 1970, UTC]"""
        changed_ms = _ms(self.at(BATTERY_WORKDAY, 8.5))
        return [changed_ms - 72 * 86_400_000, changed_ms]

    def events(self) -> list[Event]:
        """All that happens: the coats, the evening's rinse, a new filter; then what the live demo does."""
        past = [self._sprayed(coat) for piece in PIECES for coat in piece.coats]
        past += [rinsing(rinsed_ms, 0.18) for rinsed_ms in self._evenings_ms()]
        # The wet floor behind the one coat that blushed.
        past += [
            rinsing(self._ms_before(coat, 25), 0.7)
            for piece in PIECES
            for coat in piece.coats
            if any(outcome.defect == "blushing" for outcome in coat.outcomes)
        ]
        new_filter_ms = _ms(self.at(FILTER_WORKDAY, 8.0))
        past.append(Event(start_ms=new_filter_ms, end_ms=new_filter_ms + 10 * MINUTE_MS, new_filter=True))
        anchor_ms = _ms(self.anchor)
        return [event for event in past if event.end_ms < anchor_ms] + live_events(anchor_ms)

    def _evenings_ms(self) -> list[int]:
        """When the floor is rinsed; not shortly before "now", as a demo should start in air fit for work."""
        latest_ms = _ms(self.anchor) - DRY_START_MS
        evenings = (self.at(workday, RINSE_HOUR) for workday in range(WORKDAYS))
        return [_ms(evening) for evening in evenings if _ms(evening) < latest_ms]

    def _sprayed(self, coat: PlannedCoat) -> Event:
        wet = _WET[coat.chemistry]
        return spraying(
            _ms(self.started_at(coat)),
            coat.minutes,
            solvent_kg=wet.solvent * coat.sprayed_ml,
            water_kg=wet.water * coat.sprayed_ml,
            solids_kg=wet.solids * coat.sprayed_ml,
            fan_late_min=coat.fan_late_min,
        )

    def _ms_before(self, coat: PlannedCoat, minutes: float) -> int:
        return _ms(self.started_at(coat)) - round(minutes * MINUTE_MS)


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
