"""A drawing in millimetres, made of four shapes; the SVG of the HTML and the vectors of the PDF both come from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

POINT_MM = 25.4 / 72.0

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle, top left corner first. [mm]"""

    x: float
    y: float
    width: float
    height: float
    fill: str | None = None
    stroke: str | None = None
    line_mm: float = 0.2
    dash: tuple[float, float] | None = None
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line through points. [mm]"""

    points: Sequence[Point]
    stroke: str
    line_mm: float = 0.3
    dash: tuple[float, float] | None = None
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A filled polygon. [mm]"""

    points: Sequence[Point]
    fill: str
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A line of text on its baseline; ``anchor`` is start, middle or end. [mm], type size in points"""

    x: float
    y: float
    text: str
    size_pt: float = 8.0
    anchor: str = "start"
    colour: str = "#1d2733"
    bold: bool = False
    name: str = ""


Shape = Box | Line | Area | Label


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Shapes in a frame, the first at the back. [mm]"""

    width: float
    height: float
    shapes: Sequence[Shape]

    def moved(self, dx: float, dy: float) -> list[Shape]:
        """The shapes, shifted."""
        return [_moved(shape, dx, dy) for shape in self.shapes]


def beside(drawings: Sequence[Drawing], width: float, gap: float = 6.0) -> Drawing:
    """Drawings in a row, top edges level."""
    shapes: list[Shape] = []
    x = 0.0
    for drawing in drawings:
        shapes += drawing.moved(x, 0.0)
        x += drawing.width + gap
    return Drawing(width=width, height=max(drawing.height for drawing in drawings), shapes=shapes)


def _moved(shape: Shape, dx: float, dy: float) -> Shape:
    if isinstance(shape, Line | Area):
        return replace(shape, points=[(x + dx, y + dy) for x, y in shape.points])
    return replace(shape, x=shape.x + dx, y=shape.y + dy)
