"""What a coat has stood in since it was laid: the log of its booth, and of wherever its piece was moved to.

Temperature and humidity of a bucket are one node's: of the nodes that measured both, the one that did so most often
goes first, the next steps in where it was silent. Buckets are an hour wide, those of the last day ten minutes; one
without readings is left out, and a long stretch of them is a gap.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.advice.booth_state import AIR, HUMIDITY
from collector.advice.conditions import VELOCITY
from collector.physics.age_curve import Gap, bridged
from collector.readings.base import ReadingStore, Series
from collector.records.model import Coat, PiecePlace

Reals = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]

HOUR_MS: Final = 3_600_000
FINE_MS: Final = 600_000
FINE_H: Final = 24
DAY_H: Final = 24

BY_THE_HOUR_H: Final = 61 * DAY_H
"""A range this long is read from the store's one-hour roll-ups."""

BY_THE_MINUTE_H: Final = 49
"""A range this long is read from the store's one-minute roll-ups."""

LONGEST_STEP_H: Final = 2.0
"""Longest stretch between buckets with readings that is not yet a gap. [h]"""

Place = tuple[str, str]
"""A booth, and one node of it; an empty node means all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """What was measured in a place; NaN where nothing was.

    Attributes
    ----------
    now_ms : int
        Until when. [ms since 1970, UTC]
    time_ms : array
        Middle of each bucket, of the one that is not over: of what has passed of it.
    width_h : array
        Of each bucket. [h]
    air_c, relative_humidity_pct, air_speed_m_s : array
        Means. [°C], [%], [m/s]
    """

    now_ms: int
    time_ms: Times
    width_h: Reals
    air_c: Reals
    relative_humidity_pct: Reals
    air_speed_m_s: Reals


@dataclass(frozen=True, slots=True, order=True)
class Leg:
    """From when a piece is where: in a booth, or in a place with a climate a person typed."""

    since_ms: int
    booth: str = ""
    node: str = ""
    air_c: float | None = None
    relative_humidity_pct: float | None = None

    @property
    def place(self) -> Place:
        """Where its readings are from."""
        return self.booth, self.node


Path = tuple[Leg, ...]
"""Where a piece has been, oldest first; the first leg has always been so. Pieces of one path share their climate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What was measured along a path, buckets without a temperature left out; hours count from ``now_ms``.

    Attributes
    ----------
    time_h : array, shape (n,)
        [h]
    air_c : array, shape (n,)
        Without missing values; [°C]
    relative_humidity_pct, air_speed_m_s : array, shape (n,)
        NaN where not measured. [%], [m/s]
    typed : array of bool, shape (n,)
        Where a person said it.
    gaps : tuple of Gap
        Stretches without a temperature.
    """

    time_h: Reals
    air_c: Reals
    relative_humidity_pct: Reals
    air_speed_m_s: Reals
    typed: npt.NDArray[np.bool_]
    gaps: tuple[Gap, ...]


def path_of(coats: Iterable[Coat], places: Iterable[PiecePlace]) -> Path:
    """Where a piece has been: in the booth of each of its coats, until it was moved.

    Parameters
    ----------
    coats : iterable of Coat
        Of the piece; at least one.
    places : iterable of PiecePlace
        Moves of the piece.
    """
    legs = [Leg(_ms(coat.started_at), coat.booth) for coat in coats]
    legs += [Leg(_ms(p.at), p.booth, p.node, p.air_c, p.relative_humidity_pct) for p in places]
    path: list[Leg] = []
    for leg in sorted(legs, key=lambda each: each.since_ms):
        if not path or _elsewhere(leg, path[-1]):
            path.append(leg if path else Leg(0, leg.booth, leg.node, leg.air_c, leg.relative_humidity_pct))
    return tuple(path)


def read_log(store: ReadingStore, place: Place, start_ms: int, now_ms: int) -> Log:
    """The log of a place from a time until now, two months of it at least."""
    fine_ms = now_ms - now_ms % HOUR_MS - FINE_H * HOUR_MS
    start_ms = min(start_ms, now_ms - BY_THE_HOUR_H * HOUR_MS)
    start_ms -= start_ms % HOUR_MS
    hourly = _buckets(store, place, start_ms, now_ms, HOUR_MS)
    tail_ms = now_ms - now_ms % HOUR_MS - BY_THE_MINUTE_H * HOUR_MS
    fine = _buckets(store, place, tail_ms, now_ms, FINE_MS)
    old, new = hourly[0] < fine_ms, fine[0] >= fine_ms
    time_ms, air, damp, speed = (np.concatenate([h[old], f[new]]) for h, f in zip(hourly, fine, strict=True))
    width = np.where(np.arange(time_ms.size) < old.sum(), HOUR_MS, FINE_MS)
    return Log(
        now_ms=now_ms,
        time_ms=((time_ms + np.minimum(time_ms + width, now_ms)) // 2).astype(np.int64),
        width_h=width / HOUR_MS,
        air_c=air,
        relative_humidity_pct=damp,
        air_speed_m_s=np.maximum(speed, 0.0),
    )


def recorded(path: Path, logs: Mapping[Place, Log], start_ms: int, now_ms: int) -> Recorded:
    """What was measured along a path from a time until now.

    Parameters
    ----------
    logs : mapping
        Of every place on the path; may hold others.
    """
    times: list[Times] = [np.array([start_ms, now_ms], np.int64)]
    ends = [*(later.since_ms for later in path[1:]), now_ms + 1]
    spans = [(leg, max(leg.since_ms, start_ms), min(end, now_ms + 1)) for leg, end in zip(path, ends, strict=True)]
    for leg, since, until in spans:
        if leg.booth:
            log_ms = logs[leg.place].time_ms
            times.append(log_ms[(log_ms >= since) & (log_ms < until)])
        elif since < until:
            # By the hour, so that a step from one place to the next is one.
            times.append(np.unique([*range(since, until, HOUR_MS), until - 1]).astype(np.int64))
    time_ms = np.unique(np.concatenate(times))
    air, damp, speed = (np.full(time_ms.size, np.nan) for _ in range(3))
    typed = np.zeros(time_ms.size, np.bool_)
    for leg, since, until in spans:
        here = (time_ms >= since) & (time_ms < until)
        if leg.booth:
            log = logs[leg.place]
            at = _nearest(log.time_ms, time_ms[here])
            near = np.abs(log.time_ms[at] - time_ms[here]) <= HOUR_MS
            air[here] = np.where(near, log.air_c[at], np.nan)
            damp[here] = np.where(near, log.relative_humidity_pct[at], np.nan)
            speed[here] = np.where(near, log.air_speed_m_s[at], np.nan)
        else:
            air[here], typed[here] = leg.air_c, True
            damp[here] = np.nan if leg.relative_humidity_pct is None else leg.relative_humidity_pct
    time_h = (time_ms - now_ms) / HOUR_MS
    known = np.isfinite(air)
    gaps = bridged(time_h, air, max_gap_h=LONGEST_STEP_H)[1] if known.any() else ()
    return Recorded(
        time_h=time_h[known],
        air_c=air[known],
        relative_humidity_pct=damp[known],
        air_speed_m_s=speed[known],
        typed=typed[known],
        gaps=gaps,
    )


def _elsewhere(leg: Leg, before: Leg) -> bool:
    return (leg.booth, leg.node, leg.air_c, leg.relative_humidity_pct) != (
        before.booth,
        before.node,
        before.air_c,
        before.relative_humidity_pct,
    )


def _buckets(
    store: ReadingStore, place: Place, start_ms: int, now_ms: int, width_ms: int
) -> tuple[Times, Reals, Reals, Reals]:
    """Starts of buckets with temperature, humidity and air speed in them."""
    booth, only = place
    count = -(-(now_ms - start_ms) // width_ms)
    blank = np.full(count, np.nan)
    read = {
        (series.node, series.quantity): _means(store, series, start_ms, width_ms, count)
        for series in store.series(booth)
        if series.quantity in (AIR, HUMIDITY, VELOCITY) and (not only or series.node == only)
    }
    nodes = sorted({node for node, quantity in read if quantity == AIR})
    both = {node: np.isfinite(read[node, AIR] + read.get((node, HUMIDITY), blank)) for node in nodes}
    air, damp = blank.copy(), blank.copy()
    for node in sorted(nodes, key=lambda name: -int(both[name].sum())):
        fill = both[node] & np.isnan(air)
        air[fill], damp[fill] = read[node, AIR][fill], read[node, HUMIDITY][fill]
    for node in nodes:
        air = np.where(np.isnan(air), read[node, AIR], air)
    speeds: Sequence[Reals] = [values for (_, quantity), values in read.items() if quantity == VELOCITY]
    speed = np.fmax.reduce(speeds) if speeds else blank
    return start_ms + width_ms * np.arange(count, dtype=np.int64), air, damp, np.asarray(speed)


def _means(store: ReadingStore, series: Series, start_ms: int, width_ms: int, count: int) -> Reals:
    return store.buckets(series, start_ms, start_ms + count * width_ms, count).mean


def _nearest(of: Times, wanted: Times) -> npt.NDArray[np.intp]:
    right = np.clip(np.searchsorted(of, wanted), 0, of.size - 1)
    left = np.maximum(right - 1, 0)
    return np.where(np.abs(of[left] - wanted) <= np.abs(of[right] - wanted), left, right)


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
