"""How large a pixel is: from a printed square marker, from two clicks on a known length, or from a number given.

A marker also gives the direction from which the photo was taken, so what it lies on can be seen straight from above.
The detector's corners are off by most of a pixel, and it sometimes takes the inner ring of the square for its edge;
so each side is fitted again as a line through edges found in linear light, and what does not fit is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from collector.imaging.photo import LUMINANCE, CannotMeasure, Photo

Array = npt.NDArray[np.float64]
Point = tuple[float, float]

MARKER_SIZES_MM: Final = (20, 30, 40, 60, 80)
"""Sides of the printed markers; each carries its side as its number."""

CARD_MARGIN: Final = 0.25
"""White round a printed marker, as a share of its side."""

FAMILY: Final = cv2.aruco.DICT_4X4_100
_OTHER_FAMILIES: Final = (cv2.aruco.DICT_5X5_100, cv2.aruco.DICT_6X6_250, cv2.aruco.DICT_ARUCO_ORIGINAL)
_WORST_FIT_PX: Final = 2.0
_SMALLEST_SIDE_PX: Final = 40.0
_REACHES: Final = (0.16, 0.10, 0.06, 0.03)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What a pixel of a photo is on the piece.

    Attributes
    ----------
    to_mm : 3x3 array
        Homography from photo pixels to millimetres on the piece.
    relative_uncertainty : float
        Standard uncertainty of a length, over the length.
    source : str
        In words: where it came from.
    marker : 4x2 array or None
        Corners of the marker in the photo. [pixel]
    other_markers : tuple of 4x2 arrays
        Further markers that the measurement should leave out. [pixel]
    """

    to_mm: Array
    relative_uncertainty: float
    source: str
    marker: Array | None = None
    other_markers: tuple[Array, ...] = ()

    def mm_per_pixel(self, at: Point) -> float:
        """Millimetres that a pixel covers at a place of the photo (root of its area)."""
        return float(math.sqrt(abs(np.linalg.det(_jacobian(self.to_mm, at)))))


def from_mm_per_pixel(mm_per_pixel: float) -> Scale:
    """A scale that somebody measured; the photo was taken straight from above.

    Raises
    ------
    ValueError
        If it is not 0.001 to 10 mm.
    """
    if not 0.001 <= mm_per_pixel <= 10.0:
        raise ValueError(f"mm_per_pixel {mm_per_pixel:g} mm; expected 0.001 to 10 mm")
    return Scale(
        to_mm=np.diag([mm_per_pixel, mm_per_pixel, 1.0]),
        relative_uncertainty=0.01,
        source=f"{mm_per_pixel:.4g} mm per pixel, given",
    )


def from_two_points(one: Point, other: Point, length_mm: float) -> Scale:
    """A scale from two clicks on a known length; the photo was taken straight from above.

    Parameters
    ----------
    one, other : (x, y)
        Places in the photo. [pixel]
    length_mm : float
        What lies between them. [mm]

    Raises
    ------
    ValueError
        If the length is not positive or the clicks are closer than 50 pixels.
    """
    apart = math.dist(one, other)
    if not length_mm > 0:
        raise ValueError(f"length_mm {length_mm:g} mm; expected more than 0")
    if apart < 50.0:
        raise ValueError(f"two clicks {apart:.0f} pixels apart; expected at least 50, on a longer known length")
    scale = from_mm_per_pixel(length_mm / apart)
    # each click is good to some 2 pixels; a photo a few degrees off straight adds 2 %
    return Scale(
        to_mm=scale.to_mm,
        relative_uncertainty=math.hypot(2.0 * math.sqrt(2.0) / apart, 0.02),
        source=f"two clicks on {length_mm:g} mm",
    )


def from_marker(photo: Photo, marker_mm: float | None = None) -> Scale:
    """Scale and perspective from the largest square marker in the photo.

    Parameters
    ----------
    photo : Photo
    marker_mm : float, optional
        Its side as measured on the print, edge to edge of the black. Left out, the marker's own number is its side;
        printers that fit a page to the paper make it smaller.

    Raises
    ------
    CannotMeasure
        If there is no marker, it is too small, or its edges are not four straight lines.
    ValueError
        If marker_mm is not 5 to 500 mm.
    """
    if marker_mm is not None and not 5.0 <= marker_mm <= 500.0:
        raise ValueError(f"marker_mm {marker_mm:g} mm; expected 5 to 500 mm")
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY)
    found = _markers(grey, marker_mm is not None)
    if not found:
        raise CannotMeasure(
            "scale", "no marker found; lay one flat on the piece, wholly in the photo, with no glare on it"
        )
    if marker_mm is None:
        known = [(corners, number) for corners, number in found if number in MARKER_SIZES_MM]
        if not known:
            raise CannotMeasure("scale", f"marker {found[0][1]} is not one of ours; say how long its side is")
    else:
        known = found
    corners, number = known[0]
    side = float(np.mean(np.hypot(*(corners - np.roll(corners, 1, axis=0)).T)))
    if side < _SMALLEST_SIDE_PX:
        raise CannotMeasure("marker", f"the marker is {side:.0f} pixels wide; expected at least 40, go closer")
    fitted, residual = _refit(photo, corners, side)
    if residual > _WORST_FIT_PX:
        raise CannotMeasure(
            "marker", f"the marker's edges are off straight lines by {residual:.1f} pixels; lay it flat, without glare"
        )
    side_mm = float(marker_mm if marker_mm is not None else number)
    square = np.array([[0, 0], [side_mm, 0], [side_mm, side_mm], [0, side_mm]])
    to_mm = np.asarray(cv2.getPerspectiveTransform(fitted.astype(np.float32), square.astype(np.float32)), np.float64)
    return Scale(
        to_mm=to_mm,
        # lens distortion leaves 0.5 %; a corner good to 0.1 px weighs more on a small marker
        relative_uncertainty=math.hypot(0.005, 0.3 / side),
        source=f"marker of {side_mm:g} mm" + ("" if marker_mm is not None else " by its number"),
        marker=fitted,
        other_markers=tuple(other for other, _ in found if other is not corners),
    )


def _markers(grey: Any, any_family: bool) -> list[tuple[Array, int]]:
    """Markers of the photo, largest first, looked for at half, quarter and full size."""
    families = (FAMILY, *(_OTHER_FAMILIES if any_family else ()))
    largest = max(grey.shape)
    for family in families:
        for limit in (1600, 800, 10**6):
            shrink = min(1.0, limit / largest)
            if limit == 10**6 and largest <= 1600:
                continue
            small = (
                grey if shrink == 1.0 else cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
            )
            settings = cv2.aruco.DetectorParameters()
            # else a square on a white card is grouped with the card's own outline, and lost
            settings.minMarkerDistanceRate = 0.01
            settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
            detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(family), settings)
            corners, numbers, _ = detector.detectMarkers(small)
            if numbers is not None and len(numbers):
                found = [
                    ((np.asarray(each, float).reshape(4, 2) + 0.5) / shrink - 0.5, int(number))
                    for each, number in zip(corners, np.asarray(numbers).ravel(), strict=True)
                ]
                return _apart(sorted(found, key=lambda one: -cv2.contourArea(one[0].astype(np.float32))))
    return []


def _apart(found: list[tuple[Array, int]]) -> list[tuple[Array, int]]:
    """Each marker once: the detector may give a square's outer and inner ring as two."""
    kept: list[tuple[Array, int]] = []
    for corners, number in found:
        middle = corners.mean(axis=0)
        if all(cv2.pointPolygonTest(one.astype(np.float32), middle.tolist(), False) < 0 for one, _ in kept):
            kept.append((corners, number))
    return kept


def _refit(photo: Photo, corners: Array, side: float) -> tuple[Array, float]:
    """Corners from four lines through the edges, and the scatter of the edges about them. [pixel]"""
    x, y, wide, high = _box(corners, side, photo)
    cut = Photo(np.ascontiguousarray(photo.pixels[y : y + high, x : x + wide]))
    light = (cut.linear().astype(np.float32) @ LUMINANCE) / np.float32(65_535)
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), 0.8))
    local = corners - [x, y]
    tries = [_lines(light, local, reach * side) for reach in _REACHES]
    best, residual = min(tries, key=lambda one: one[1])
    for _ in range(6):  # a start from the inner ring sees only part of a side; from there on each round sees all
        if residual > 3 * _WORST_FIT_PX:
            break
        closer, residual = _lines(light, best, max(0.03 * side, 3.0), 0.75)
        moved = float(np.abs(closer - best).max())
        best = closer
        if moved < 0.02:
            break
    return best + np.array([x, y]), residual


def _box(corners: Array, side: float, photo: Photo) -> tuple[int, int, int, int]:
    margin = 0.2 * side + 5
    low = np.maximum(np.floor(corners.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0) + margin), [photo.width, photo.height]).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _lines(light: npt.NDArray[np.float32], corners: Array, reach: float, least: float = 0.34) -> tuple[Array, float]:
    middle = corners.mean(axis=0)
    lines, scatter = [], []
    for i in range(4):
        a, b = corners[i], corners[(i + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        out = np.array([along[1], -along[0]])
        if out @ (a - middle) < 0:
            out = -out
        places = a + np.linspace(0.08, 0.92, 60)[:, None] * (b - a)
        depth = np.arange(-reach, reach + 0.01, 0.25)
        spots = places[:, None, :] + depth[None, :, None] * out
        profile = cv2.remap(
            light, spots[..., 0].astype(np.float32), spots[..., 1].astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        points = _edges(np.asarray(profile), depth, places, out)
        if len(points) < least * len(places):
            return corners, float("inf")
        line, off = _line(points)
        lines.append(line)
        scatter.append(off)
    crossed = np.array([_crossing(lines[i - 1], lines[i]) for i in range(4)])
    return crossed, float(max(scatter))


def _edges(profile: npt.NDArray[np.float32], depth: Array, places: Array, out: Array) -> Array:
    """Where each profile passes, outward, the middle between its dark and its light, nearest to its steepest rise."""
    low, high = np.percentile(profile, 5, axis=1), np.percentile(profile, 95, axis=1)
    clear = high - low > 0.35 * np.median(high - low)
    half = ((low + high) / 2)[:, None]
    rises = (profile[:, :-1] < half) & (profile[:, 1:] >= half)
    steep = np.where(rises, np.diff(profile, axis=1), -1.0)
    at = np.argmax(steep, axis=1)
    row = np.arange(len(profile))
    clear &= steep[row, at] > 0
    before, after = profile[row, at], profile[row, at + 1]
    part = (half[:, 0] - before) / np.where(after > before, after - before, 1.0)
    place = depth[at] + part * (depth[1] - depth[0])
    return np.asarray((places + place[:, None] * out)[clear])


def _line(points: Array) -> tuple[tuple[Array, Array], float]:
    """Point and direction of a line that leaves out what lies off it, and the scatter about it."""
    keep = np.ones(len(points), bool)
    middle, direction, off = points.mean(axis=0), np.array([1.0, 0.0]), np.zeros(len(points))
    for _ in range(4):
        middle = points[keep].mean(axis=0)
        direction = np.linalg.svd(points[keep] - middle, full_matrices=False)[2][0]
        off = np.abs((points - middle) @ np.array([-direction[1], direction[0]]))
        keep = off <= max(3.0 * float(np.median(off)), 0.2)
    shared = np.sqrt(np.mean(off[keep] ** 2)) if keep.mean() > 0.7 else np.inf
    return (middle, direction), float(shared)


def _crossing(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    (p, d), (q, e) = one, other
    s = np.linalg.solve(np.column_stack([d, -e]), q - p)[0]
    return np.asarray(p + s * d)


def _jacobian(homography: Array, at: Point) -> Array:
    x, y = at
    u, v, w = homography @ np.array([x, y, 1.0])
    rows = [(homography[i, :2] * w - value * homography[2, :2]) / w**2 for i, value in enumerate((u, v))]
    return np.array(rows)
