"""Where a limit is heading: the rate of the last hour, and when it will be broken or met at that rate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import stats

FEWEST_POINTS: Final = 15
"""A quarter of an hour of minutes; fewer tell no rate."""

HORIZON_MIN: Final = 4 * 60.0
"""Nothing is said beyond four hours: an hour's rate does not last longer, least of all a heated booth's."""

CONFIDENCE: Final = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Rate of a value over the last hour, and what it leads to.

    Attributes
    ----------
    per_hour, per_hour_low, per_hour_high : float
        Rate and its 90 % interval, in the value's unit per hour.
    event : str
        ``broken`` (a limit kept now will be passed), ``met`` (one passed now will be kept) or ``steady`` (neither,
        within four hours).
    minutes, minutes_low, minutes_high : float or None
        Until the event, with its 90 % interval; the high end is None where the rate may well be nought.
    """

    per_hour: float
    per_hour_low: float
    per_hour_high: float
    event: str
    minutes: float | None = None
    minutes_low: float | None = None
    minutes_high: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """The trend as JSON-ready values."""
        return {
            "per_hour": self.per_hour,
            "per_hour_low": self.per_hour_low,
            "per_hour_high": self.per_hour_high,
            "event": self.event,
            "minutes": self.minutes,
            "minutes_low": self.minutes_low,
            "minutes_high": self.minutes_high,
        }


def trend(
    time_ms: npt.NDArray[np.int64],
    values: npt.NDArray[np.float64],
    now: float,
    low: float | None,
    high: float | None,
) -> Trend | None:
    """Rate of the values (Theil-Sen, so that a spray event or an outlier does not turn it) and what it leads to.

    The interval is Sen's, which takes the minutes as independent; a heater's cycle makes it somewhat too narrow.

    Parameters
    ----------
    time_ms, values : arrays
        The last hour's minutes; NaN where nothing was measured.
    now : float
        Present value.
    low, high : float or None
        Limits the value should keep between.

    Returns
    -------
    Trend or None
        None where fewer than fifteen minutes hold a value.
    """
    held = np.isfinite(values)
    if int(held.sum()) < FEWEST_POINTS:
        return None
    hours = (time_ms[held] - time_ms[-1]) / 3_600_000
    if np.ptp(values[held]) == 0:
        return Trend(per_hour=0.0, per_hour_low=0.0, per_hour_high=0.0, event="steady")
    fit = stats.theilslopes(values[held], hours, alpha=CONFIDENCE)
    rate, slowest, fastest = float(fit.slope), float(fit.low_slope), float(fit.high_slope)
    steady = Trend(per_hour=rate, per_hour_low=slowest, per_hour_high=fastest, event="steady")
    target, event = _next_limit(now, rate, low, high)
    if target is None or slowest <= 0.0 <= fastest:
        return steady
    minutes, *ends = (60.0 * (target - now) / speed for speed in (rate, slowest, fastest))
    if not math.isfinite(minutes) or minutes > HORIZON_MIN:
        return steady
    return Trend(
        per_hour=rate,
        per_hour_low=slowest,
        per_hour_high=fastest,
        event=event,
        minutes=minutes,
        minutes_low=min(ends),
        minutes_high=max(ends) if max(ends) <= 2 * HORIZON_MIN else None,
    )


def _next_limit(now: float, rate: float, low: float | None, high: float | None) -> tuple[float | None, str]:
    if rate > 0:
        if low is not None and now < low:
            return low, "met"
        return (high, "broken") if high is not None and now <= high else (None, "steady")
    if high is not None and now > high:
        return high, "met"
    return (low, "broken") if low is not None and now >= low else (None, "steady")
