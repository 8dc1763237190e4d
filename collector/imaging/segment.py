"""Which pixels are crack: even light, the colour that tells best, either polarity, and a threshold that follows.

Two passes. The coarse one looks at a small picture over several window sizes and finds what the crackle is: its
spacing, the width of its cracks, whether cracks are the darker or the lighter paint, and along which colour the two
paints differ most. The fine one then draws the edge halfway between the light of the cracks and the light of the
islands *near by*, in linear light, so that neither a lamp at one side nor a blurred lens moves it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from collector.imaging.photo import LUMINANCE, CannotMeasure, Light, Mask

Array = npt.NDArray[np.float64]

_WINDOWS: Final = (4, 8, 16, 32)
_BRIGHTER: Final = math.log(1.25)
_EDGE_SD: Final = math.sqrt(2.0 * math.pi)
"""Such a distance over the standard deviation of the Gaussian blur that makes it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """What the coarse pass found.

    Attributes
    ----------
    weights : array
        Weights of blue, green and red in the channel that tells crack from island; cracks are low in it.
    spacing : float
        Mean intercept. [pixel of the coarse picture]
    width : float
        Crack width. [pixel of the coarse picture]
    cracks_dark : bool
        Whether the cracks are the darker paint.
    separation : float
        Share of the channel's variance that lies between the two classes; 0.64 is no pattern at all, 1 is two flat
        colours.
    cracks : 2-D array of bool
        What it took for crack.
    """

    weights: Array
    cracks: Mask
    spacing: float
    width: float
    cracks_dark: bool
    separation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Segmented:
    """What the fine pass found.

    Attributes
    ----------
    cracks : 2-D array of bool
    coverage : 2-D array
        Share of each pixel that is crack, 0 to 1.
    contrast : 2-D array
        Difference of island and crack near by, over the light there.
    separation : float
        As in `Guess`, inside the region.
    edge : float
        Typical distance in which an edge goes from crack to island. [pixel]
    """

    cracks: Mask
    coverage: Light
    contrast: Light
    separation: float
    edge: float

    @property
    def blur(self) -> float:
        """Standard deviation of the Gaussian that would make such edges. [pixel]"""
        return self.edge / _EDGE_SD


def local_mean(picture: Any, weight: Any, sigma: float) -> Any:
    """Gaussian mean of what `weight` lets through, worked out on a picture no finer than it needs."""
    shrink = max(1, int(sigma / 3))
    height, width = weight.shape
    size = (max(width // shrink, 2), max(height // shrink, 2))
    masked = picture * (weight[..., None] if picture.ndim == 3 else weight)
    small = cv2.resize(masked, size, interpolation=cv2.INTER_AREA)
    seen = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
    spread = sigma * size[0] / width
    top = np.asarray(cv2.GaussianBlur(small, (0, 0), spread))
    bottom = np.asarray(cv2.GaussianBlur(seen, (0, 0), spread))
    if top.ndim == 3:
        bottom = bottom[..., None]
    mean = top / np.maximum(bottom, 1e-4)
    return np.asarray(cv2.resize(mean, (width, height), interpolation=cv2.INTER_LINEAR))


def coarse(light: Light, region: Mask) -> Guess:
    """Find the crackle in a small picture.

    Parameters
    ----------
    light : 3-D array
        Linear blue, green, red.
    region : 2-D array of bool
        Where to look.

    Raises
    ------
    CannotMeasure
        If nothing in it looks like a net of cracks.
    """
    weight = region.astype(np.float32)
    tries = []
    for window in _WINDOWS:
        flat = _flattened(light, weight, max(region.shape) / window / 2.0)
        for weights in _candidates(flat, region):
            found = _judge(flat @ weights.astype(np.float32), region, weights)
            if found is not None:
                tries.append(found)
    if not tries:
        raise CannotMeasure("pattern", "no net of cracks in the photo")
    best = max(tries, key=lambda one: one[0])
    for _ in range(3):
        _, weights, labels, spacing, width, _ = best
        flat = _flattened(light, weight, min(max(2.0 * spacing, 6.0), max(region.shape) / 4.0))
        turned = _between(flat, region, labels)
        better = _judge(flat @ turned.astype(np.float32), region, turned)
        if better is None or better[5] < 0.97 * best[5]:
            break
        best = better
    _, weights, labels, spacing, width, separation = best
    flat = _flattened(light, weight, min(max(2.0 * spacing, 6.0), max(region.shape) / 4.0))
    dark = _contrast(flat @ LUMINANCE, region, labels) > 0
    plain = LUMINANCE.astype(float) * (1.0 if dark else -1.0)
    # chroma is stored at half the resolution: edges are drawn by luminance wherever that tells well enough
    strength = abs(_contrast(flat @ LUMINANCE, region, labels))
    if strength >= 0.6 * abs(_contrast(flat @ weights.astype(np.float32), region, labels)):
        weights = plain
    return Guess(
        weights=weights, cracks=labels, spacing=spacing, width=width, cracks_dark=bool(dark), separation=separation
    )


def fine(light: Light, region: Mask, guess: Guess, spacing: float, width: float, shift: float) -> Segmented:
    """Draw the edges.

    Parameters
    ----------
    light : 3-D array
        Linear blue, green, red, at the resolution to work at.
    region : 2-D array of bool
    guess : Guess
        What the coarse pass found.
    spacing, width : float
        Its spacing and crack width at this resolution. [pixel]
    shift : float
        The user's correction: -0.4 (less crack) to 0.4 (more crack); 0 is halfway.
    """
    weight = region.astype(np.float32)
    raw = light @ guess.weights.astype(np.float32)
    base = local_mean(light @ np.abs(guess.weights).astype(np.float32), weight, 1.5 * spacing)
    channel = np.asarray(cv2.GaussianBlur(raw / np.maximum(base, 1e-4), (0, 0), max(width / 8.0, 0.5)), np.float32)
    level = local_mean(channel, weight, 1.5 * spacing)
    cracks = (channel - level) < _otsu((channel - level)[region])[0]
    low = high = level
    edge = 0.5 * width
    for _ in range(3):
        thin = np.asarray(cv2.distanceTransform(cracks.astype(np.uint8), cv2.DIST_L2, 3))
        thick = np.asarray(cv2.distanceTransform((~cracks).astype(np.uint8), cv2.DIST_L2, 3))
        inner = ((thin >= 0.3 * width) & region).astype(np.float32)
        outer = ((thick >= max(0.4 * width, 0.6 * edge) + 1) & region).astype(np.float32)
        low = local_mean(channel, inner, 1.3 * spacing)
        high = local_mean(channel, outer, 1.3 * spacing)
        # a narrow crack seen through blur never gets as dark as its paint is: as far as a blurred slit would
        low = high - (high - low) / _slit(width, edge / _EDGE_SD)
        gap = np.maximum(high - low, 1e-4)
        unit = (channel - low) / gap
        cracks = unit < 0.5 + shift
        edge = _edge(unit, region)
        across, down = _crossed(cracks, region)
        if across + down <= 0:
            raise CannotMeasure("pattern", "no net of cracks in the photo")
        width = float(
            np.clip(4.0 * (cracks & region).sum() / region.sum() / (across + down) / math.pi, 0.5 * width, 2 * width)
        )
    signed = np.where(cracks, thin, thick)
    covered = np.where(signed <= 1.0 + 0.8 * edge, 1.0 - unit, cracks)
    return Segmented(
        cracks=np.asarray(cracks, bool),
        coverage=covered.astype(np.float32),
        contrast=gap.astype(np.float32),
        separation=_separation(np.clip(unit[region], -0.5, 1.5)),
        edge=edge,
    )


def glare(light: Light, region: Mask, guess: Guess) -> Mask:
    """Where a lamp shines back: islands brighter than the slow run of the light over the piece allows.

    Only islands are compared, as the share of crack differs from place to place; and only with a curved surface
    fitted to their brightness, which a lamp from the side follows and its reflection does not.
    """
    luminance = np.maximum(light @ LUMINANCE, 1e-4)
    away = np.asarray(cv2.distanceTransform((~guess.cracks).astype(np.uint8), cv2.DIST_L2, 3))
    islands = ((away > 1.5) & region).astype(np.float32)
    near = np.log(np.maximum(local_mean(luminance, islands, max(0.3 * guess.spacing, 2.0)), 1e-4))
    height, width = region.shape
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    seen = islands > 0
    rows, values = terms[seen][::11], near[seen][::11]
    weight = np.ones(len(values))
    for _ in range(8):
        fit = np.linalg.lstsq(rows * weight[:, None], values * weight, rcond=None)[0]
        off = values - rows @ fit
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-3
        weight = np.where(off > 2.0 * spread, 0.05, 1.0)
    bright = (near - terms @ fit > max(_BRIGHTER, 4.0 * spread)) & region
    return np.asarray(bright)


def cleaned(cracks: Mask, region: Mask, width: float) -> Mask:
    """Without specks of crack and pinholes of island, both too small to be either."""
    kept = cracks.copy()
    for phase, value, least in ((cracks, False, 1.5 * width * width), (~cracks, True, 0.2 * width * width)):
        _, labels, stats, _ = cv2.connectedComponentsWithStats(phase.astype(np.uint8), connectivity=4)
        small = np.asarray(stats)[:, cv2.CC_STAT_AREA] < least
        small[0] = False
        kept[small[np.asarray(labels)]] = value
    return np.asarray(kept)


def _slit(width: float, sigma: float) -> float:
    """How much of its darkness the inner part of a slit keeps through a Gaussian blur."""
    places = np.linspace(0.0, 0.2 * width, 7)
    reach = math.sqrt(2.0) * max(sigma, 1e-3)
    kept = [math.erf((width / 2 - x) / reach) / 2 + math.erf((width / 2 + x) / reach) / 2 for x in places]
    return max(float(np.mean(kept)), 0.5)


def _edge(unit: Any, region: Mask) -> float:
    """Distance in which an edge would go from crack to island at its steepest. [pixel]"""
    slope_x = np.asarray(cv2.Sobel(unit, cv2.CV_32F, 1, 0, scale=1 / 8))
    slope_y = np.asarray(cv2.Sobel(unit, cv2.CV_32F, 0, 1, scale=1 / 8))
    steep = np.hypot(slope_x, slope_y)[(np.abs(unit - 0.5) < 0.15) & region]
    return float(1.0 / max(np.median(steep), 1e-3)) if steep.size else float("inf")


def _flattened(light: Light, weight: Any, sigma: float) -> Light:
    mean = local_mean(light, weight, sigma)
    return np.asarray(np.clip(light / np.maximum(mean, 1e-4), 0.0, 4.0) - 1.0, np.float32)


def _candidates(flat: Light, region: Mask) -> list[Array]:
    """Channels to try: luminance, and the two colours along which the picture varies most."""
    values = flat[region][::7]
    covariance = np.cov(values.T)
    vectors = np.linalg.eigh(covariance)[1]
    return [LUMINANCE.astype(float), vectors[:, 2], vectors[:, 1]]


def _judge(channel: Light, region: Mask, weights: Array) -> tuple[float, Array, Mask, float, float, float] | None:
    """How much a channel looks like a net of cracks: score, weights (cracks low), labels, spacing, width, eta."""
    inside = channel[region]
    level, separation = _otsu(inside)
    below = (channel < level) & region
    thinness = _thinness(below, region)
    if thinness < 0:
        weights, below, thinness = -weights, ~below & region, -thinness
    fraction = below.sum() / max(region.sum(), 1)
    if not 0.005 < fraction < 0.75:
        return None
    tile = max(min(region.shape) // 6, 4)
    cracked = cv2.resize(below.astype(np.float32), None, fx=1 / tile, fy=1 / tile, interpolation=cv2.INTER_AREA)
    there = cv2.resize(region.astype(np.float32), None, fx=1 / tile, fy=1 / tile, interpolation=cv2.INTER_AREA)
    wanted = np.asarray(there) > 0.5
    if not wanted.any():
        return None
    share = np.asarray(cracked)[wanted] / np.asarray(there)[wanted]
    tiles = float(np.mean(share > 0.25 * fraction))
    across, down = _crossed(below, region)
    rate = (across + down) / 2.0
    if rate <= 0:
        return None
    spacing = 1.0 / rate
    width = 2.0 * spacing * fraction / math.pi
    score = separation * tiles**2 * min(thinness, 2.0)
    return score, weights, below, spacing, width, separation


def _thinness(low: Mask, region: Mask) -> float:
    """Positive when the low phase is the net: thin, and in one piece."""
    marks = []
    for phase in (low, ~low & region):
        area = int(phase.sum())
        if area == 0:
            return 0.0
        stats = np.asarray(cv2.connectedComponentsWithStats(phase.astype(np.uint8), connectivity=8)[2])
        largest = stats[1:, cv2.CC_STAT_AREA].max() / area
        depth = np.asarray(cv2.distanceTransform(phase.astype(np.uint8), cv2.DIST_L2, 3))[phase].mean()
        marks.append(math.log(largest) - 1.5 * math.log(depth))
    return marks[0] - marks[1]


def _crossed(labels: Mask, region: Mask) -> tuple[float, float]:
    across = (labels[:, 1:] & ~labels[:, :-1] & region[:, 1:] & region[:, :-1]).sum() / max(region.sum(), 1)
    down = (labels[1:] & ~labels[:-1] & region[1:] & region[:-1]).sum() / max(region.sum(), 1)
    return float(across), float(down)


def _between(flat: Light, region: Mask, labels: Mask) -> Array:
    """The colour direction that best tells the two classes apart (Fisher), cracks low, of length 1."""
    one, other = flat[labels & region][::5], flat[~labels & region][::5]
    if len(one) < 10 or len(other) < 10:
        return LUMINANCE.astype(float)
    within = np.cov(one.T) + np.cov(other.T)
    within += np.eye(3) * 0.02 * np.trace(within)
    weights = np.linalg.solve(within, other.mean(axis=0) - one.mean(axis=0))
    return np.asarray(weights / np.linalg.norm(weights), float)


def _contrast(channel: Any, region: Mask, labels: Mask) -> float:
    """Distance of the two classes over their scatter; positive when cracks are low."""
    one, other = channel[labels & region], channel[~labels & region]
    return float((other.mean() - one.mean()) / math.sqrt(0.5 * (one.var() + other.var()) + 1e-12))


def _otsu(values: Any) -> tuple[float, float]:
    """Threshold with the most variance between its two sides, and the share of the variance that is."""
    low, high = np.percentile(values[::3], [0.5, 99.5])
    if high <= low:
        return float(low), 0.0
    place = np.clip((values - low) * np.float32(256.0 / (high - low)), 0, 255).astype(np.uint8)
    counts = np.bincount(place, minlength=256).astype(float)
    edges = np.linspace(low, high, 257)
    middle = (edges[1:] + edges[:-1]) / 2
    below, total = np.cumsum(counts), counts.sum()
    moment = np.cumsum(counts * middle)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (moment[-1] * below / total - moment) ** 2 / (below * (total - below))
    between = np.nan_to_num(between, nan=0.0, posinf=0.0)
    best = int(np.argmax(between))
    variance = np.sum(counts * (middle - moment[-1] / total) ** 2) / total
    return float(edges[best + 1]), float(between[best] / total / variance) if variance > 0 else 0.0


def _separation(unit: Any) -> float:
    """Share of variance between the classes, for values where crack is 0 and island is 1."""
    crack = unit < 0.5
    share = float(crack.mean())
    if share in (0.0, 1.0):
        return 0.0
    apart = unit[~crack].mean() - unit[crack].mean()
    return float(share * (1 - share) * apart**2 / unit.var())
