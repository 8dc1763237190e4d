"""What a coat has stood in since it was laid: the log of its booth, hour by hour.

Temperature and humidity of an hour are one node's: of the nodes that measured both, the one that did so most often goes
first, the next steps in where it was silent. Hours without readings are left out and become gaps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.advice.booth_state import AIR, HUMIDITY
from collector.advice.conditions import VELOCITY
from collector.readings.base import ReadingStore, Series

Reals = npt.NDArray[np.float64]

HOUR_MS: Final = 3_600_000
FORTNIGHT_MS: Final = 14 * 24 * HOUR_MS
BY_THE_HOUR_MS: Final = 61 * 24 * HOUR_MS
"""A range this long is read from the store's one-hour roll-ups."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """What was measured in a booth, by the hour; NaN where nothing was.

    Attributes
    ----------
    time_ms : array
        Middle of each hour; of the hour that is not over, of what has passed of it. [ms since 1970, UTC]
    air_c, relative_humidity_pct, air_speed_m_s : array
        Means. [°C], [%], [m/s]
    """

    booth: str
    now_ms: int
    time_ms: npt.NDArray[np.int64]
    air_c: Reals
    relative_humidity_pct: Reals
    air_speed_m_s: Reals


def read_log(store: ReadingStore, booth: str, start_ms: int, now_ms: int) -> Log:
    """The log of a booth from a time until now, at least a fortnight of it."""
    start_ms = min(start_ms, now_ms - BY_THE_HOUR_MS)
    start_ms -= start_ms % HOUR_MS
    count = -(-(now_ms - start_ms) // HOUR_MS)
    end_ms = start_ms + count * HOUR_MS
    time_ms = start_ms + HOUR_MS * np.arange(count, dtype=np.int64)
    time_ms = (time_ms + np.minimum(time_ms + HOUR_MS, now_ms)) // 2
    blank = np.full(count, np.nan)
    read: dict[tuple[str, str], Reals] = {}
    for series in store.series(booth):
        if series.quantity in (AIR, HUMIDITY, VELOCITY):
            read[series.node, series.quantity] = _by_hour(store, series, start_ms, end_ms, count)
    nodes = sorted({node for node, _ in read})
    both = {
        node: np.isfinite(read[node, AIR] + read[node, HUMIDITY])
        for node in nodes
        if (node, AIR) in read and (node, HUMIDITY) in read
    }
    air, damp = blank.copy(), blank.copy()
    for node in sorted(both, key=lambda name: -int(both[name].sum())):
        fill = both[node] & np.isnan(air)
        air[fill], damp[fill] = read[node, AIR][fill], read[node, HUMIDITY][fill]
    for node in nodes:
        alone = read.get((node, AIR), blank)
        air = np.where(np.isnan(air), alone, air)
    speeds = [values for (_, quantity), values in read.items() if quantity == VELOCITY]
    with np.errstate(invalid="ignore"):
        speed = np.fmax.reduce(speeds) if speeds else blank
    return Log(
        booth=booth,
        now_ms=now_ms,
        time_ms=time_ms,
        air_c=air,
        relative_humidity_pct=damp,
        air_speed_m_s=np.maximum(speed, 0.0),
    )


def _by_hour(store: ReadingStore, series: Series, start_ms: int, end_ms: int, count: int) -> Reals:
    return store.buckets(series, start_ms, end_ms, count).mean
