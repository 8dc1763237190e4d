"""The air around the simulated booth, as a pure function of time and seed: outdoors, and in the shop.

There is no state to carry, so past and live demo share one weather without a seam. It is a mild spring for
ever: the demo is to show work, not a season, and starts at the middle of what the weather does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics import humidity

FloatArray = npt.NDArray[np.float64]

DAY_MS: Final = 86_400_000

# Passing weather: periods [d] without a common multiple, so that no two weeks are alike, and a share each.
# The sizes are guesses at a mild maritime spring.
_PERIODS_D: Final = (7.3, 4.1, 2.3)
_OUTDOOR_K: Final = (2.2, 1.5, 0.8)
_DEW_POINT_K: Final = (2.6, 1.9, 1.1)
_PRESSURE: Final = (700.0, 450.0, 150.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Air around the booth at one moment.

    Attributes
    ----------
    outdoor_c, shop_c : float
        Air temperature outdoors, and in the shop the booth draws its air from. [°C]
    shop_humidity_ratio : float
        Water in the shop's air. [kg per kg of dry air]
    pressure : float
        [Pa]
    """

    outdoor_c: float
    shop_c: float
    shop_humidity_ratio: float
    pressure: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SurroundingsSeries:
    """The same, as arrays over time."""

    outdoor_c: FloatArray
    shop_c: FloatArray
    shop_humidity_ratio: FloatArray
    pressure: FloatArray

    def __getitem__(self, index: int) -> Surroundings:
        return Surroundings(
            outdoor_c=float(self.outdoor_c[index]),
            shop_c=float(self.shop_c[index]),
            shop_humidity_ratio=float(self.shop_humidity_ratio[index]),
            pressure=float(self.pressure[index]),
        )


class Weather:
    """Weather of one seed.

    Parameters
    ----------
    seed : int
        Same seed, same weather.
    anchor_ms : int
        When the passing weather stands at its middle, as it should at the moment a demo starts.
        [ms since 1970, UTC]
    utc_offset_s : float
        Local time less UTC, for the hour of the day. The sun knows no summer time, so it stays. [s]
    """

    def __init__(self, seed: int, anchor_ms: int, utc_offset_s: float = 0.0) -> None:
        rng = np.random.default_rng([seed, 1])
        self._anchor_ms = anchor_ms
        self._offset_h = utc_offset_s / 3600
        # Near 0 or half a turn, so that the middle at the anchor is about the middle of all.
        self._phases = rng.choice([0.0, math.pi], (3, 3)) + rng.uniform(-0.35, 0.35, (3, 3))

    def series(self, time_ms: npt.NDArray[np.int64]) -> SurroundingsSeries:
        """Surroundings at each of the given times. [ms since 1970, UTC]"""
        hour = (time_ms / 3_600_000 + self._offset_h) % 24
        passing = [self._passing(kind, time_ms) for kind in range(3)]
        outdoor_c = 14.0 + 4.5 * np.cos(2 * np.pi * (hour - 15) / 24) + passing[0]
        dew_point_c = np.minimum(9.3 + 0.6 * np.cos(2 * np.pi * (hour - 11) / 24) + passing[1], outdoor_c - 0.5)
        pressure = 100_900.0 + passing[2]
        # The shop is kept warm a little below the booth; it follows the day and the weather at a distance.
        shop_c = 18.6 + 0.9 * np.cos(2 * np.pi * (hour - 16) / 24) + 0.2 * passing[0]
        ratio = humidity.humidity_ratio(humidity.saturation_pressure(dew_point_c), pressure)
        return SurroundingsSeries(
            outdoor_c=outdoor_c,
            shop_c=shop_c,
            shop_humidity_ratio=np.asarray(ratio) + 0.0002,  # people and plants in the shop
            pressure=pressure,
        )

    def at(self, time_ms: int) -> Surroundings:
        """Surroundings at one time. [ms since 1970, UTC]"""
        return self.series(np.array([time_ms], np.int64))[0]

    def _passing(self, kind: int, time_ms: npt.NDArray[np.int64]) -> FloatArray:
        days = (time_ms - self._anchor_ms) / DAY_MS
        total = np.zeros(len(time_ms))
        sizes = (_OUTDOOR_K, _DEW_POINT_K, _PRESSURE)[kind]
        for period_d, size, phase in zip(_PERIODS_D, sizes, self._phases[kind], strict=True):
            total += size * (np.sin(2 * np.pi * days / period_d + phase) - np.sin(phase))
        return total
