"""Draws the browser tab's icon: ``python -m dashboard.icon`` writes ``icon.png``.

A drum shell seen from above with a drop of finish in it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from PIL import Image, ImageDraw

FILE: Final = Path(__file__).with_name("icon.png")
SIZE: Final = 64
OVERSAMPLING: Final = 8


def draw() -> Image.Image:
    """The icon, drawn large and reduced so that its edges are smooth."""
    full = SIZE * OVERSAMPLING
    picture = Image.new("RGBA", (full, full), (0, 0, 0, 0))
    pen = ImageDraw.Draw(picture)
    pen.ellipse((0.03 * full, 0.03 * full, 0.97 * full, 0.97 * full), fill="#0F5C63")
    pen.ellipse((0.14 * full, 0.14 * full, 0.86 * full, 0.86 * full), fill="#FBFAF6")
    pen.ellipse((0.32 * full, 0.40 * full, 0.68 * full, 0.76 * full), fill="#C8572B")
    pen.polygon(((0.50 * full, 0.20 * full), (0.345 * full, 0.50 * full), (0.655 * full, 0.50 * full)), fill="#C8572B")
    return picture.resize((SIZE, SIZE), Image.Resampling.LANCZOS)


if __name__ == "__main__":
    draw().save(FILE, optimize=True)
