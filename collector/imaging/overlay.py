"""A picture of what was taken for crack, for island, and for neither."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from collector.imaging.crackle import Measurement
from collector.imaging.photo import PhotoRefused, Pixels

CRACK: Final = (40, 40, 230)
WHOLE: Final = (190, 150, 40)
CUT: Final = (170, 170, 170)
GLARE: Final = (0, 200, 255)
IGNORED: Final = (70, 70, 70)
"""Blue, green, red of each kind."""


def overlay(measurement: Measurement) -> Pixels:
    """The region seen from above, tinted: cracks red, whole islands blue, islands cut by the edge grey, glare yellow,
    what was left out dark."""
    traced = measurement.traced
    light = np.clip(traced.view.light / max(float(np.percentile(traced.view.light, 99)), 1e-3), 0, 1)
    picture: Any = np.round(255 * light ** (1 / 2.2)).astype(np.uint8)
    whole = np.zeros(int(traced.labels.max()) + 1, bool)
    whole[traced.whole] = True
    islands = (traced.labels > 0) & traced.region & ~traced.cracks
    tinted = picture.astype(np.float32)
    for where, colour, strength in (
        (islands & whole[traced.labels], WHOLE, 0.25),
        (islands & ~whole[traced.labels], CUT, 0.35),
        (~traced.region, IGNORED, 0.6),
        (traced.glare, GLARE, 0.5),
        (traced.cracks & traced.region, CRACK, 0.7),
    ):
        tinted[where] = (1 - strength) * tinted[where] + strength * np.array(colour, np.float32)
    picture = np.round(tinted).astype(np.uint8)
    _scale_bar(picture, traced.view.px_per_mm)
    return np.asarray(picture)


def write(picture: npt.NDArray[np.uint8], path: Path) -> None:
    """Write it as PNG.

    Raises
    ------
    PhotoRefused
        If it cannot be written there.
    """
    _, data = cv2.imencode(".png", picture)
    try:
        path.write_bytes(data.tobytes())
    except OSError as error:
        raise PhotoRefused(f"{path}: {error.strerror}") from error


def _scale_bar(picture: Any, px_per_mm: float) -> None:
    """A bar of a round length in the corner."""
    height, width = picture.shape[:2]
    lengths = [length for length in (1, 2, 5, 10, 20, 50, 100, 200) if length * px_per_mm <= 0.3 * width] or [1]
    bar, unit = round(lengths[-1] * px_per_mm), max(height // 60, 6)
    left, top = unit, height - 4 * unit
    cv2.rectangle(picture, (left, top), (left + bar + 2 * unit, height - unit), (255, 255, 255), -1)
    cv2.rectangle(picture, (left + unit, height - 2 * unit), (left + unit + bar, height - 3 * unit // 2), (0, 0, 0), -1)
    size = unit / 22
    cv2.putText(
        picture, f"{lengths[-1]} mm", (left + unit, height - 2 * unit - unit // 3), cv2.FONT_HERSHEY_SIMPLEX, size,
        (0, 0, 0), max(1, unit // 10), cv2.LINE_AA,
    )  # fmt: skip
