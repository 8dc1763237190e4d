"""From the booth's true state to what a node measures: lag, offset, noise, resolution, and a rare slip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector import wire

FloatArray = npt.NDArray[np.float64]
TimeArray = npt.NDArray[np.int64]

AIR_NODE: Final = "air-1"
PANEL_NODE: Final = "panel-1"

ISOBUTYLENE_FACTOR: Final = 1.6
"""Guess: a lamp's answer to a lacquer thinner, in ppm of vapour for each ppm shown as isobutylene."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """How one quantity is measured.

    Attributes
    ----------
    lag_s : float
        Time constant of the sensor behind the air.
    offset : float
        Half-width of the fixed error this specimen is drawn with.
    noise, noise_share : float
        Standard deviation from sample to sample, and its part in proportion to the value.
    resolution : float
        Step of the number sent.
    slip : float
        Size of the rare outlier (a door, a hand, a drop on the lens).
    """

    lag_s: float
    offset: float
    noise: float
    resolution: float
    slip: float
    noise_share: float = 0.0


# Guesses, each in line with common parts of its kind.
SENSORS: Final[Mapping[str, Mapping[str, Sensor]]] = {
    AIR_NODE: {
        "air_temperature": Sensor(lag_s=25, offset=0.15, noise=0.02, resolution=0.01, slip=2.0),
        "relative_humidity": Sensor(lag_s=15, offset=0.8, noise=0.12, resolution=0.01, slip=12.0),
        "air_pressure": Sensor(lag_s=1, offset=60, noise=2.0, resolution=1, slip=80),
        "voc_ppm": Sensor(lag_s=8, offset=0.1, noise=0.15, noise_share=0.01, resolution=0.1, slip=30),
        "voc_index": Sensor(lag_s=20, offset=0, noise=1.5, resolution=1, slip=40),
        "booth_pressure": Sensor(lag_s=2, offset=0.05, noise=0.12, resolution=0.01, slip=15),
        "face_velocity": Sensor(lag_s=2, offset=0.005, noise=0.012, resolution=0.01, slip=0.4),
    },
    PANEL_NODE: {
        "surface_temperature": Sensor(lag_s=3, offset=0.2, noise=0.06, resolution=0.02, slip=6.0),
        "node_battery": Sensor(lag_s=1, offset=0, noise=0.05, resolution=0.5, slip=0),
    },
}

SLIPS_PER_SAMPLE: Final = 1 / 12_000
BATTERY_DAYS: Final = 75.0


class Sensors:
    """The sensors of one seed. Feed it time in order; it keeps the lag from call to call.

    Parameters
    ----------
    seed : int
        Draws each specimen's fixed offset; the same in the past and live.
    start_ms : int
        Draws the noise, so that live noise does not repeat the past's. [ms since 1970, UTC]
    battery_new_ms : sequence of int
        When the panel's battery was changed, in order. [ms since 1970, UTC]
    """

    def __init__(self, seed: int, start_ms: int, battery_new_ms: Sequence[int]) -> None:
        specimen = np.random.default_rng([seed, 2])
        self._offsets = {
            quantity: specimen.uniform(-sensor.offset, sensor.offset)
            for group in SENSORS.values()
            for quantity, sensor in group.items()
        }
        self._rng = np.random.default_rng([seed, 3, start_ms // 1000])
        self._battery_new_ms = np.array(battery_new_ms, np.int64)
        self.lagged: dict[str, float] = {}
        """What each sensor stands at, before offset and noise; its memory."""
        self._at_ms: int | None = None

    def measure(self, time_ms: TimeArray, truth: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
        """What the sensors show.

        Parameters
        ----------
        time_ms : array
            Times in order, after those of the call before.
        truth : mapping
            True values by quantity; ``voc_index`` and ``node_battery`` follow from the rest.
        """
        full = {**truth, **self._derived(time_ms, truth)}
        before_ms = time_ms[0] - 5_000 if self._at_ms is None else self._at_ms
        seconds = np.diff(time_ms, prepend=before_ms) / 1000
        shown: dict[str, FloatArray] = {}
        for group in SENSORS.values():
            for quantity, sensor in group.items():
                value = self._lag(quantity, full[quantity], seconds, sensor.lag_s)
                count = len(value)
                noise = self._rng.standard_normal(count) * (sensor.noise + sensor.noise_share * np.abs(value))
                slips = self._rng.random(count) < SLIPS_PER_SAMPLE
                value = value + self._offsets[quantity] + noise
                value = value + slips * self._rng.choice([-1.0, 1.0], count) * sensor.slip
                value = np.round(np.round(value / sensor.resolution) * sensor.resolution, 4)
                known = wire.QUANTITIES[quantity]
                shown[quantity] = np.clip(value, known.low, known.high) + 0.0  # -0.0 would be sent as such
        self._at_ms = int(time_ms[-1])
        return shown

    def _derived(self, time_ms: TimeArray, truth: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
        # A metal-oxide sensor answers to the logarithm of vapour, and also a little to moisture.
        index = 100 + 110 * np.log1p(truth["voc_ppm"] / 4) + 0.3 * (truth["relative_humidity"] - 45)
        last = np.maximum(np.searchsorted(self._battery_new_ms, time_ms, side="right") - 1, 0)
        used = (time_ms - self._battery_new_ms[last]) / 86_400_000 / BATTERY_DAYS
        return {"voc_index": index, "node_battery": 100 * (1 - np.clip(used, 0, 1))}

    def _lag(self, quantity: str, value: FloatArray, seconds: FloatArray, lag_s: float) -> FloatArray:
        follows = (-np.expm1(-seconds / lag_s)).tolist()
        state = self.lagged.get(quantity, float(value[0]))
        lagged: list[float] = []
        for now, share in zip(value.tolist(), follows, strict=True):
            state += (now - state) * share
            lagged.append(state)
        self.lagged[quantity] = state
        return np.array(lagged)
