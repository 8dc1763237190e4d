"""One limit held against one value, with its guard band: what every judgement of the booth is made of."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from collector.advice.trend import Trend, trend
from collector.physics import humidity
from collector.readings.base import Buckets

GO: Final = "go"
MARGINAL: Final = "marginal"
HOLD: Final = "hold"
CANNOT_TELL: Final = "cannot tell"

SEVERITY: Final = {GO: 0, MARGINAL: 1, CANNOT_TELL: 2, HOLD: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit held against one value.

    Attributes
    ----------
    name, label : str
        ``air_temperature``, ``relative_humidity``, ``surface_temperature``, ``dew_point_margin`` or ``freshness``,
        and its name for a person.
    value, standard_uncertainty : float or None
        In ``unit``; None where it cannot be told.
    low, high : float or None
        The limits; None where there is none on that side.
    guarded_low, guarded_high : float or None
        The limits moved inwards by 1.645 standard uncertainties.
    verdict, reason : str
        And why, in one sentence.
    node : str
        The node that governs.
    trend : Trend or None
        What the last hour's rate leads to.
    """

    name: str
    label: str
    unit: str
    verdict: str
    reason: str
    value: float | None = None
    standard_uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    guarded_low: float | None = None
    guarded_high: float | None = None
    node: str = ""
    trend: Trend | None = None

    def to_dict(self) -> dict[str, Any]:
        """The limit as JSON-ready values."""
        plain = {name: getattr(self, name) for name in self.__slots__ if name != "trend"}
        return {**plain, "trend": self.trend.to_dict() if self.trend else None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A temperature or humidity with where it is from and how well it is known (standard uncertainty)."""

    value: float
    uncertainty: float
    node: str
    how: str = ""
    history: Buckets | None = None


def judged(
    name: str,
    label: str,
    unit: str,
    source: Source,
    low: float | None,
    high: float | None,
    words: Callable[[Source], str],
    show_value: Callable[[float], str],
    show_room: Callable[[float], str],
) -> Limit:
    """A value held against its limits, each moved inwards by 1.645 standard uncertainties.

    Parameters
    ----------
    words : callable
        Says what the source tells, with its ±.
    show_value, show_room : callable
        A value, and a distance to a limit, with their unit.
    """
    value, guard = source.value, humidity.ONE_SIDED_95 * source.uncertainty
    guarded_low = None if low is None else low + guard
    guarded_high = None if high is None else high - guard
    said = words(source)
    if low is not None and value < low:
        verdict, reason = HOLD, f"{said}, {show_room(low - value)} below the least allowed, {show_value(low)}"
    elif high is not None and value > high:
        verdict, reason = HOLD, f"{said}, {show_room(value - high)} above the most allowed, {show_value(high)}"
    elif guarded_low is not None and low is not None and value < guarded_low:
        verdict, reason = MARGINAL, f"{said}: too near the least allowed, {show_value(low)}, to be sure of it"
    elif guarded_high is not None and high is not None and value > guarded_high:
        verdict, reason = MARGINAL, f"{said}: too near the most allowed, {show_value(high)}, to be sure of it"
    elif low is None and high is None:
        verdict, reason = GO, f"{said}; the material sets no limit"
    else:
        allowed = {
            (True, True): "{} to {} is allowed",
            (True, False): "at least {} is asked",
            (False, True): "at most {} is allowed",
        }[low is not None, high is not None].format(*(show_value(end) for end in (low, high) if end is not None))
        verdict, reason = GO, f"{said}; {allowed}"
    moving = None
    if source.history is not None and not (low is None and high is None):
        moving = trend(source.history.time_ms, source.history.mean, value, low, high)
    return Limit(
        name=name,
        label=label,
        unit=unit,
        verdict=verdict,
        reason=f"{reason} ({source.node})",
        value=value,
        standard_uncertainty=source.uncertainty,
        low=low,
        high=high,
        guarded_low=guarded_low,
        guarded_high=guarded_high,
        node=source.node,
        trend=moving,
    )


def unknown(name: str, label: str, unit: str, low: float | None, high: float | None, reason: str) -> Limit:
    """A limit that cannot be told, and why."""
    return Limit(name=name, label=label, unit=unit, verdict=CANNOT_TELL, reason=reason, low=low, high=high)


def room_left(limit: Limit) -> float:
    """Distance to the nearer limit in standard uncertainties; negative beyond it."""
    if limit.value is None or not limit.standard_uncertainty:
        return math.inf
    ends = [
        (limit.value - limit.low) if limit.low is not None else math.inf,
        (limit.high - limit.value) if limit.high is not None else math.inf,
    ]
    return min(ends) / limit.standard_uncertainty


def worst(candidates: Sequence[Limit]) -> Limit:
    """The least favourable; of equals, the one with the least room."""
    return max(candidates, key=lambda limit: (SEVERITY[limit.verdict], -room_left(limit)))


def least_room(limits: Sequence[Limit]) -> Limit:
    """The one nearest its limit, in standard uncertainties."""
    return min(limits, key=room_left)
