"""How long the steps of a schedule take this shop: hands-on time, and the time until somebody gets round to it.

Both are log-normal, with a usual value before the shop has logged anything; each step logged moves the shop's own value
away from that, the first ones little. Time until somebody gets round to it counts in the shop's hours, which are taken
from when it has sprayed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from collector.records.model import Coat
from collector.records.schedule import Step

Reals = npt.NDArray[np.float64]

HANDS_ON_MIN: Final[Mapping[str, float]] = {
    "scuff": 20.0,
    "wipe": 5.0,
    "coat": 8.0,
    "crackle": 6.0,
    "wait": 0.0,
    "tape": 30.0,
    "unmask": 10.0,
    "level_sand": 120.0,
    "compound": 45.0,
    "polish": 30.0,
}
"""Usual minutes of hands on a step, each coat and each grit of four; judgement, no source."""

GETTING_ROUND_H: Final[Mapping[str, float]] = {
    "scuff": 2.0,
    "wipe": 0.1,
    "coat": 0.5,
    "crackle": 0.5,
    "wait": 0.0,
    "tape": 2.0,
    "unmask": 0.3,
    "level_sand": 4.0,
    "compound": 1.0,
    "polish": 0.5,
}
"""Usual shop hours from when a step can be done until it is begun; judgement, no source."""

HANDS_ON_LOG_SD: Final = 0.5
GETTING_ROUND_LOG_SD: Final = 1.2
"""Spread of one step about the usual, ln; judgement, no source."""

WORTH: Final = 4.0
"""How many logged steps the usual value weighs as much as; judgement, no source."""

LEAST_H: Final = 0.02

USUAL_DAYS: Final = frozenset(range(6))
USUAL_HOURS: Final = (8.0, 18.0)
COATS_TO_TELL: Final = 10
"""With fewer coats in the log than this, the shop's hours are taken as Monday to Saturday, 8:00 to 18:00."""

DAY_H: Final = 24.0
_HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """A log-normal length of time.

    Attributes
    ----------
    median_h : float
        Of the next one. [h]
    log_sd : float
        Of its logarithm, with what is not known of the median.
    logged : int
        How many from the log are in it.
    """

    median_h: float
    log_sd: float
    logged: int

    def draws(self, normal: Reals) -> Reals:
        """Lengths for standard normals. [h]"""
        return np.asarray(self.median_h * np.exp(self.log_sd * normal))


def learn(usual_h: float, usual_log_sd: float, seen_h: Sequence[float]) -> Learned:
    """What a usual length and those seen say of the next one.

    Mean and variance of the logarithm have the conjugate prior of a normal sample, worth :data:`WORTH` steps.

    Parameters
    ----------
    usual_h : float
        Median before anything is logged; 0 for a step that takes no time. [h]
    usual_log_sd : float
    seen_h : sequence of float
        From the log. [h]
    """
    if usual_h <= 0.0:
        return Learned(median_h=0.0, log_sd=0.0, logged=0)
    seen = np.log(np.maximum(np.asarray(seen_h, dtype=float), LEAST_H))
    n, usual = seen.size, np.log(usual_h)
    mean = (WORTH * usual + float(seen.sum())) / (WORTH + n)
    squares = WORTH * usual_log_sd**2
    if n:
        own = float(seen.mean())
        squares += float(((seen - own) ** 2).sum()) + WORTH * n / (WORTH + n) * (own - usual) ** 2
    variance = squares / (WORTH + n) * (1.0 + 1.0 / (WORTH + n))
    return Learned(median_h=float(np.exp(mean)), log_sd=float(np.sqrt(variance)), logged=n)


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """A step as the log tells of it: how long hands were on it, and how long it lay, ready to be done. [h]"""

    kind: str
    hands_on_h: float | None = None
    getting_round_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTimes:
    """What the shop's log tells of the time its steps take."""

    logged: tuple[Logged, ...] = ()

    def hands_on(self, step: Step) -> Learned:
        """Hands-on time of a step, of one coat where it has several. [h]"""
        usual_min = step.hands_on_min
        if usual_min is None:
            usual_min = HANDS_ON_MIN[step.kind] * (len(step.grits) / 4.0 if step.grits else 1.0)
        seen = [each.hands_on_h for each in self.logged if each.kind == step.kind and each.hands_on_h is not None]
        return learn(usual_min / 60.0, HANDS_ON_LOG_SD, seen)

    def getting_round(self, kind: str) -> Learned:
        """Shop hours from when a step can be done until it is begun. [h]"""
        seen = [each.getting_round_h for each in self.logged if each.kind == kind and each.getting_round_h is not None]
        return learn(GETTING_ROUND_H[kind], GETTING_ROUND_LOG_SD, seen)


class ShopClock:
    """A clock that runs only in the shop's hours.

    Parameters
    ----------
    start, end : datetime
        What it can tell of.
    days : frozenset of int
        Days of the week worked, Monday 0.
    hours : tuple of float
        From and to, in shop time. [h of the day]
    """

    def __init__(
        self, start: datetime, end: datetime, zone: ZoneInfo, days: frozenset[int], hours: tuple[float, float]
    ) -> None:
        if not days or not 0.0 <= hours[0] < hours[1] <= DAY_H:
            raise ValueError(f"days {sorted(days)}, hours {hours}; expected a day and hours from 0 to 24, in order")
        self.days, self.hours, self._zero = days, hours, start
        at, worked = [0.0], [0.0]
        day = start.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
        while day <= end:
            if day.weekday() in days:
                for hour in hours:
                    there = day.replace(hour=min(int(hour), 23), minute=59 if hour >= DAY_H else int(hour % 1 * 60))
                    h = (there - start) / _HOUR
                    if h > at[-1]:
                        # Off hours run at a millionth, so that each moment has a reading of its own.
                        rate = 1.0 if hour == hours[1] else 1e-6
                        worked.append(worked[-1] + rate * (h - at[-1]))
                        at.append(h)
            day += timedelta(days=1)
        far = (end - start) / _HOUR + 10 * DAY_H
        self._at, self._worked = np.array([*at, far]), np.array([*worked, worked[-1] + 1e-6 * (far - at[-1])])

    def worked_h(self, moment_h: npt.ArrayLike) -> Reals:
        """Shop hours since the start, at hours since the start."""
        return np.asarray(np.interp(np.asarray(moment_h, np.float64), self._at, self._worked))

    def after(self, moment_h: Reals, worked_h: Reals) -> Reals:
        """Hours since the start, so many shop hours after a moment; past the end of what it can tell: the end."""
        return np.asarray(np.interp(self.worked_h(moment_h) + worked_h, self._worked, self._at))

    def between_h(self, first: datetime, second: datetime) -> float:
        """Shop hours from one moment to another; 0 if it is not later."""
        one, two = ((moment - self._zero) / _HOUR for moment in (first, second))
        return max(0.0, float(self.worked_h(two) - self.worked_h(one)))

    def hours_since_start(self, moment: datetime) -> float:
        """A moment, in hours since the start."""
        return (moment - self._zero) / _HOUR


def shop_hours(coats: Sequence[Coat], zone: ZoneInfo) -> tuple[frozenset[int], tuple[float, float]]:
    """Days and hours in which the shop works: those in which it has begun coats, an hour about."""
    if len(coats) < COATS_TO_TELL:
        return USUAL_DAYS, USUAL_HOURS
    begun = [coat.started_at.astimezone(zone) for coat in coats]
    hours = np.array([moment.hour + moment.minute / 60.0 for moment in begun])
    low, high = (float(h) for h in np.quantile(hours, [0.05, 0.95]))
    days = frozenset(day for day in range(7) if sum(moment.weekday() == day for moment in begun) >= 2)
    if not days or high - low < 2.0:
        return USUAL_DAYS, USUAL_HOURS
    return days, (max(0.0, float(np.floor(low - 1.0))), min(DAY_H, float(np.ceil(high + 1.0))))
