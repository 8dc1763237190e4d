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

LATELY_H: Final = 3.0
"""Where the booth stands now is the mean of this long. [h]"""

MEMORY_H: Final = 18.0
"""A departure from the pattern is down to a third after this long. Judgement, no source. [h]"""


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


def ahead_h(*also: float) -> Reals:
    """Hours from now at which the forecast is given, first by the hour, at last twice a day; and some others."""
    steps = [
        np.arange(0.0, 48.0),
        np.arange(48.0, 168.0, 3.0),
        np.arange(168.0, PATTERN_H, 6.0),
        np.arange(PATTERN_H, HORIZON_H + 1.0, 12.0),
    ]
    others = np.array([hours for hours in also if 0.0 <= hours <= HORIZON_H])
    return np.unique(np.concatenate([*steps, others]))


def outlook(log: Log, zone: ZoneInfo) -> Outlook:
    """What a log says of the days ahead; how far it can be trusted is in ``words``."""
    known = np.isfinite(log.air_c) & (log.time_ms >= log.now_ms - PATTERN_H * HOUR_MS)
    times, widths = log.time_ms[known], log.width_h[known]
    span = float(np.ptp(times)) / HOUR_MS if known.any() else 0.0
    covered = float(widths.sum())
    long_enough = span >= LEAST_H and covered >= LEAST_H / 2.0
    if not known.any():
        words = "No temperature was measured in the last fortnight: 20 °C, give or take 4 K, is assumed throughout."
    elif not long_enough:
        words = (
            f"The log of the last fortnight holds {covered:.0f} h, too little for a daily pattern: it is taken to stay "
            "as it was lately, with a wide spread."
        )
    else:
        words = f"The booth's own daily pattern of the last {max(span / 24.0, 2.0):.0f} days, from where it stands now."
    hours = local_hours(times, zone)
    age_h = (log.now_ms - times) / HOUR_MS

    def swing(values: Reals, *, usual: float, wide: float, least: float) -> Swing:
        return _swing(hours, age_h, widths, values[known], long_enough, usual=usual, wide=wide, least=least)

    speed = log.air_speed_m_s
    return Outlook(
        air_c=swing(log.air_c, usual=20.0, wide=3.0, least=0.3),
        relative_humidity_pct=swing(log.relative_humidity_pct, usual=50.0, wide=10.0, least=2.0),
        air_speed_m_s=swing(speed, usual=0.15, wide=0.1, least=0.0) if np.isfinite(speed[known]).any() else None,
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
    hours: npt.NDArray[np.intp],
    age_h: Reals,
    widths: Reals,
    values: Reals,
    long_enough: bool,
    *,
    usual: float,
    wide: float,
    least: float,
) -> Swing:
    known = np.isfinite(values)
    if not known.any():
        return Swing(by_hour=np.full(24, usual), departure=0.0, strays_sd=wide, unsure_sd=wide)
    hours, age_h, widths, values = hours[known], age_h[known], widths[known], values[known]
    lately = age_h <= max(LATELY_H, float(age_h.min()))
    if not long_enough:
        flat = float(np.average(values[lately], weights=widths[lately]))
        return Swing(by_hour=np.full(24, flat), departure=0.0, strays_sd=wide, unsure_sd=wide)
    weight = np.bincount(hours, widths, minlength=24)
    sums = np.bincount(hours, widths * values, minlength=24)
    mean = float(np.average(values, weights=widths))
    by_hour = np.where(weight > 0, sums / np.where(weight > 0, weight, 1.0), mean)
    away = values - by_hour[hours]
    strays = max(float(np.sqrt(np.average(away**2, weights=widths))), least)
    # A log that stops says less and less of where the booth stands now.
    fading = float(np.exp(-age_h.min() / MEMORY_H))
    return Swing(
        by_hour=by_hour,
        departure=fading * float(np.average(away[lately], weights=widths[lately])),
        strays_sd=strays,
        unsure_sd=strays * float(np.sqrt(min(2.0 * MEMORY_H / float(widths.sum()), 1.0))),
    )
