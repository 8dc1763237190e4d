"""What stands around a coat from the day it was laid to the end of the forecast, in as many ways as there are draws.

A path is where a piece has been: booths, or places with a typed climate. Pieces with one path share its surroundings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.advice import forecast
from collector.advice.coat_history import HOUR_MS, Log, Reals
from collector.advice.forecast import Outlook
from collector.physics.age_curve import GAP_SPREAD_K, GAP_WANDER_K, Gap, bridged
from collector.reference import drivers

DRAWS: Final = 200
SEED: Final = 20_241
"""Fixed, so that the same log gives the same answer."""

LONGEST_STEP_H: Final = 2.0
"""Longest stretch between hours with readings that is not yet a gap. [h]"""

TYPED_SD_K: Final = 1.5
TYPED_SD_PCT: Final = 8.0
"""How well a person knows the climate of a place that has no node. Judgement, no source."""

COLDEST_C, HOTTEST_C = -35.0, 58.0
DRIEST_PCT, DAMPEST_PCT = 1.0, 99.5


@dataclass(frozen=True, slots=True, order=True)
class Leg:
    """From when a piece is where: in a booth, or in a place with a climate a person typed."""

    since_ms: int
    booth: str = ""
    air_c: float | None = None
    relative_humidity_pct: float | None = None


Path = tuple[Leg, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surroundings:
    """Temperature, humidity and air over a film, draws by times; hours are counted from now.

    Attributes
    ----------
    time_h : array, shape (n,)
        Negative before now. [h]
    air_c, relative_humidity_pct, air_speed_m_s : array, shape (draws, n)
    now_c, now_pct, now_m_s : float
        As they are now.
    gaps : tuple of Gap
        Before now.
    notes : tuple of str
    """

    time_h: Reals
    air_c: Reals
    relative_humidity_pct: Reals
    air_speed_m_s: Reals
    now_c: float
    now_pct: float
    now_m_s: float
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]


@cache
def normals(rows: int, stream: int) -> Reals:
    """Standard normals, draws by rows, always the same; another stream is independent of the first."""
    half = np.random.default_rng([SEED, stream]).standard_normal((DRAWS // 2, rows))
    both = np.concatenate([half, -half])
    return np.asarray(np.random.default_rng([SEED, stream, 1]).permutation(both))


def surroundings(
    path: Path,
    logs: Mapping[str, Log],
    outlooks: Mapping[str, Outlook],
    start_ms: int,
    now_ms: int,
    hours: npt.NDArray[np.intp],
) -> Surroundings:
    """What stands around a piece on a path.

    Parameters
    ----------
    path : Path
        At least one leg.
    logs, outlooks : mapping
        Of every booth on the path.
    start_ms : int
        When the oldest coat was laid.
    hours : array
        Local hour of each time of the forecast.
    """
    time_h, air, damp, speed = _measured(path, logs, start_ms, now_ms)
    known = np.isfinite(air)
    notes: list[str] = []
    gaps: tuple[Gap, ...] = ()
    if known.any():
        _, gaps = bridged(time_h, air, max_gap_h=LONGEST_STEP_H, wander_k=GAP_WANDER_K, spread_k=GAP_SPREAD_K)
    time_h, air, damp, speed = time_h[known], air[known], damp[known], speed[known]
    z = normals(8 + len(gaps), 1)
    last = path[-1]
    ahead = forecast.ahead_h()
    future_air, future_damp, future_speed = _ahead(last, outlooks, ahead, hours)
    if not time_h.size:
        notes.append("no temperature was measured since it was laid: the forecast's is assumed")
        time_h = np.array([(start_ms - now_ms) / HOUR_MS, 0.0])
        past_air = np.repeat(future_air[:, :1], 2, axis=1)
        past_damp = np.repeat(future_damp[:, :1], 2, axis=1)
        past_speed = np.repeat(future_speed[:, :1], 2, axis=1)
    else:
        time_h, past_air, past_damp, past_speed = _past(time_h, air, damp, speed, gaps, start_ms, now_ms, z)
        if not np.isfinite(damp).any():
            notes.append("humidity was not measured: 50 %, give or take 12 %, is assumed")
        if not np.isfinite(speed).any():
            notes.append("air speed was not measured: still to gently moved air is assumed")
    for gap in gaps:
        notes.append(f"no readings for {gap.end_h - gap.start_h:.0f} h: bridged, and the times are wider for it")
    now_c = float(np.median(past_air[:, -1]))
    return Surroundings(
        time_h=np.concatenate([time_h, ahead]),
        air_c=np.clip(np.concatenate([past_air, future_air], axis=1), COLDEST_C, HOTTEST_C),
        relative_humidity_pct=np.clip(np.concatenate([past_damp, future_damp], axis=1), DRIEST_PCT, DAMPEST_PCT),
        air_speed_m_s=np.maximum(np.concatenate([past_speed, future_speed], axis=1), 0.0),
        now_c=now_c,
        now_pct=float(np.clip(np.median(past_damp[:, -1]), DRIEST_PCT, DAMPEST_PCT)),
        now_m_s=float(np.median(past_speed[:, -1])),
        gaps=gaps,
        notes=tuple(notes),
    )


def _measured(path: Path, logs: Mapping[str, Log], start_ms: int, now_ms: int) -> tuple[Reals, Reals, Reals, Reals]:
    """The log along a path from the start to now, NaN where nothing was measured; and both ends."""
    any_log = next(iter(logs.values()))
    inside = (any_log.time_ms > start_ms) & (any_log.time_ms < now_ms)
    time_ms = np.concatenate([[start_ms], any_log.time_ms[inside], [now_ms]])
    air, damp, speed = (np.full(time_ms.size, np.nan) for _ in range(3))
    for leg, until in zip(path, [*(later.since_ms for later in path[1:]), now_ms + 1], strict=True):
        here = (time_ms >= leg.since_ms) & (time_ms < until)
        if leg.booth:
            log = logs[leg.booth]
            at = np.clip(np.searchsorted(log.time_ms, time_ms[here]), 0, log.time_ms.size - 1)
            # The ends take the nearest hour, if that is near.
            at = np.where(
                (at > 0) & (abs(log.time_ms[at - 1] - time_ms[here]) < abs(log.time_ms[at] - time_ms[here])), at - 1, at
            )
            near = abs(log.time_ms[at] - time_ms[here]) <= HOUR_MS
            air[here] = np.where(near, log.air_c[at], np.nan)
            damp[here] = np.where(near, log.relative_humidity_pct[at], np.nan)
            speed[here] = np.where(near, log.air_speed_m_s[at], np.nan)
        else:
            air[here] = leg.air_c
            damp[here] = np.nan if leg.relative_humidity_pct is None else leg.relative_humidity_pct
    return (time_ms - now_ms) / HOUR_MS, air, damp, speed


def _past(
    time_h: Reals,
    air: Reals,
    damp: Reals,
    speed: Reals,
    gaps: tuple[Gap, ...],
    start_ms: int,
    now_ms: int,
    z: Reals,
) -> tuple[Reals, Reals, Reals, Reals]:
    """The past in draws: one line through what was measured, moved as a whole within each gap."""
    start_h = (start_ms - now_ms) / HOUR_MS
    times = [time_h]
    for gap in gaps:
        times.append(np.array([gap.start_h, gap.end_h]))
    whole = np.unique(np.concatenate([*times, [start_h, 0.0]]))
    # A gap's ends are there twice: as read, and as the gap's own.
    doubled = np.sort(np.concatenate([whole, *([gap.start_h, gap.end_h] for gap in gaps)]))
    base = np.interp(doubled, time_h, air)
    air_draws = np.repeat(base[np.newaxis, :], DRAWS, axis=0)
    for k, gap in enumerate(gaps):
        first = int(np.searchsorted(doubled, gap.start_h, side="right")) - 1
        last = int(np.searchsorted(doubled, gap.end_h, side="left"))
        air_draws[:, first : last + 1] += gap.mean_uncertainty_k * z[:, 8 + k : 9 + k]
    known = np.isfinite(damp)
    damp_draws = (
        np.repeat(np.interp(doubled, time_h[known], damp[known])[np.newaxis, :], DRAWS, axis=0)
        if known.any()
        else np.repeat(50.0 + 12.0 * z[:, :1], doubled.size, axis=1)
    )
    known = np.isfinite(speed)
    speed_draws = (
        np.repeat(np.interp(doubled, time_h[known], speed[known])[np.newaxis, :], DRAWS, axis=0)
        if known.any()
        else np.repeat(drivers.air_speed_m_s().at(z[:, 1:2]), doubled.size, axis=1)
    )
    return doubled, air_draws, damp_draws, speed_draws


def _ahead(
    last: Leg, outlooks: Mapping[str, Outlook], ahead: Reals, hours: npt.NDArray[np.intp]
) -> tuple[Reals, Reals, Reals]:
    z = normals(8, 1)
    still = np.repeat(drivers.air_speed_m_s().at(z[:, 1:2]), ahead.size, axis=1)
    if not last.booth:
        air = np.repeat((last.air_c or 0.0) + TYPED_SD_K * z[:, 2:3], ahead.size, axis=1)
        middle, spread = (
            (50.0, 12.0) if last.relative_humidity_pct is None else (last.relative_humidity_pct, TYPED_SD_PCT)
        )
        return air, np.repeat(middle + spread * z[:, :1], ahead.size, axis=1), still
    view = outlooks[last.booth]
    rows = ahead.size + 1
    air = forecast.drawn(view.air_c, ahead, hours, normals(rows, 2), drift=1.0)
    damp = forecast.drawn(view.relative_humidity_pct, ahead, hours, normals(rows, 3), drift=3.0)
    if view.air_speed_m_s is None:
        return air, damp, still
    return air, damp, forecast.drawn(view.air_speed_m_s, ahead, hours, normals(rows, 4), drift=0.0)
