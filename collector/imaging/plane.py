"""The piece seen straight from above, at whatever resolution a step asks for, and what of it counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from collector.imaging.photo import CannotMeasure, Light, Mask, Photo
from collector.imaging.scale import CARD_MARGIN, Point, Scale

Array = npt.NDArray[np.float64]
Polygon = Sequence[Point]

_STEEPEST = 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The region rendered at one resolution.

    Attributes
    ----------
    light : 3-D array
        Linear blue, green, red, 0 to 1.
    region : 2-D array of bool
        Where to measure.
    px_per_mm : float
    to_view : 3x3 array
        Homography from photo pixels to pixels of this view.
    """

    light: Light
    region: Mask
    px_per_mm: float
    to_view: Array


class Plane:
    """A photo with its scale: renders the region from straight above."""

    def __init__(self, photo: Photo, scale: Scale, region: Polygon | None, masked: Sequence[Polygon]) -> None:
        self.photo = photo
        self.scale = scale
        self._linear = photo.linear()
        inset = 0.004 * max(photo.width, photo.height)
        whole = [
            (inset, inset),
            (photo.width - inset, inset),
            (photo.width - inset, photo.height - inset),
            (inset, photo.height - inset),
        ]
        self._region = np.asarray(region if region is not None else whole, float)
        if self._region.ndim != 2 or len(self._region) < 3:
            raise ValueError(f"region of {len(self._region)} corners; expected at least 3, each x and y in pixels")
        self._masked = [np.asarray(each, float) for each in masked]
        self._clip = np.asarray(whole, float)
        corners = self._onto(self._region, scale.to_mm)
        self.low_mm, self.high_mm = corners.min(axis=0), corners.max(axis=0)
        at = tuple(self._region.mean(axis=0))
        self.native_px_per_mm = 1.0 / scale.mm_per_pixel(at)
        local = [scale.mm_per_pixel(tuple(each)) for each in self._region]
        if max(local) > _STEEPEST * min(local):
            raise CannotMeasure("region", "the photo was taken too much from the side; take it from straight above")

    @property
    def size_mm(self) -> Array:
        """Width and height of the region's box on the piece. [mm]"""
        return np.asarray(self.high_mm - self.low_mm)

    def view(self, px_per_mm: float) -> View:
        """Render the region.

        Parameters
        ----------
        px_per_mm : float
            Resolution; finer than the photo's own is never given.
        """
        px_per_mm = min(px_per_mm, self.native_px_per_mm)
        width, height = (int(v) for v in np.maximum(np.ceil(self.size_mm * px_per_mm), 8))
        move = np.array(
            [[px_per_mm, 0, -self.low_mm[0] * px_per_mm], [0, px_per_mm, -self.low_mm[1] * px_per_mm], [0, 0, 1]]
        )
        to_view = move @ self.scale.to_mm
        # averaged down first, in linear light, so that the warp skips no pixel
        shrink = max(1, int(self.native_px_per_mm / px_per_mm + 0.2))
        source: Any = self._linear
        if shrink > 1:
            size = (self.photo.width // shrink, self.photo.height // shrink)
            cut = source[: size[1] * shrink, : size[0] * shrink]
            source = cv2.resize(cut, size, interpolation=cv2.INTER_AREA)
        grow = np.array([[shrink, 0, (shrink - 1) / 2.0], [0, shrink, (shrink - 1) / 2.0], [0, 0, 1.0]])
        light = cv2.warpPerspective(
            source, to_view @ grow, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
        )
        return View(
            light=np.asarray(light, np.float32) / np.float32(65_535),
            region=self._mask(to_view, width, height),
            px_per_mm=px_per_mm,
            to_view=to_view,
        )

    def _mask(self, to_view: Array, width: int, height: int) -> Mask:
        region = np.zeros((height, width), np.uint8)
        _fill(region, self._onto(self._region, to_view), 1)
        inside = np.zeros_like(region)
        _fill(inside, self._onto(self._clip, to_view), 1)
        region &= inside
        for each in self._masked:
            _fill(region, self._onto(each, to_view), 0)
        for marker in (self.scale.marker, *self.scale.other_markers):
            if marker is not None:
                _fill(region, self._onto(_card(marker), to_view), 0)
        return np.asarray(region, bool)

    @staticmethod
    def _onto(points: Array, homography: Array) -> Array:
        moved = np.column_stack([points, np.ones(len(points))]) @ homography.T
        if moved[:, 2].min() * moved[:, 2].max() <= 0:
            raise CannotMeasure("region", "the photo was taken too much from the side; take it from straight above")
        return np.asarray(moved[:, :2] / moved[:, 2:])


def _card(marker: Array) -> Array:
    """Corners of the white card round a marker, a little over."""
    grown = -(CARD_MARGIN + 0.05), 1.0 + CARD_MARGIN + 0.05
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    to_photo = np.asarray(cv2.getPerspectiveTransform(square, marker.astype(np.float32)), np.float64)
    corners = np.array([[x, y] for x, y in ((0, 0), (1, 0), (1, 1), (0, 1))])
    spread = np.where(corners > 0.5, grown[1], grown[0])
    return Plane._onto(spread, to_photo)


def _fill(mask: Any, polygon: Array, value: int) -> None:
    cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], value, shift=4)
