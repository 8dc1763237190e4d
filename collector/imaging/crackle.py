"""Crackle measured from a photo, with the uncertainty of each number, or the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from collector.imaging import islands as island_room
from collector.imaging import segment
from collector.imaging.photo import CannotMeasure, Mask, Photo
from collector.imaging.plane import Plane, View
from collector.imaging.scale import Scale
from collector.physics import stereology

Array = npt.NDArray[np.float64]
Interval = tuple[float, float]

COARSE_PIXELS: Final = 350_000
FINE_PIXELS: Final = 4_500_000
CRACK_PX: Final = 6.5
"""Width of a crack at the resolution worked at, where the photo has it. [pixel]"""

LEAST_ISLANDS: Final = 20
LEAST_CRACK_PX: Final = 3.0
CAUTION_CRACK_PX: Final = 5.0
LEAST_SEPARATION: Final = 0.74
WORST_EDGE: Final = 1.2
"""Width of a blurred edge over that of the crack, above which nothing is measured."""

CAUTION_EDGE: Final = 0.9
MOST_CRACK: Final = 0.55

LEAST_REGION: Final = 0.35
KNOWN_BEFORE: Final = 8
"""Degrees of freedom that the law of chance counts for beside the parts of the photo."""

MODEL_SD: Final = 0.012
"""Standard uncertainty of the mean intercept that the method itself adds, over its value (simulated photos)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What the user changed; kept with the result, so that the same numbers come out again.

    Attributes
    ----------
    threshold_shift : float
        -0.4 takes less for crack, 0.4 more; 0 draws the edge halfway between the two paints.
    region : polygon or None
        Corners of what to measure, in pixels of the upright photo; None is all of it.
    masked : polygons
        Areas to leave out.
    """

    threshold_shift: float = 0.0
    region: tuple[tuple[float, float], ...] | None = None
    masked: tuple[tuple[tuple[float, float], ...], ...] = ()

    def __post_init__(self) -> None:
        if not -0.4 <= self.threshold_shift <= 0.4:
            raise ValueError(f"threshold_shift {self.threshold_shift:g}; expected -0.4 to 0.4")
        for polygon in (*([self.region] if self.region is not None else []), *self.masked):
            if len(polygon) < 3:
                raise ValueError(f"polygon of {len(polygon)} corners; expected at least 3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantile:
    """A quantile of the islands' equivalent diameters and its 95 % interval. [mm]"""

    value_mm: float
    ci95_mm: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeMap:
    """Mean intercept over the piece.

    Attributes
    ----------
    size_mm : 2-D array
        Mean intercept of each square tile; NaN where too little was seen. [mm]
    tile_mm : float
        Side of a tile. [mm]
    """

    size_mm: Array
    tile_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Traced:
    """What was taken for what, in the rendered view; for the overlay.

    Attributes
    ----------
    view : View
    cracks, region, glare : 2-D arrays of bool
    labels : 2-D array of int
        Number of each island.
    whole : array of int
        Numbers of those that count as whole.
    """

    view: View
    cracks: Mask
    region: Mask
    glare: Mask
    labels: npt.NDArray[np.int32]
    whole: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """Crackle of one photo. Intervals are 95 %, for the finish this photo is a sample of.

    Attributes
    ----------
    mean_intercept_mm : float
        Length of test line per crack crossed: island and crack together. [mm]
    horizontal_mm, vertical_mm, diagonal_mm : float
        The same along three directions of the photo (the diagonal is the mean of both).
    anisotropy : float
        Longest over shortest of the four directions; 1 is none.
    island_diameter : dict
        p10, p50, p90 of the whole islands' equivalent diameters.
    crack_width_mm : float
        Crack area over crack length. [mm]
    crack_area_fraction : float
        Share of the area that is crack.
    islands_per_dm2 : float
        By the mean area that one takes, cracks included.
    unevenness : float or None
        Spread of local size over the piece beyond chance; None where too little was seen.
    polarity : str
        "dark cracks" or "light cracks".
    islands : int
        Whole islands seen.
    mm_per_pixel : float
        Of the photo, in the middle of the region.
    ignored_fraction, glare_fraction : float
        Share of the region left out, and left out because of glare or because nothing can be seen in it.
    cautions : tuple of str
        What the reader should know.
    """

    mean_intercept_mm: float
    mean_intercept_ci95_mm: Interval
    horizontal_mm: float
    vertical_mm: float
    diagonal_mm: float
    anisotropy: float
    island_diameter: dict[str, Quantile]
    crack_width_mm: float
    crack_width_ci95_mm: Interval
    crack_area_fraction: float
    crack_area_fraction_ci95: Interval
    islands_per_dm2: float
    islands_per_dm2_ci95: Interval
    unevenness: float | None
    polarity: str
    islands: int
    mm_per_pixel: float
    crack_px: float
    ignored_fraction: float
    glare_fraction: float
    scale: str
    correction: Correction
    size_map: SizeMap
    cautions: tuple[str, ...]
    separation: float
    edge_over_width: float
    traced: Traced = field(repr=False, compare=False)


def measure(photo: Photo, scale: Scale, correction: Correction | None = None) -> Measurement:
    """Measure the crackle of a photo.

    Parameters
    ----------
    photo : Photo
    scale : Scale
        From a marker, two clicks, or given.
    correction : Correction, optional
        What the user changed.

    Raises
    ------
    CannotMeasure
        With the reason, rather than a wrong number.
    """
    correction = correction or Correction()
    plane = Plane(photo, scale, correction.region, correction.masked)
    area_mm2 = float(np.prod(plane.size_mm))
    first = plane.view(math.sqrt(COARSE_PIXELS / area_mm2))
    if first.region.sum() < 5_000:
        raise CannotMeasure("region", "the region is too small; draw a larger one or go closer")
    blobs = _saturated(first, min(first.region.shape) / 30.0)
    guess = segment.coarse(first.light, first.region & ~blobs)
    spacing_mm, width_mm = guess.spacing / first.px_per_mm, guess.width / first.px_per_mm
    finest = math.sqrt(FINE_PIXELS / area_mm2)
    view = plane.view(min(CRACK_PX / width_mm, finest))
    spacing, width = spacing_mm * view.px_per_mm, width_mm * view.px_per_mm
    bright = _enlarged(segment.glare(first.light, first.region, guess), 0.35 * guess.spacing)
    glare = _sized(bright, view) | _enlarged(_saturated(view, 0.7 * spacing), 0.5 * spacing)
    glare &= view.region
    region = view.region & ~glare
    if region.sum() < LEAST_REGION * view.region.sum():
        raise CannotMeasure("glare", "most of the region is glare; turn the piece or the lamp")
    found = segment.fine(view.light, region, guess, spacing, width, correction.threshold_shift)
    dull = found.contrast < 0.4 * np.median(found.contrast[region])
    glare |= dull & view.region
    region &= ~dull
    cracks = segment.cleaned(found.cracks, region, width)
    region &= ~_thick(cracks, width) & ~_bare(cracks, spacing)
    if region.sum() < LEAST_REGION * view.region.sum():
        raise CannotMeasure("glare", "too little of the region shows cracks that can be told from islands")
    counts = stereology.count(cracks, region)
    intercept = stereology.unblurred_intercept(counts.mean_intercept, found.blur)
    fraction = float(np.clip(found.coverage[region].mean(), 0.0, 1.0))
    width = float(stereology.crack_width(intercept, fraction))
    islands = island_room.find(cracks, region, width, 0.35 * width)
    crack_px = width / view.px_per_mm * plane.native_px_per_mm
    _gate(found, width, crack_px, fraction, len(islands.whole))
    return _result(plane, view, guess, found, cracks, region, glare, counts, islands, fraction, correction)


def _gate(found: segment.Segmented, width: float, crack_px: float, fraction: float, islands: int) -> None:
    if crack_px < LEAST_CRACK_PX:
        raise CannotMeasure("thin", f"cracks are {crack_px:.1f} pixels wide; expected at least 3, go closer")
    if found.edge > WORST_EDGE * width:
        raise CannotMeasure("blur", "the photo is blurred: edges are wider than the cracks; hold still, or focus again")
    if fraction > MOST_CRACK:
        raise CannotMeasure("pattern", f"{fraction:.0%} of the area would be crack; this is no net of cracks")
    if found.separation < LEAST_SEPARATION:
        raise CannotMeasure("pattern", "cracks cannot be told from islands; use even, sideways light")
    if islands < LEAST_ISLANDS:
        raise CannotMeasure(
            "few", f"{islands} whole islands; expected at least {LEAST_ISLANDS}, show more of the piece"
        )


def _result(
    plane: Plane,
    view: View,
    guess: segment.Guess,
    found: segment.Segmented,
    cracks: Mask,
    region: Mask,
    glare: Mask,
    counts: stereology.Counts,
    islands: island_room.Islands,
    fraction: float,
    correction: Correction,
) -> Measurement:
    px = view.px_per_mm
    sharp = stereology.unblurred_intercept(counts.mean_intercept, found.blur) / counts.mean_intercept
    intercept_mm = sharp * counts.mean_intercept / px
    width_mm = float(stereology.crack_width(intercept_mm, fraction))
    crack_px = width_mm * plane.native_px_per_mm
    weights = stereology.whole_weights(islands.width, islands.height, (region.shape[1], region.shape[0]))
    mean_area = float(np.average(islands.area, weights=weights))
    area_cv = math.sqrt(float(np.average((islands.area - mean_area) ** 2, weights=weights))) / mean_area
    held = float(stereology.expected_islands(region.sum() / px**2, intercept_mm))
    reach = _reach(counts, held, area_cv)
    scale_sd = plane.scale.relative_uncertainty
    total = math.hypot(reach, stereology.NORMAL_95 * math.hypot(MODEL_SD, scale_sd))
    softness = found.edge / (width_mm * px)
    # width and area hang on where a blurred edge is drawn; spacing hardly does
    edge_sd = math.hypot(0.25 / crack_px, 0.15 * max(softness - 0.6, 0.0) / 0.6)
    width_reach = math.hypot(total, stereology.NORMAL_95 * edge_sd)
    fraction_reach = math.hypot(reach, stereology.NORMAL_95 * edge_sd)
    diameters = np.asarray(stereology.equivalent_diameter(islands.area)) / px
    quantiles = stereology.weighted_quantiles(diameters, weights, (0.1, 0.5, 0.9))
    systematic = stereology.NORMAL_95 * math.hypot(MODEL_SD, scale_sd)
    islands_mm2 = mean_area / px**2 / (1.0 - fraction)
    per_dm2 = 1e4 / islands_mm2
    size_map, uneven = _over_the_piece(counts, intercept_mm, px)
    glared = float((glare & view.region).sum() / view.region.sum())
    ignored = 1.0 - float(region.sum() / view.region.sum())
    four = sharp * counts.intercept / px
    diagonal = 2.0 / sum(1.0 / four[i] for i in stereology.DIAGONALS)
    return Measurement(
        mean_intercept_mm=intercept_mm,
        mean_intercept_ci95_mm=_about(intercept_mm, total),
        horizontal_mm=float(four[stereology.HORIZONTAL]),
        vertical_mm=float(four[stereology.VERTICAL]),
        diagonal_mm=float(diagonal),
        anisotropy=counts.anisotropy,
        island_diameter={
            name: Quantile(value_mm=middle, ci95_mm=(low * math.exp(-systematic), high * math.exp(systematic)))
            for name, (low, middle, high) in zip(("p10", "p50", "p90"), quantiles, strict=True)
        },
        crack_width_mm=width_mm,
        crack_width_ci95_mm=_about(width_mm, width_reach),
        crack_area_fraction=fraction,
        crack_area_fraction_ci95=_about(fraction, fraction_reach),
        islands_per_dm2=per_dm2,
        islands_per_dm2_ci95=_about(per_dm2, 2.0 * total),
        unevenness=uneven,
        polarity="dark cracks" if guess.cracks_dark else "light cracks",
        islands=len(islands.whole),
        mm_per_pixel=1.0 / plane.native_px_per_mm,
        crack_px=crack_px,
        ignored_fraction=ignored,
        glare_fraction=glared,
        scale=plane.scale.source,
        correction=correction,
        size_map=size_map,
        cautions=_cautions(crack_px, softness, glared, plane.scale, len(islands.whole)),
        separation=found.separation,
        edge_over_width=softness,
        traced=Traced(view=view, cracks=cracks, region=region, glare=glare, labels=islands.labels, whole=islands.whole),
    )


def _reach(counts: stereology.Counts, held: float, area_cv: float) -> float:
    """Half-width of the 95 % interval over the value, from sampling.

    What a field of so many islands allows by chance, and what the parts of the photo show by differing (E112: standard
    error of the fields), each weighted with what it knows: parts of one photo are few, and alone would be over-sure.
    """
    by_chance = stereology.sampling_cv(held, area_cv)
    side = max(int(math.sqrt(counts.covered.size) / 3.5), 1)
    tiles = stereology.tile_intercepts(counts, side, 0.5)
    rates = 1.0 / tiles[np.isfinite(tiles)]
    if rates.size < 3:
        return stereology.NORMAL_95 * by_chance
    shown = float(rates.std(ddof=1) / math.sqrt(rates.size) / rates.mean())
    known = rates.size - 1
    pooled = math.sqrt((KNOWN_BEFORE * by_chance**2 + known * shown**2) / (KNOWN_BEFORE + known))
    return float(student.ppf(0.975, KNOWN_BEFORE + known)) * pooled


def _over_the_piece(counts: stereology.Counts, intercept_mm: float, px_per_mm: float) -> tuple[SizeMap, float | None]:
    spacing = intercept_mm * px_per_mm
    # at least three patches across, if each can hold some islands
    tile = max(int(np.clip(min(counts.covered.shape) / 3.0, 3.0 * spacing, 5.0 * spacing)), 4)
    sizes = stereology.tile_intercepts(counts, tile, 0.6) / px_per_mm
    seen = np.isfinite(sizes)
    tile_mm = tile / px_per_mm
    held = stereology.expected_islands(tile_mm**2, sizes)
    scatter = np.asarray(stereology.PATCH_SCATTER / np.sqrt(held))
    uneven = stereology.unevenness(sizes[seen], scatter[seen])
    return SizeMap(size_mm=sizes, tile_mm=tile_mm), None if math.isnan(uneven) else uneven


def _cautions(crack_px: float, softness: float, glared: float, scale: Scale, islands: int) -> tuple[str, ...]:
    said = []
    if crack_px < CAUTION_CRACK_PX:
        said.append(f"cracks are only {crack_px:.1f} pixels wide: width and area are rough; go closer")
    elif softness > CAUTION_EDGE:
        said.append("the photo is soft: width and area of the cracks are rough; hold still, or focus again")
    if glared > 0.1:
        said.append(f"{glared:.0%} of the region is glare or shows no cracks, and was left out")
    if scale.marker is None:
        said.append("without a marker the photo has to be taken from straight above; a tilt of 10° makes 10 %")
    if islands < 50:
        said.append(f"only {islands} whole islands: the interval is wide")
    return tuple(said)


def _saturated(view: View, radius: float) -> Mask:
    """Patches burnt out to white, larger than an island."""
    blue, green, red = (view.light[..., i] for i in range(3))
    white = (np.minimum(np.minimum(blue, green), red) > 0.9).astype(np.uint8)
    depth = np.asarray(cv2.distanceTransform(white, cv2.DIST_L2, 3))
    return _enlarged(depth > radius, radius)


def _sized(mask: Mask, view: View) -> Mask:
    height, width = view.region.shape
    return np.asarray(cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST), bool)


def _thick(cracks: Mask, width: float) -> Mask:
    """Patches of the cracks' colour far wider than a crack: hardware, background."""
    depth = np.asarray(cv2.distanceTransform(cracks.astype(np.uint8), cv2.DIST_L2, 3))
    return _enlarged(depth > 2.5 * width, 3.5 * width)


def _bare(cracks: Mask, spacing: float) -> Mask:
    """Patches without cracks far larger than an island."""
    depth = np.asarray(cv2.distanceTransform((~cracks).astype(np.uint8), cv2.DIST_L2, 3))
    return _enlarged(depth > 3.0 * spacing, 3.0 * spacing)


def _enlarged(patches: Any, by: float) -> Mask:
    if not patches.any():
        return np.zeros(patches.shape, bool)
    away = np.asarray(cv2.distanceTransform((~patches.astype(bool)).astype(np.uint8), cv2.DIST_L2, 3))
    return np.asarray(away <= by)


def _about(value: float, reach: float) -> Interval:
    return value * math.exp(-reach), value * math.exp(reach)
