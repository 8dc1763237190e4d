"""What test lines laid over a picture of cracks tell: spacing, direction, size, width, and how sure one picture is.

The size of a crackle is its mean lineal intercept: length of test line over the number of cracks it crosses. Test
lines run along steps of the picture's grid, every line of a direction at once, so a line is sampled at the very
points the picture holds and nothing is interpolated. Eight directions are averaged by the angle each stands for,
which makes the mean free of the pattern's own direction; the same counts, direction by direction, give anisotropy.

References
----------
.. [1] ASTM E112-13 (2021), "Standard test methods for determining average grain size": intercept and planimetric
   procedures, one count for each boundary crossed.
.. [2] E. E. Underwood, "Quantitative Stereology", Addison-Wesley 1970: length per area is pi/2 of the crossings per
   length of line.
.. [3] J. L. Meijering, "Interface area, edge length and number of vertices in crystal aggregates with random
   nucleation", Philips Res. Rep. 8 (1953) 270: the Poisson-Voronoi values.
.. [4] C. Lantuejoul, "On the estimation of mean values in individual analysis of particles", Microsc. Acta S4 (1980)
   266: weights for what the frame did not cut.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

Numbers = float | npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Image = npt.NDArray[np.float32]
_T = TypeVar("_T", bound=np.generic)

STEPS: Final = ((1, 0), (2, 1), (1, 1), (1, 2), (0, 1), (-1, 2), (-1, 1), (-2, 1))
"""Directions of the test lines as steps on the grid: right, down. [pixel]"""

HORIZONTAL: Final = 0
VERTICAL: Final = 4
DIAGONALS: Final = (2, 6)

POISSON_VORONOI_INTERCEPT: Final = np.pi / 4
"""Mean intercept of a Poisson-Voronoi pattern times the root of its density [3]_."""

SQUARE_INTERCEPT: Final = np.pi / 4
"""Mean intercept of a square grid over its side, all directions alike."""

HEXAGON_INTERCEPT: Final = np.pi / 4
"""Mean intercept of regular hexagons over their width across flats, all directions alike."""

CIRCLE_CHORD: Final = np.pi / 4
"""Mean chord of a circle over its diameter."""

CORNERS_LOST: Final = 1.15
"""Share of crossings a blur takes, per blur over mean intercept."""

PATCH_SCATTER: Final = 0.27
"""Scatter of the mean intercept of patches of one even piece, times the root of the islands in a patch: less than
that of pieces, as cracks run on from patch to patch (simulated photos: 0.21 to 0.32)."""

NORMAL_95: Final = 1.959963984540054


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Test lines of every direction over one picture.

    Attributes
    ----------
    angle_deg : array
        Direction of the lines, from the picture's x axis towards its y axis. [°]
    crossings : array
        Cracks crossed, one count for each.
    line : array
        Length of line laid. [pixel]
    rate : array
        Crossings that each picture point stands for, all directions averaged; its mean over a region is the
        crossings per length of line there. [1/pixel]
    covered : array
        Where `rate` holds something: 1 inside the region looked at.
    """

    angle_deg: npt.NDArray[np.float64]
    crossings: npt.NDArray[np.float64]
    line: npt.NDArray[np.float64]
    rate: Image
    covered: Image

    @property
    def intercept(self) -> npt.NDArray[np.float64]:
        """Mean intercept of each direction. [pixel]"""
        return self.line / np.maximum(self.crossings, 1e-12)

    @property
    def mean_intercept(self) -> float:
        """Mean intercept of all directions, each weighted with the angle it stands for. [pixel]"""
        return float(1.0 / np.sum(_weights(self.angle_deg) * self.crossings / self.line))

    @property
    def anisotropy(self) -> float:
        """Longest over shortest of the horizontal, vertical and two diagonal mean intercepts; 1 is none."""
        four = self.intercept[[HORIZONTAL, VERTICAL, *DIAGONALS]]
        return float(four.max() / four.min())


def count(cracks: Mask, region: Mask) -> Counts:
    """Lay test lines in all directions of `STEPS` and count the cracks they cross.

    A crossing is a step from outside a crack to inside it; a crack entered before the region begins and left inside
    it counts as half, and so does one that is entered and not left: the mean of steps in and steps out [1]_.

    Parameters
    ----------
    cracks : 2-D array of bool
        Where there is a crack.
    region : 2-D array of bool
        Where lines are laid; both ends of a step have to lie in it.

    Raises
    ------
    ValueError
        If the two differ in shape, or no step of some direction lies in the region.
    """
    if cracks.ndim != 2 or cracks.shape != region.shape:
        raise ValueError(f"cracks {cracks.shape} and region {region.shape}; expected two pictures of one shape")
    cracks = np.ascontiguousarray(cracks, dtype=bool)
    region = np.ascontiguousarray(region, dtype=bool)
    angles = np.degrees(np.arctan2([dy for _, dy in STEPS], [dx for dx, _ in STEPS])) % 180.0
    weights = _weights(angles)
    crossings, line = np.zeros(len(STEPS)), np.zeros(len(STEPS))
    rate = np.zeros(cracks.shape, np.float32)
    for i, (dx, dy) in enumerate(STEPS):
        here, there = _apart(cracks, dx, dy)
        both = np.logical_and(*_apart(region, dx, dy))
        changed = np.logical_xor(here, there)
        changed &= both
        step = float(np.hypot(dx, dy))
        crossings[i] = np.count_nonzero(changed) / 2.0
        line[i] = np.count_nonzero(both) * step
        _apart(rate, dx, dy)[0][...] += changed * np.float32(weights[i] / (2.0 * step))
    if not line.all():
        raise ValueError("region holds no test line; expected at least 4 pixels each way")
    return Counts(angle_deg=angles, crossings=crossings, line=line, rate=rate, covered=region.astype(np.float32))


def crack_length_per_area(mean_intercept: Numbers) -> Numbers:
    """Length of crack per area: pi over twice the mean intercept [2]_. [1/unit]"""
    return np.pi / (2.0 * np.asarray(_positive("mean_intercept", mean_intercept)))[()]


def crack_width(mean_intercept: Numbers, crack_area_fraction: Numbers) -> Numbers:
    """Mean crack width, from the area of the cracks and how often lines cross them.

    Cracks that are not thin share their crossings with each other where they meet. For islands that are a net's
    meshes, each shrunk on itself by half a crack all round, area fraction f and mean intercept l give
    4 l sqrt(1-f) (1 - sqrt(1-f)) / pi, exact for regular polygons; for thin cracks that is crack area over crack
    length.

    Parameters
    ----------
    mean_intercept : float or array
        Mean lineal intercept. [any unit]
    crack_area_fraction : float or array
        Share of the area that is crack, 0 to 1.

    Returns
    -------
    float or array
        [unit of the intercept]
    """
    fraction = np.asarray(crack_area_fraction, dtype=float)
    if np.any((fraction < 0) | (fraction > 1)):
        raise ValueError(f"crack_area_fraction {fraction}; expected 0 to 1")
    shrunk = np.sqrt(1.0 - fraction)
    return np.asarray(4.0 / np.pi * np.asarray(_positive("mean_intercept", mean_intercept)) * shrunk * (1.0 - shrunk))[
        ()
    ]


def unblurred_intercept(mean_intercept: float, blur_sd: float) -> float:
    """Mean intercept without what blur takes from it: the short crossings at the islands' corners.

    A blur rounds every corner by its own width, and the crossings lost are in proportion to blur over intercept. The
    factor was fitted to simulated photos of convex islands with sharp corners; rounder islands lose less.

    Parameters
    ----------
    mean_intercept : float
        As counted. [any unit]
    blur_sd : float
        Standard deviation of the blur, lens and working resolution together. [same unit]
    """
    return mean_intercept / (1.0 + CORNERS_LOST * blur_sd / mean_intercept)


def equivalent_diameter(area: Numbers) -> Numbers:
    """Diameter of the circle of that area. [root of the area's unit]"""
    return np.sqrt(4.0 * np.asarray(area, dtype=float) / np.pi)[()]


def square_grid_intercept(side: float, angle_deg: float) -> float:
    """Mean intercept of a square grid along lines at an angle to its sides. [unit of the side]"""
    turned = np.radians(angle_deg)
    return float(side / (abs(np.cos(turned)) + abs(np.sin(turned))))


def grain_number(mean_intercept_mm: Numbers) -> Numbers:
    """Grain size number G of ASTM E112 from a mean intercept [1]_.

    Parameters
    ----------
    mean_intercept_mm : float or array
        Mean lineal intercept. [mm]
    """
    return (-6.643856 * np.log10(_positive("mean_intercept_mm", mean_intercept_mm)) - 3.288)[()]


def macro_number(mean_intercept_mm: Numbers) -> Numbers:
    """Macro-grain size number M of ASTM E112: 0 at a mean intercept of 32 mm, 10 at 1 mm [1]_."""
    return (10.0 - 2.0 * np.log2(_positive("mean_intercept_mm", mean_intercept_mm)))[()]


def expected_islands(area: Numbers, mean_intercept: Numbers) -> Numbers:
    """Islands a field holds by its mean intercept, as in a Poisson-Voronoi pattern [3]_."""
    return (np.asarray(area) * (POISSON_VORONOI_INTERCEPT / _positive("mean_intercept", mean_intercept)) ** 2)[()]


def tile_intercepts(counts: Counts, tile: int, least_covered: float = 0.5) -> npt.NDArray[np.float64]:
    """Mean intercept in square tiles of the picture; NaN where less than `least_covered` of a tile was looked at.

    Parameters
    ----------
    counts : Counts
        What `count` found.
    tile : int
        Side of a tile. [pixel]
    least_covered : float
        Share of a tile that has to lie in the region.

    Returns
    -------
    2-D array
        [pixel]
    """
    if tile < 1:
        raise ValueError(f"tile {tile}; expected at least 1 pixel")
    crossed, seen = _tiled(counts.rate, tile), _tiled(counts.covered, tile)
    enough = (seen >= least_covered * tile * tile) & (crossed > 0)
    return np.where(enough, seen / np.where(enough, crossed, 1.0), np.nan)


def sampling_cv(islands: float, area_cv: float) -> float:
    """Coefficient of variation of the mean intercept of a field that holds so many islands.

    0.45 over the root of the number for Poisson-Voronoi islands, whose areas vary by 0.53 (simulated fields give 0.4
    to 0.5); more regular islands repeat better, in proportion to how their areas vary.

    Parameters
    ----------
    islands : float
        Islands in the field.
    area_cv : float
        Coefficient of variation of their areas; taken as 0.25 to 0.53.
    """
    if islands <= 0:
        raise ValueError(f"islands {islands}; expected more than 0")
    return float(0.45 * min(max(area_cv, 0.25), 0.53) / 0.53 / np.sqrt(islands))


def unevenness(sizes: npt.NDArray[np.float64], scatter: npt.NDArray[np.float64]) -> float:
    """Spread of local size over the piece beyond what chance gives patches of so few islands.

    Parameters
    ----------
    sizes : array
        Local mean intercepts; NaN is left out.
    scatter : array
        Coefficient of variation each would have by chance alone.

    Returns
    -------
    float
        Standard deviation of the logarithm of local size: 0 is even, 0.2 means most of the piece lies within
        +-20 % of its middle. NaN with fewer than four patches.
    """
    known = np.isfinite(sizes)
    if np.count_nonzero(known) < 4:
        return float("nan")
    by_chance = float(np.mean(scatter[known] ** 2))
    return math.sqrt(max(float(np.var(np.log(sizes[known]), ddof=1)) - by_chance, 0.0))


def whole_weights(
    width: npt.NDArray[np.float64], height: npt.NDArray[np.float64], frame: tuple[float, float]
) -> npt.NDArray[np.float64]:
    """Weights of islands the frame did not cut, so that large ones, cut more often, are not under-counted [4]_.

    Parameters
    ----------
    width, height : array
        Extent of each island along the frame's sides.
    frame : (float, float)
        Width and height of the frame.
    """
    inside = np.maximum(frame[0] - width, frame[0] * 0.02) * np.maximum(frame[1] - height, frame[1] * 0.02)
    return np.asarray(frame[0] * frame[1] / inside)


def weighted_quantiles(
    values: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], shares: tuple[float, ...]
) -> tuple[tuple[float, float, float], ...]:
    """Quantiles of weighted values with their 95 % intervals, read off the distribution at share +- its own error.

    Returns
    -------
    tuple of (low, quantile, high)
        One for each share.

    Raises
    ------
    ValueError
        Without values, or with weights that are not positive.
    """
    if values.size == 0 or np.any(weights <= 0):
        raise ValueError(f"{values.size} values; expected at least one, with positive weights")
    order = np.argsort(values)
    sorted_values, sorted_weights = values[order], weights[order]
    level = (np.cumsum(sorted_weights) - 0.5 * sorted_weights) / sorted_weights.sum()
    effective = weights.sum() ** 2 / np.sum(weights**2)
    found = []
    for share in shares:
        reach = NORMAL_95 * np.sqrt(share * (1.0 - share) / effective)
        low, middle, high = np.interp([share - reach, share, share + reach], level, sorted_values)
        found.append((float(low), float(middle), float(high)))
    return tuple(found)


def _apart(picture: npt.NDArray[_T], dx: int, dy: int) -> tuple[npt.NDArray[_T], npt.NDArray[_T]]:
    """The picture and itself one step on, as views of equal shape."""
    height, width = picture.shape
    if dx < 0:
        return picture[: height - dy, -dx:], picture[dy:, : width + dx]
    return picture[: height - dy, : width - dx], picture[dy:, dx:]


def _weights(angle_deg: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Share of the half circle nearest to each direction."""
    order = np.argsort(angle_deg)
    inner = angle_deg[order]
    gaps = np.diff(np.append(inner, inner[0] + 180.0))
    weights = np.empty_like(inner)
    weights[order] = (gaps + np.roll(gaps, 1)) / 360.0
    return weights


def _tiled(picture: Image, tile: int) -> npt.NDArray[np.float64]:
    rows, columns = max(picture.shape[0] // tile, 1), max(picture.shape[1] // tile, 1)
    cut = picture[: rows * tile, : columns * tile]
    down = np.add.reduceat(cut, np.arange(rows) * tile, axis=0, dtype=np.float64)
    return np.asarray(np.add.reduceat(down, np.arange(columns) * tile, axis=1))


def _positive(name: str, value: Numbers) -> Numbers:
    if np.any(np.asarray(value) <= 0):
        raise ValueError(f"{name} {value}; expected more than 0")
    return value
