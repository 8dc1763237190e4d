"""A heating plan as a person types it: "22 °C from 18:00; off at 22:00".

Each part sets a temperature from a time on, or turns the heating off; parts are separated by ";". Times are the shop's
clock: 18:00 is the next time the clock shows that, unless it is "tomorrow 6:00" or "2026-03-05 06:00"; without a time a
part holds from now. "daily" repeats a part every day.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from collector.advice.coat_history import HOUR_MS, Reals
from collector.errors import RecordError

COLDEST_C, HOTTEST_C = 0.0, 50.0

WARM_UP_H: Final = 1.0
COOL_DOWN_H: Final = 4.0
"""How fast a booth follows its heating, and loses it. Judgement, no source."""

HELD_SD_K: Final = 1.0
"""How well a heating holds what it is set to. Judgement, no source."""

MOST_DAYS: Final = 60

_PART = re.compile(
    r"(?:(?P<degrees>-?\d+(?:[.,]\d+)?)\s*°?\s*(?P<unit>[CF])?|(?P<off>off))"
    r"(?:\s+now|\s+(?:(?:from|at)\s+)?(?P<day>tomorrow|\d{4}-\d{2}-\d{2})?[ T]*"
    r"(?:(?P<hour>\d{1,2})[:.](?P<minute>\d{2})\s*(?P<half>am|pm)?)?)?(?:\s+(?P<daily>daily|every day))?",
    re.IGNORECASE,
)

EXPECTED: Final = 'parts such as "22 °C from 18:00" or "off at 22:00", separated by ";"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """From when the heating holds a temperature; None: it is off."""

    since: datetime
    air_c: float | None


def parse(text: str, now: datetime, zone: ZoneInfo, *, us: bool = False) -> tuple[Setting, ...]:
    """A plan in the order of its times.

    Parameters
    ----------
    text : str
        The plan; empty for none.
    now : datetime
        Aware.
    zone : ZoneInfo
        The shop's.
    us : bool
        Degrees without a unit are °F.

    Raises
    ------
    RecordError
        Naming the part, and what would be right.
    """
    found: list[Setting] = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        match = _PART.fullmatch(part)
        if match is None:
            raise RecordError(f"plan {part!r}; expected {EXPECTED}")
        found += _settings(part, match, now, zone, us)
    return tuple(sorted(found, key=lambda setting: setting.since))


def applied(plan: tuple[Setting, ...], air_c: Reals, at_h: Reals, now_ms: int, normals: Reals) -> Reals:
    """Temperatures with a plan in force. [°C]

    Parameters
    ----------
    air_c : array, shape (draws, times)
        Without it. [°C]
    at_h : array, shape (times,)
        From now. [h]
    normals : array, shape (draws, 1)
        Standard normals: how far the heating is from what it is set to.
    """
    if not plan:
        return air_c
    starts = np.array([setting.since.timestamp() * 1000 - now_ms for setting in plan]) / HOUR_MS
    temperature = np.empty_like(air_c)
    temperature[:, 0] = air_c[:, 0]
    held = False
    for k in range(at_h.size):
        place = int(np.searchsorted(starts, at_h[k], side="right")) - 1
        target = None if place < 0 else plan[place].air_c
        if k == 0:
            lately, step = temperature[:, 0], 0.0
        else:
            lately, step = temperature[:, k - 1], float(at_h[k] - at_h[k - 1])
        if target is not None:
            # Heating does not cool: a booth that is warmer already stays so.
            aim = np.maximum(target + HELD_SD_K * normals[:, 0], air_c[:, k])
            temperature[:, k] = aim + (lately - aim) * np.exp(-step / WARM_UP_H)
            held = True
        elif held:
            temperature[:, k] = air_c[:, k] + (lately - air_c[:, k]) * np.exp(-step / COOL_DOWN_H)
        else:
            temperature[:, k] = air_c[:, k]
    return temperature


def starts_h(plan: tuple[Setting, ...], now_ms: int) -> Reals:
    """When the parts of a plan begin, from now. [h]"""
    return np.array([max(setting.since.timestamp() * 1000 - now_ms, 0.0) for setting in plan]) / HOUR_MS


def _settings(part: str, match: re.Match[str], now: datetime, zone: ZoneInfo, us: bool) -> list[Setting]:
    degrees = None if match["off"] else float(match["degrees"].replace(",", "."))
    if degrees is not None:
        fahrenheit = match["unit"].upper() == "F" if match["unit"] else us
        degrees = (degrees - 32.0) / 1.8 if fahrenheit else degrees
        if not COLDEST_C <= degrees <= HOTTEST_C:
            raise RecordError(
                f"plan {part!r}: {degrees:.0f} °C; expected {COLDEST_C:.0f} to {HOTTEST_C:.0f} °C (32 to 122 °F)"
            )
    local = now.astimezone(zone)
    if match["hour"] is None:
        if match["day"]:
            raise RecordError(f"plan {part!r}: no time of the day; expected one such as 18:00")
        return [Setting(since=now.astimezone(UTC), air_c=degrees)]
    hour, minute = int(match["hour"]), int(match["minute"])
    if match["half"]:
        if not 1 <= hour <= 12:
            raise RecordError(f"plan {part!r}: {hour} {match['half']}; expected 1 to 12")
        hour = hour % 12 + (12 if match["half"].lower() == "pm" else 0)
    if hour > 23 or minute > 59:
        raise RecordError(f"plan {part!r}: {hour}:{minute:02}; expected a time from 0:00 to 23:59")
    day = local.date()
    if match["day"] and match["day"].lower() == "tomorrow":
        day += timedelta(days=1)
    elif match["day"]:
        try:
            day = datetime.fromisoformat(match["day"]).date()
        except ValueError:
            raise RecordError(f"plan {part!r}: {match['day']}; expected a date such as 2026-03-05") from None

    def at(days: int) -> datetime:
        shown = datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone) + timedelta(days=days)
        return shown.astimezone(UTC)

    first = 0 if match["day"] or at(0) >= now else 1
    if match["daily"]:
        # What was set before today's clock time still holds, so a daily part began a day ago.
        return [Setting(since=at(first + k), air_c=degrees) for k in range(-1, MOST_DAYS)]
    return [Setting(since=at(first), air_c=degrees)]
