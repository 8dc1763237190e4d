"""What the air of a booth will be like: its own hour-of-day pattern, and where it stands from that now.

The pattern is of the last fortnight in the shop's local hours, so that a change of clocks moves the pattern and nothing
else: times are UTC throughout. Each draw is one way the weather may go, from what is measured now towards the pattern
and as far from it as the booth has been before. A heating plan typed by a person goes before the pattern.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from collector.advice.coat_history import Log, Reals

HOUR_MS: Final = 3_600_000

HORIZON_H: Final = 60 * 24.0
PATTERN_H: Final = 14 * 24.0
LEAST_H: Final = 48.0
"""Of a log shorter than this no pattern is made."""

MEMORY_H: Final = 18.0
"""A departure from the pattern is gone to a third after this long. Judgement, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """One quantity over the day: its pattern by local hour, and how far it strays from that.

    Attributes
    ----------
    by_hour : array, shape (24,)
    departure : float
        From the pattern, now.
    strays_sd : float
        Standard deviation about the pattern.
    unsure_sd : float
        Standard uncertainty of the pattern as a whole.
    """

    by_hour: Reals
    departure: float
    strays_sd: float
    unsure_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What a booth's log says of the days ahead; None where a quantity is not measured."""

    air_c: Swing
    relative_humidity_pct: Swing
    air_speed_m_s: Swing | None
    words: str


def ahead_h() -> Reals:
    """Hours from now at which the forecast is given: by the hour, by three and then by six hours."""
    return np.concatenate([np.arange(0.0, 72.0), np.arange(72.0, 336.0, 3.0), np.arange(336.0, HORIZON_H + 1.0, 6.0)])


def outlook(log: Log, zone: ZoneInfo) -> Outlook:
    """What a booth's log says of the days ahead."""
    since = log.now_ms - PATTERN_H * HOUR_MS
    recent = log.time_ms >= since
    hours = local_hours(log.time_ms[recent], zone)
    air = log.air_c[recent]
    known = np.isfinite(air)
    span = float(np.ptp(log.time_ms[recent][known])) / HOUR_MS if known.any() else 0.0
    long_enough = span >= LEAST_H
    if not known.any():
        words = "No temperature was measured in the last fortnight: 20 °C, give or take 4 K, is assumed throughout."
    elif not long_enough:
        words = (
            f"The log is {span:.0f} h long, too short for a daily pattern: the recent values are taken as they are, "
            "with a wide spread."
        )
    else:
        words = f"The booth's own daily pattern of the last {span / 24.0:.0f} days, from where it stands now."
    return Outlook(
        air_c=_swing(hours, air, long_enough, usual=20.0, wide=3.0, least=0.3),
        relative_humidity_pct=_swing(
            hours, log.relative_humidity_pct[recent], long_enough, usual=50.0, wide=10.0, least=2.0
        ),
        air_speed_m_s=_swing(hours, log.air_speed_m_s[recent], long_enough, usual=0.15, wide=0.1, least=0.0)
        if np.isfinite(log.air_speed_m_s[recent]).any()
        else None,
        words=words,
    )


def drawn(swing: Swing, at_h: Reals, hours: npt.NDArray[np.intp], normals: Reals, drift: float) -> Reals:
    """Ways a quantity may go, shape (draws, times).

    Parameters
    ----------
    at_h : array, shape (times,)
        From now. [h]
    hours : array, shape (times,)
        Local hour of each.
    normals : array, shape (draws, times + 1)
        Standard normals, the first for the pattern as a whole.
    drift : float
        Standard deviation that a fortnight of season adds.
    """
    away = np.empty((normals.shape[0], at_h.size))
    away[:, 0] = swing.departure
    kept = np.exp(-np.diff(at_h) / MEMORY_H)
    for k in range(1, at_h.size):
        share = kept[k - 1]
        away[:, k] = share * away[:, k - 1] + swing.strays_sd * np.sqrt(1.0 - share**2) * normals[:, k + 1]
    whole = swing.unsure_sd * (1.0 - np.exp(-at_h / MEMORY_H)) + drift * np.sqrt(at_h / PATTERN_H)
    return np.asarray(swing.by_hour[hours] + away + whole * normals[:, :1])


def local_hours(time_ms: npt.NDArray[np.int64], zone: ZoneInfo) -> npt.NDArray[np.intp]:
    """Hour of the day by the shop's clock, 0 to 23."""
    return np.array([datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone).hour for ms in time_ms.tolist()], np.intp)


def _swing(
    hours: npt.NDArray[np.intp], values: Reals, long_enough: bool, *, usual: float, wide: float, least: float
) -> Swing:
    known = np.isfinite(values)
    if not known.any():
        return Swing(by_hour=np.full(24, usual), departure=0.0, strays_sd=wide, unsure_sd=wide)
    hours, values = hours[known], values[known]
    if not long_enough:
        return Swing(by_hour=np.full(24, values[-24:].mean()), departure=0.0, strays_sd=wide, unsure_sd=wide)
    counts = np.bincount(hours, minlength=24)
    means = np.bincount(hours, values, minlength=24) / np.maximum(counts, 1)
    by_hour = np.where(counts > 0, means, values.mean())
    away = values - by_hour[hours]
    strays = max(float(away.std()), least)
    return Swing(
        by_hour=by_hour,
        departure=float(away[-3:].mean()),
        strays_sd=strays,
        unsure_sd=strays * float(np.sqrt(min(2.0 * MEMORY_H / values.size, 1.0))),
    )
