"""A photo as it comes from a telephone: decoded, upright, in linear light, or refused with a word that helps.

Edges are found in linear light because that is where a blurred edge has its middle at the true place; the values a
camera stores are bent, and would move it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from collector.errors import TackfreeError

Pixels = npt.NDArray[np.uint8]
Light = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

LARGEST_BYTES: Final = 40 * 1024 * 1024
LARGEST_PIXELS: Final = 64_000_000
SMALLEST_SIDE: Final = 200

LUMINANCE: Final = np.array([0.0722, 0.7152, 0.2126], np.float32)
"""Weights of linear blue, green and red in luminance (ITU-R BT.709)."""


class PhotoRefused(TackfreeError):
    """This file cannot be used as a photo; the text says what would be right."""


class CannotMeasure(TackfreeError):
    """No number is better than a wrong one: why this photo gives none.

    Attributes
    ----------
    reason : str
        One word of: scale, marker, blur, thin, few, glare, region, pattern.
    """

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(f"cannot measure: {text}")
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Photo:
    """An upright photo.

    Attributes
    ----------
    pixels : array
        Rows, columns, and blue, green, red as the file holds them.
    """

    pixels: Pixels

    @property
    def width(self) -> int:
        """Columns. [pixel]"""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Rows. [pixel]"""
        return int(self.pixels.shape[0])

    def linear(self) -> npt.NDArray[np.uint16]:
        """The photo in linear light, 0 to 65,535."""
        return np.asarray(cv2.LUT(self.pixels, _LINEAR), np.uint16)


def read(path: Path) -> Photo:
    """Read a photo, turned upright by its EXIF orientation.

    Raises
    ------
    PhotoRefused
        If the file cannot be read, or holds no photo that `decode` takes.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise PhotoRefused(f"{path}: {size / 2**20:.0f} MB; expected at most {LARGEST_BYTES // 2**20} MB")
        data = path.read_bytes()
    except OSError as error:
        raise PhotoRefused(f"{path}: {error.strerror}") from error
    return decode(data, str(path))


def decode(data: bytes, name: str = "photo") -> Photo:
    """Decode a JPEG, PNG, WebP or TIFF photo.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        What an error calls it.

    Raises
    ------
    PhotoRefused
        If it is HEIC, broken, no picture at all, too small or too large.
    """
    if len(data) > LARGEST_BYTES:
        raise PhotoRefused(f"{name}: {len(data) / 2**20:.0f} MB; expected at most {LARGEST_BYTES // 2**20} MB")
    if data[4:8] == b"ftyp":
        raise PhotoRefused(f"{name}: a HEIC photo; expected JPEG (on the telephone choose the most compatible format)")
    try:
        found: Any = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:
        found = None
    if found is None:
        raise PhotoRefused(f"{name}: broken, or no picture; expected a JPEG or PNG photo")
    height, width = found.shape[:2]
    if min(height, width) < SMALLEST_SIDE:
        raise PhotoRefused(f"{name}: {width} x {height} pixels; expected at least {SMALLEST_SIDE} each way")
    if height * width > LARGEST_PIXELS:
        raise PhotoRefused(f"{name}: {height * width / 1e6:.0f} megapixels; expected at most {LARGEST_PIXELS // 10**6}")
    return Photo(np.ascontiguousarray(found, dtype=np.uint8))


def _linear_table() -> npt.NDArray[np.uint16]:
    """The curve of IEC 61966-2-1 (sRGB) turned round."""
    stored = np.arange(256) / 255.0
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    return np.round(light * 65_535).astype(np.uint16)


_LINEAR: Final = _linear_table()
