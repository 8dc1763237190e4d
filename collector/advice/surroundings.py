"""What stands around a coat from the day it was laid to the end of the forecast, in as many ways as there are draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.advice import forecast, heating_plan
from collector.advice.coat_history import DAY_H, HOUR_MS, Leg, Log, Path, Place, Reals, Recorded, recorded
from collector.advice.forecast import Outlook
from collector.advice.heating_plan import Setting
from collector.physics import humidity
from collector.physics.age_curve import Gap
from collector.reference import drivers

DRAWS: Final = 200
SEED: Final = 20_241
"""Fixed, so that the same log gives the same answer."""

TYPED_SD_K: Final = 1.5
TYPED_SD_PCT: Final = 8.0
"""How well a person knows the climate of a place that has no node. Judgement, no source."""

USUAL_PCT, USUAL_SD_PCT = 50.0, 12.0
"""Humidity where nothing tells. Judgement, no source. [%]"""

COLDEST_C, HOTTEST_C = -35.0, 58.0
DRIEST_PCT, DAMPEST_PCT = 1.0, 99.5

DETAIL_H: Final = 5.0 * DAY_H
COARSE_H: Final = 4.0

SEASON_K: Final = 1.0
SEASON_PCT: Final = 3.0
"""What a fortnight of season adds to a forecast's spread; judgement, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surroundings:
    """Temperature, humidity and air over a film; hours are counted from now.

    Attributes
    ----------
    time_h : array, shape (n,)
        Negative before now. [h]
    air_c, relative_humidity_pct, air_speed_m_s : array, shape (draws, n), or (n,) for what is typical
        [°C], [%], [m/s]
    now_c, now_pct, now_m_s : float
        As they are now.
    gaps : tuple of Gap
        Before now.
    notes : tuple of (float, str)
        What had to be assumed, and until when it matters. [h]
    read_h, read_c : array, shape (m,)
        The temperatures as they were logged. [h], [°C]
    """

    time_h: Reals
    air_c: Reals
    relative_humidity_pct: Reals
    air_speed_m_s: Reals
    now_c: float
    now_pct: float
    now_m_s: float
    gaps: tuple[Gap, ...]
    notes: tuple[tuple[float, str], ...]
    read_h: Reals
    read_c: Reals


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """The days ahead: when, with which local hour and which heating."""

    at_h: Reals
    hours: npt.NDArray[np.intp]
    plan: tuple[Setting, ...]
    now_ms: int


@cache
def normals(rows: int, stream: int) -> Reals:
    """Standard normals, draws by rows, always the same; another stream is independent of the first."""
    half = np.random.default_rng([SEED, stream]).standard_normal((DRAWS // 2, rows))
    return np.asarray(np.random.default_rng([SEED, stream, 1]).permutation(np.concatenate([half, -half])))


def surroundings(
    path: Path, logs: Mapping[Place, Log], outlooks: Mapping[Place, Outlook], start_ms: int, days: Days
) -> Surroundings:
    """What stands around a piece on a path, in draws.

    Parameters
    ----------
    logs, outlooks : mapping
        Of every place on the path.
    start_ms : int
        When the oldest coat asked about was laid. [ms since 1970, UTC]
    """
    now_ms = days.now_ms
    logged = recorded(path, logs, start_ms, now_ms)
    found = _coarse(logged)
    ahead = _ahead(path[-1], outlooks, days)
    start_h = (start_ms - now_ms) / HOUR_MS
    notes: list[tuple[float, str]] = []
    if not found.time_h.size:
        notes.append((0.0, "no temperature was measured since it was laid: the forecast's is assumed"))
        time_h = np.array([start_h, 0.0])
        past = tuple(np.repeat(values[:, :1], 2, axis=1) for values in ahead)
    else:
        time_h, past = _past(found, start_h)
        notes += _notes(found)
    air, damp, speed = (np.concatenate([before, after], axis=1) for before, after in zip(past, ahead, strict=True))
    damp = np.clip(damp, DRIEST_PCT, DAMPEST_PCT)
    here = time_h.size - 1
    return Surroundings(
        time_h=np.concatenate([time_h, days.at_h]),
        air_c=np.clip(air, COLDEST_C, HOTTEST_C),
        relative_humidity_pct=damp,
        air_speed_m_s=np.maximum(speed, 0.0),
        now_c=float(np.median(air[:, here])),
        now_pct=float(np.median(damp[:, here])),
        now_m_s=float(np.median(speed[:, here])),
        gaps=found.gaps,
        notes=tuple(notes),
        read_h=logged.time_h,
        read_c=logged.air_c,
    )


def typical(path: Path, logs: Mapping[Place, Log], start_ms: int, now_ms: int) -> Surroundings | None:
    """What most likely stood around a piece until now, without draws; None where nothing was measured."""
    found = recorded(path, logs, start_ms, now_ms)
    if not found.time_h.size:
        return None
    start_h = (start_ms - now_ms) / HOUR_MS
    time_h = np.unique(np.concatenate([found.time_h, [start_h, 0.0]]))
    damp, speed = _filled(found, time_h, found.relative_humidity_pct), _filled(found, time_h, found.air_speed_m_s)
    air = np.interp(time_h, found.time_h, found.air_c)
    damp = np.full(time_h.size, USUAL_PCT) if damp is None else damp
    speed = np.full(time_h.size, drivers.air_speed_m_s().median) if speed is None else speed
    return Surroundings(
        time_h=time_h,
        air_c=np.clip(air, COLDEST_C, HOTTEST_C),
        relative_humidity_pct=np.clip(damp, DRIEST_PCT, DAMPEST_PCT),
        air_speed_m_s=np.maximum(speed, 0.0),
        now_c=float(air[-1]),
        now_pct=float(damp[-1]),
        now_m_s=float(speed[-1]),
        gaps=found.gaps,
        notes=(),
        read_h=found.time_h,
        read_c=found.air_c,
    )


def _coarse(found: Recorded) -> Recorded:
    """The log with what is days old by four hours: enough for the stages that are still open then."""
    block = np.where(found.time_h < -DETAIL_H, np.floor(found.time_h / COARSE_H), 0.0)
    old = block < 0.0
    if old.sum() < 2:
        return found
    _, at, counts = np.unique(block[old], return_inverse=True, return_counts=True)

    def mean(values: Reals) -> Reals:
        seen = np.isfinite(values[old])
        sums, many = np.bincount(at, np.where(seen, values[old], 0.0)), np.bincount(at, seen)
        return np.concatenate([np.where(many > 0, sums / np.maximum(many, 1), np.nan), values[~old]])

    return replace(
        found,
        time_h=mean(found.time_h),
        air_c=mean(found.air_c),
        relative_humidity_pct=mean(found.relative_humidity_pct),
        air_speed_m_s=mean(found.air_speed_m_s),
        typed=np.concatenate([np.bincount(at, found.typed[old]) * 2 > counts, found.typed[~old]]),
    )


def _past(found: Recorded, start_h: float) -> tuple[Reals, tuple[Reals, Reals, Reals]]:
    """The past in draws: one line through what was measured, moved as a whole where it is not known."""
    z = normals(8, 1)
    edges = [edge for gap in found.gaps for edge in (gap.start_h, gap.end_h)]
    # A gap's ends are there twice: as read, and as the gap's own.
    time_h = np.sort(np.concatenate([np.unique(np.concatenate([found.time_h, [start_h, 0.0], edges])), edges]))
    air = np.repeat(np.interp(time_h, found.time_h, found.air_c)[np.newaxis, :], DRAWS, axis=0)
    shifts = normals(max(len(found.gaps), 1), 5)
    for k, gap in enumerate(found.gaps):
        first = int(np.searchsorted(time_h, gap.start_h, side="right")) - 1
        last = int(np.searchsorted(time_h, gap.end_h, side="left"))
        air[:, first : last + 1] += gap.mean_uncertainty_k * shifts[:, k : k + 1]
    at = np.clip(np.searchsorted(found.time_h, time_h, side="right") - 1, 0, found.time_h.size - 1)
    typed = found.typed[at]
    air[:, typed] += TYPED_SD_K * z[:, 2:3]
    damp = _filled(found, time_h, found.relative_humidity_pct)
    speed = _filled(found, time_h, found.air_speed_m_s)
    damps = (
        np.repeat(USUAL_PCT + USUAL_SD_PCT * z[:, :1], time_h.size, axis=1)
        if damp is None
        else np.repeat(damp[np.newaxis, :], DRAWS, axis=0)
    )
    damps[:, typed] += TYPED_SD_PCT * z[:, :1]
    speeds = (
        np.repeat(drivers.air_speed_m_s().at(z[:, 1:2]), time_h.size, axis=1)
        if speed is None
        else np.repeat(speed[np.newaxis, :], DRAWS, axis=0)
    )
    return time_h, (air, damps, speeds)


def _filled(found: Recorded, time_h: Reals, values: Reals) -> Reals | None:
    known = np.isfinite(values)
    return np.interp(time_h, found.time_h[known], values[known]) if known.any() else None


def _notes(found: Recorded) -> list[tuple[float, str]]:
    notes = []
    if not np.isfinite(found.relative_humidity_pct).any():
        notes.append(
            (0.0, f"humidity was not measured: {USUAL_PCT:.0f} %, give or take {USUAL_SD_PCT:.0f}, is assumed")
        )
    if not np.isfinite(found.air_speed_m_s).any():
        notes.append((0.0, "air over the piece was not measured: a booth with its fan low or off is assumed"))
    if found.typed.any():
        until = float(found.time_h[found.typed].max())
        notes.append((until, "stood where no node measures: the temperature typed for that place is used"))
    for gap in found.gaps:
        hours = gap.end_h - gap.start_h
        length = f"{hours:.0f} h" if hours < 2 * DAY_H else f"{hours / DAY_H:.0f} d"
        notes.append((gap.end_h, f"no readings for {length}: bridged by a line, and the times are less certain for it"))
    return notes


def _ahead(last: Leg, outlooks: Mapping[Place, Outlook], days: Days) -> tuple[Reals, Reals, Reals]:
    """Temperature, humidity and air speed of the days ahead where a piece is now, draws by times."""
    z, rows = normals(8, 1), days.at_h.size + 1
    still = np.repeat(drivers.air_speed_m_s().at(z[:, 1:2]), days.at_h.size, axis=1)
    if not last.booth:
        assert last.air_c is not None  # a place without a booth has one
        middle, spread = last.relative_humidity_pct, TYPED_SD_PCT
        if middle is None:
            middle, spread = USUAL_PCT, USUAL_SD_PCT
        steady = np.ones(days.at_h.size)
        return (last.air_c + TYPED_SD_K * z[:, 2:3]) * steady, (middle + spread * z[:, :1]) * steady, still
    view = outlooks[last.place]
    air = forecast.drawn(view.air_c, days.at_h, days.hours, normals(rows, 2), drift=SEASON_K)
    damp = forecast.drawn(view.relative_humidity_pct, days.at_h, days.hours, normals(rows, 3), drift=SEASON_PCT)
    if days.plan:
        heated = heating_plan.applied(days.plan, air, days.at_h, days.now_ms, z[:, 4:5])
        # Heating leaves the water in the air as it is.
        damp = damp * np.asarray(_saturation(air) / _saturation(heated))
        air = heated
    if view.air_speed_m_s is None:
        return air, damp, still
    return air, damp, forecast.drawn(view.air_speed_m_s, days.at_h, days.hours, normals(rows, 4), drift=0.0)


def _saturation(air_c: Reals) -> Reals:
    return np.asarray(humidity.saturation_pressure(np.clip(air_c, COLDEST_C, HOTTEST_C)))
