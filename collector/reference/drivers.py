"""Priors of the drying drivers: how each answers to its surroundings, how well that is known, and from which source.

The table is ``drivers.toml``; every row has a source and a status. Draws come from standard normals the caller hands
in, so that one coat drawn twice, or two coats of one material, can share them.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from collector.physics.drying_drivers import DRIVERS, DriverParameters

FloatArray = npt.NDArray[np.float64]

LOG_NORMAL: Final = "log_normal"
NORMAL: Final = "normal"

QUANTITIES: Final = (
    "factor",
    "activation_energy_kj_mol",
    "film_exponent",
    "air_exponent",
    "humidity_slope",
    "self_cooling",
)
"""What is drawn of a driver, in the order of the rows of standard normals that :func:`parameters` takes."""

STATUSES: Final = ("published", "computed", "trade", "from memory", "judgement")


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """What is known of one number.

    Attributes
    ----------
    shape : str
        ``log_normal`` or ``normal``.
    median : float
        In the unit of the quantity.
    spread : float
        Geometric standard deviation of a log-normal, standard deviation of a normal.
    low, high : float
        Draws outside are put at that end.
    source, status : str
        Where it comes from, and one of :data:`STATUSES`.
    """

    shape: str
    median: float
    spread: float
    low: float
    high: float
    source: str
    status: str

    def __post_init__(self) -> None:
        if self.shape not in (LOG_NORMAL, NORMAL):
            raise ValueError(f"shape {self.shape!r}; expected {LOG_NORMAL} or {NORMAL}")
        if self.status not in STATUSES:
            raise ValueError(f"status {self.status!r}; expected one of {', '.join(STATUSES)}")
        if not self.source.strip():
            raise ValueError("source is empty; expected where the number comes from")
        if not self.low <= self.median <= self.high:
            raise ValueError(f"median {self.median:g}; expected low {self.low:g} to high {self.high:g}")
        if self.shape == LOG_NORMAL and not (self.median > 0 and self.spread >= 1):
            raise ValueError(f"median {self.median:g}, spread {self.spread:g}; expected above 0 and 1 or more")
        if self.shape == NORMAL and not self.spread >= 0:
            raise ValueError(f"spread {self.spread:g}; expected 0 or more")

    def at(self, standard_normals: npt.ArrayLike) -> FloatArray:
        """The values at standard normal deviates, of any shape; 0 gives the median."""
        z = np.asarray(standard_normals, np.float64)
        if self.shape == LOG_NORMAL:
            values = self.median * np.exp(math.log(self.spread) * z)
        else:
            values = self.median + self.spread * z
        return np.clip(values, self.low, self.high)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """``n`` independent draws."""
        return self.at(rng.standard_normal(n))


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A part of a stage: its driver, and its share of the data sheet's time."""

    driver: str
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Governing:
    """What governs a stage of a chemistry: parts in order, their shares adding up to 1."""

    parts: tuple[Share, ...]
    source: str
    status: str

    def __post_init__(self) -> None:
        total = sum(part.share for part in self.parts)
        if abs(total - 1.0) > 1e-9 or any(part.share <= 0 for part in self.parts):
            raise ValueError(f"shares add up to {total:g}; expected shares above 0 that add up to 1")
        for part in self.parts:
            if part.driver not in DRIVERS:
                raise ValueError(f"driver {part.driver!r}; expected one of {', '.join(DRIVERS)}")


def distribution(driver: str, quantity: str, chemistry: str = "") -> Distribution | None:
    """What is known of a quantity of a driver, for a chemistry where that has a row of its own.

    Returns
    -------
    Distribution or None
        None where the driver does not answer to it.

    Raises
    ------
    ValueError
        If there is no such driver or quantity.
    """
    if driver not in DRIVERS:
        raise ValueError(f"driver {driver!r}; expected one of {', '.join(DRIVERS)}")
    if quantity not in QUANTITIES:
        raise ValueError(f"quantity {quantity!r}; expected one of {', '.join(QUANTITIES)}")
    rows = _table().distributions
    return rows.get((driver, quantity, chemistry)) or rows.get((driver, quantity, ""))


def air_speed_m_s() -> Distribution:
    """Air speed over a piece where no sensor tells. [m/s]"""
    return _table().air_speed_m_s


def governing(chemistry: str, stage: str) -> Governing:
    """What governs a stage of a chemistry.

    Raises
    ------
    ValueError
        If the table has no such chemistry or stage.
    """
    found = _table().governing.get((chemistry, stage))
    if found is None:
        known = sorted({name for name, _ in _table().governing})
        raise ValueError(f"stage {stage!r} of {chemistry!r}; expected a stage of one of {', '.join(known)}")
    return found


def parameters(driver: str, standard_normals: npt.ArrayLike | None = None, *, chemistry: str = "") -> DriverParameters:
    """Parameters of a driver at standard normal deviates, or at their medians.

    Parameters
    ----------
    standard_normals : array, shape (number of QUANTITIES, ...), or None
        A row for each of :data:`QUANTITIES`, in that order; rows of what the driver does not answer to go unused.
        None gives the medians as floats.

    Raises
    ------
    ValueError
        If there is no such driver, or the rows are not as many as the quantities.
    """
    z = np.zeros(len(QUANTITIES)) if standard_normals is None else np.asarray(standard_normals, np.float64)
    if z.shape[:1] != (len(QUANTITIES),):
        raise ValueError(f"standard_normals has shape {z.shape}; expected {len(QUANTITIES)} rows")
    values: dict[str, Any] = {}
    for quantity, row in zip(QUANTITIES, z, strict=True):
        known = distribution(driver, quantity, chemistry)
        if known is not None:
            drawn = known.at(row)
            values[quantity] = float(drawn) if drawn.ndim == 0 else drawn
    return DriverParameters(driver=driver, **values)


def draw(driver: str, rng: np.random.Generator, n: int, *, chemistry: str = "") -> DriverParameters:
    """Parameters of a driver in ``n`` independent draws."""
    return parameters(driver, rng.standard_normal((len(QUANTITIES), n)), chemistry=chemistry)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    distributions: Mapping[tuple[str, str, str], Distribution]
    governing: Mapping[tuple[str, str], Governing]
    air_speed_m_s: Distribution


@cache
def _table() -> _Table:
    """The shipped table; read once, as it cannot change while the program runs."""
    text = resources.files("collector.reference").joinpath("drivers.toml").read_text(encoding="utf-8")
    document = tomllib.loads(text)
    distributions: dict[tuple[str, str, str], Distribution] = {}
    for row in document["distribution"]:
        key = (row.pop("driver"), row.pop("quantity"), row.pop("chemistry", ""))
        if key in distributions:
            raise ValueError(f"distribution of {' '.join(key).strip()} is there twice")
        distributions[key] = Distribution(**row)
    stages: dict[tuple[str, str], Governing] = {}
    for row in document["governs"]:
        found = Governing(parts=tuple(Share(**leg) for leg in row["legs"]), source=row["source"], status=row["status"])
        for stage in row["stages"]:
            if (row["chemistry"], stage) in stages:
                raise ValueError(f"what governs {stage} of {row['chemistry']} is there twice")
            stages[row["chemistry"], stage] = found
    return _Table(
        distributions=distributions, governing=stages, air_speed_m_s=Distribution(**document["air_speed_m_s"])
    )
