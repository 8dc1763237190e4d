"""The booth's conditions over a stretch of time, as the charts draw them.

Gathers buckets from a reading store and adds the dew point with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.advice.booth_state import AIR, HUMIDITY, SURFACE, BoothState
from collector.physics import humidity
from collector.readings.base import Buckets, ReadingStore, Series
from collector.settings import Readiness as ReadinessSettings

FloatArray = npt.NDArray[np.float64]
TimeArray = npt.NDArray[np.int64]

VAPOUR, VELOCITY, PRESSURE = "voc_ppm", "face_velocity", "booth_pressure"

MOST_POINTS: Final = 720
PERIOD_PROBE_MS: Final = 1_200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What was measured from ``start_ms`` to ``end_ms``, on one time axis; NaN where nothing was.

    Attributes
    ----------
    time_ms : array
        Start of each bucket. [ms since 1970, UTC]
    node, surface_node : str
        The node whose air the dew point is of, and the one whose surface; empty where there is none.
    air_c, surface_c, dew_point_c : array
        Means of the bucket; the dew point is the frost point below 0 °C. [°C]
    dew_point_uncertainty_k : array
        Standard uncertainty. [K]
    relative_humidity_pct : mapping
        Node to its means. [%]
    vapour_ppm : array
        Highest in the bucket, since a mean hides a spray pass. [ppm isobutylene equivalent]
    """

    booth: str
    start_ms: int
    end_ms: int
    width_ms: int
    node: str
    surface_node: str
    time_ms: TimeArray
    air_c: FloatArray
    surface_c: FloatArray
    dew_point_c: FloatArray
    dew_point_uncertainty_k: FloatArray
    relative_humidity_pct: Mapping[str, FloatArray]
    vapour_ppm: FloatArray

    @property
    def empty(self) -> bool:
        """Whether nothing at all was measured."""
        arrays = (self.air_c, self.surface_c, self.vapour_ppm, *self.relative_humidity_pct.values())
        return not any(bool(np.isfinite(array).any()) for array in arrays)

    @property
    def margin_k(self) -> FloatArray:
        """Surface above the dew point, or air above it where no surface was measured. [K]"""
        surface = self.surface_c if self.surface_node else self.air_c
        return surface - self.dew_point_c


@dataclass(frozen=True, slots=True, kw_only=True)
class DewPoint:
    """The dew point (frost point below 0 °C) of one node's air now [°C], its standard uncertainty [K] and age [s]."""

    value_c: float
    standard_uncertainty_k: float
    age_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Least, mean and most of one value over a stretch; None where nothing was measured."""

    low: float | None
    mean: float | None
    high: float | None


def gather(store: ReadingStore, booth: str, start_ms: int, end_ms: int, settings: ReadinessSettings) -> Conditions:
    """Read the conditions of a booth.

    The air is that of the node that measured both air temperature and humidity most often in the stretch;
    mixing two nodes would give the dew point of air that is nowhere.
    """
    of = {(series.node, series.quantity): series for series in store.series(booth)}
    most = _points(store, [series for key, series in of.items() if key[1] == HUMIDITY], start_ms, end_ms)

    def read(quantity: str) -> dict[str, Buckets]:
        return {
            node: store.buckets(series, start_ms, end_ms, most)
            for (node, name), series in of.items()
            if name == quantity
        }

    air, damp, surface, vapour = read(AIR), read(HUMIDITY), read(SURFACE), read(VAPOUR)
    any_series = next(iter(of.values()), Series(booth=booth, node="", quantity=AIR))
    axis = store.buckets(any_series, start_ms, end_ms, most)
    blank = np.full(axis.time_ms.shape, np.nan)
    both = {node: int(np.minimum(air[node].count, damp[node].count).sum()) for node in air if node in damp}
    node = max(both, key=lambda name: both[name], default="")
    surface_node = max(surface, key=lambda name: int(surface[name].count.sum()), default="")
    if surface_node and not surface[surface_node].count.any():
        surface_node = ""
    air_c = air[node].mean if node else _first(air, blank)
    dew, uncertainty = _dew_point(air_c, damp[node].mean, settings) if node else (blank, blank)
    with np.errstate(invalid="ignore"):
        highest = [buckets.high for buckets in vapour.values()]
        vapour_ppm = np.fmax.reduce(highest) if highest else blank
    return Conditions(
        booth=booth,
        start_ms=start_ms,
        end_ms=end_ms,
        width_ms=axis.width_ms,
        node=node,
        surface_node=surface_node,
        time_ms=axis.time_ms,
        air_c=air_c,
        surface_c=surface[surface_node].mean if surface_node else blank,
        dew_point_c=dew,
        dew_point_uncertainty_k=uncertainty,
        relative_humidity_pct={name: buckets.mean for name, buckets in damp.items() if buckets.count.any()},
        vapour_ppm=vapour_ppm,
    )


def dew_point(state: BoothState, node: str, settings: ReadinessSettings) -> DewPoint | None:
    """The present dew point of a node that measures both air temperature and humidity; None if it does not."""
    of = {reading.quantity: reading for reading in state.readings if reading.node == node}
    air, damp = of.get(AIR), of.get(HUMIDITY)
    if air is None or damp is None or damp.value <= 0:
        return None
    value, uncertainty = _dew_point(np.array([air.value]), np.array([damp.value]), settings)
    return DewPoint(
        value_c=float(value[0]),
        standard_uncertainty_k=float(uncertainty[0]),
        age_s=max(state.age_s(air), state.age_s(damp)),
    )


def spread(time_ms: TimeArray, values: FloatArray, start_ms: int, end_ms: int, width_ms: int) -> Spread:
    """Least, mean and most over the buckets that overlap a stretch."""
    inside = values[(time_ms + width_ms > start_ms) & (time_ms < end_ms) & np.isfinite(values)]
    if not inside.size:
        return Spread(low=None, mean=None, high=None)
    return Spread(low=float(inside.min()), mean=float(inside.mean()), high=float(inside.max()))


def _points(store: ReadingStore, damp: list[Series], start_ms: int, end_ms: int) -> int:
    """How many buckets to ask for, so that each holds two readings and none is empty by bad luck."""
    probed = [store.samples(series, end_ms - PERIOD_PROBE_MS, end_ms).time_ms for series in damp]
    steps = [float(np.median(np.diff(times))) for times in probed if times.size > 2]
    width_ms = 2.0 * min(steps, default=30_000.0)
    return max(1, min(MOST_POINTS, int((end_ms - start_ms) / max(width_ms, 1_000.0))))


def _first(of: Mapping[str, Buckets], blank: FloatArray) -> FloatArray:
    return next((buckets.mean for buckets in of.values()), blank)


def _dew_point(air_c: FloatArray, damp: FloatArray, settings: ReadinessSettings) -> tuple[FloatArray, FloatArray]:
    """Of a bucket's means: within a bucket's narrow range the curve is as good as straight."""
    known = np.isfinite(air_c) & np.isfinite(damp) & (damp > 0)
    t, rh = np.where(known, air_c, np.nan), np.where(known, damp, np.nan)
    found = humidity.margin(
        t,
        rh,
        t,
        air_uncertainty_k=humidity.rectangular(settings.air_accuracy_k),
        relative_humidity_uncertainty_pct=humidity.rectangular(settings.relative_humidity_accuracy_pct),
        surface_uncertainty_k=0.0,
    )
    return np.asarray(found.dew_point_c), np.asarray(found.standard_uncertainty_k)
