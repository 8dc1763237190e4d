"""The record's drawings: the stack of coats to scale, and the conditions round each coat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import Final

import numpy as np

from collector.advice.conditions import Conditions, FloatArray
from collector.advice.display import Units
from collector.report.drawing import Area, Box, Drawing, Label, Line, Point, Shape
from collector.report.facts import ASSUMED, CoatFact, PieceRecord
from collector.report.phrases import coat_name, film_value, piece_of

INK: Final = "#1d2733"
FAINT: Final = "#5b6673"
RULE: Final = "#c9d0d8"
GRID: Final = "#e4e8ec"

KIND_COLOURS: Final = {
    "sealer": "#c79a63",
    "base": "#8fa6b8",
    "colour": "#5f87a8",
    "crackle": "#b86f52",
    "clear": "#f0d692",
}
"""By role. They tell kinds of coat apart, and say nothing of the coat's own colour."""

AIR_COLOUR: Final = "#b4552d"
SURFACE_COLOUR: Final = "#2f6b4f"
DEW_COLOUR: Final = "#2b5f9e"
DAMP_COLOUR: Final = "#2b5f9e"
SPRAYED_FILL: Final = "#f3e3c3"

STACK_MM: Final = 78.0
"""Height of all films together, at most. [mm]"""

LEAST_BAND_MM: Final = 1.0
MOST_MM_PER_UM: Final = 1.0
TALLEST_MM: Final = 190.0
UNKNOWN_MM: Final = 7.0

COARSEST_MS: Final = 150_000
"""Points of a curve are no closer than this: where readings turn from every minute to every few seconds, the older ones
would come apart into dots. [ms]"""


# -- the stack -----------------------------------------------------------------------------------------------


def stack(record: PieceRecord, units: Units, zone: tzinfo, width: float) -> Drawing:
    """The coats from the wood up, each as high as its dry film, all to one scale, with its 95 % interval beside it.

    A coat whose film is not known is drawn dashed, at a height that means nothing, and says so.
    """
    coats = record.standing
    known = sum(each.film.um for each in coats if each.film is not None)
    unknown = len(record.unknown_films)
    pitch = min(9.4, TALLEST_MM / max(len(coats), 1))
    room = max(STACK_MM, pitch * len(coats)) - UNKNOWN_MM * unknown
    per_um = min(MOST_MM_PER_UM, max(room, 10.0) / known) if known else 1.0
    height = known * per_um + UNKNOWN_MM * unknown
    last = coats[-1].film if coats else None
    over = 0.0 if last is None else (last.high_um - last.um) * per_um
    top = max(6.0 + max(0.0, (pitch * len(coats) - height) / 2.0), over + 2.0)
    bottom = top + height
    left, right = 22.0, 82.0
    shapes: list[Shape] = []
    bands: list[tuple[CoatFact, float, float]] = []
    y = bottom
    for each in coats:
        high = UNKNOWN_MM if each.film is None else each.film.um * per_um
        bands.append((each, y - high, y))
        y -= high
    for each, upper, lower in bands:
        shapes.append(_band(each, upper, lower, left, right))
    for each, _, lower in bands:
        shapes += _interval(each, lower, right, per_um)
    shapes += _substrate(record, bottom, left, right)
    if known:
        shapes += _scale_bar(units, bottom, per_um, left)
    shapes += _labels(bands, units, zone, right, pitch, width, 2.0, bottom + 12.0)
    lowest = max([bottom + 13.0, *(s.y + 2.0 for s in shapes if isinstance(s, Label))])
    return Drawing(width=width, height=lowest, shapes=shapes)


def _band(each: CoatFact, upper: float, lower: float, left: float, right: float) -> Shape:
    not_known = each.film is None or each.film.basis == ASSUMED
    return Box(
        x=left,
        y=upper,
        width=right - left,
        height=lower - upper,
        fill="#ffffff" if each.film is None else KIND_COLOURS[each.coat.mix.material.role],
        stroke=INK,
        line_mm=0.15,
        dash=(1.5, 1.0) if not_known else None,
        name=f"coat {each.number}",
    )


def _interval(each: CoatFact, lower: float, right: float, per_um: float) -> list[Shape]:
    """Where the top of a coat lies, seen from its own foot; neighbours stand aside of each other."""
    if each.film is None:
        return []
    x = right - (4.0 if each.number % 2 else 9.0)
    low, high = lower - each.film.low_um * per_um, lower - each.film.high_um * per_um
    return [
        Line(points=[(x, low), (x, high)], stroke=INK, line_mm=0.3, name=f"interval {each.number}"),
        *(Line(points=[(x - 1.0, end), (x + 1.0, end)], stroke=INK, line_mm=0.3) for end in (low, high)),
    ]


def _substrate(record: PieceRecord, bottom: float, left: float, right: float) -> list[Shape]:
    high = 9.0
    shapes: list[Shape] = [
        Box(x=left, y=bottom, width=right - left, height=high, fill="#efe7dc", name="substrate"),
        Line(points=[(left, bottom), (right, bottom)], stroke=INK, line_mm=0.4),
    ]
    shapes.append(
        Label(x=(left + right) / 2, y=bottom + 5.6, text=f"{piece_of(record.piece)} (not to scale)", size_pt=7.5,
              anchor="middle", colour=FAINT, name="substrate label")
    )  # fmt: skip
    return shapes


def _scale_bar(units: Units, bottom: float, per_um: float, left: float) -> list[Shape]:
    steps = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if units.us else (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
    target = 22.0
    shown = min(steps, key=lambda step: abs(units.film_um(step) * per_um - target))
    high = units.film_um(shown) * per_um
    x = left - 5.0
    return [
        Line(points=[(x, bottom), (x, bottom - high)], stroke=INK, line_mm=0.35, name="scale"),
        *(Line(points=[(x - 1.2, y), (x + 1.2, y)], stroke=INK, line_mm=0.35) for y in (bottom, bottom - high)),
        Label(x=x - 2.2, y=bottom - high / 2 + 1.0, text=f"{shown:g} {units.film_unit}", size_pt=7.5, anchor="end",
              name="scale label"),
    ]  # fmt: skip


def _labels(
    bands: Sequence[tuple[CoatFact, float, float]],
    units: Units,
    zone: tzinfo,
    right: float,
    pitch: float,
    width: float,
    highest: float,
    lowest: float,
) -> list[Shape]:
    """Beside each band its name, film and day, pushed apart where bands are thin, with a line back to the band."""
    if not bands:
        return []
    # From the top of the page down, so the newest coat comes first.
    ordered = list(reversed(bands))
    wanted = [(upper + lower) / 2 for _, upper, lower in ordered]
    placed = spread_apart(wanted, pitch, highest + pitch / 2, max(lowest, highest + pitch * len(ordered)) - pitch / 2)
    size = min(8.5, pitch / 9.4 * 8.5 if pitch > 6 else pitch / POINT_PITCH)
    shapes: list[Shape] = []
    x = right + 9.0
    for (each, upper, lower), at in zip(ordered, placed, strict=True):
        middle = (upper + lower) / 2
        shapes.append(Line(points=[(right + 0.8, middle), (right + 4.0, middle), (x - 1.5, at)], stroke=FAINT,
                           line_mm=0.15))  # fmt: skip
        title = f"{each.number}  {coat_name(each.coat)}"
        film = "film not known" if each.film is None else film_value(units, each.film)
        day = f"{each.coat.started_at.astimezone(zone):%d %b %Y}"
        if pitch > 6:
            shapes += [
                Label(x=x, y=at - 0.4, text=fitted(title, width - x, size), size_pt=size, bold=True,
                      name=f"name {each.number}"),
                Label(x=x, y=at + 3.3, text=f"{film}, {day}", size_pt=size - 1.0, colour=FAINT,
                      name=f"film {each.number}"),
            ]  # fmt: skip
        else:
            shapes.append(Label(x=x, y=at + 1.0, text=fitted(f"{title}: {film}, {day}", width - x, size), size_pt=size,
                                name=f"name {each.number}"))  # fmt: skip
    return shapes


POINT_PITCH: Final = 0.42
"""Line pitch a point of type needs. [mm]"""


def spread_apart(wanted: Sequence[float], pitch: float, low: float, high: float) -> list[float]:
    """Places near the wanted ones, in their order, at least ``pitch`` apart and between ``low`` and ``high``."""
    placed: list[float] = []
    for value in wanted:
        placed.append(max(value, low, placed[-1] + pitch if placed else low))
    ceiling = high
    for i in range(len(placed) - 1, -1, -1):
        placed[i] = min(placed[i], ceiling)
        ceiling = placed[i] - pitch
    return placed


def fitted(text: str, width: float, size_pt: float) -> str:
    """A text cut to a width by a cautious guess of its letters' widths. [mm]"""
    most = int(width / (0.56 * size_pt * 25.4 / 72.0))
    return text if len(text) <= most else text[: max(most - 1, 1)].rstrip() + "…"


# -- conditions ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A line of a chart: values in the unit shown, a colour, a dash, and half the width of its band."""

    name: str
    values: FloatArray
    colour: str
    dash: tuple[float, float] | None = None
    half_band: FloatArray | None = None


def temperatures(found: Conditions, fact: CoatFact, units: Units, zone: tzinfo, width: float, high: float) -> Drawing:
    """Air, surface and dew point round a coat; the dew point with its 95 % band, the coat shaded."""

    def shown(values: FloatArray) -> FloatArray:
        return values * 1.8 + 32.0 if units.us else values

    curves = [Curve(name="air", values=shown(found.air_c), colour=AIR_COLOUR)]
    if found.surface_node:
        curves.append(Curve(name="surface", values=shown(found.surface_c), colour=SURFACE_COLOUR, dash=(2.0, 1.0)))
    if found.node:
        band = 2.0 * found.dew_point_uncertainty_k * (1.8 if units.us else 1.0)
        curves.append(Curve(name="dew point", values=shown(found.dew_point_c), colour=DEW_COLOUR, dash=(0.6, 0.9),
                            half_band=band))  # fmt: skip
    return chart(found, fact, curves, units.temperature_unit, zone, width, high)


def dampness(
    found: Conditions, fact: CoatFact, half_band_pct: float, zone: tzinfo, width: float, high: float
) -> Drawing:
    """Relative humidity round a coat, with its 95 % band."""
    values = found.relative_humidity_pct.get(found.node)
    if values is None:
        values = next(iter(found.relative_humidity_pct.values()), np.full(found.time_ms.shape, np.nan))
    band = np.full(values.shape, half_band_pct)
    curves = [Curve(name="relative humidity", values=values, colour=DAMP_COLOUR, half_band=band)]
    return chart(found, fact, curves, "% RH", zone, width, high)


def chart(
    found: Conditions, fact: CoatFact, curves: Sequence[Curve], unit: str, zone: tzinfo, width: float, high: float
) -> Drawing:
    """Curves over the clock, with a key above; a gap in the readings stays a gap."""
    left, right, top, bottom = 11.0, width - 1.5, 8.5, high - 5.5
    group = max(1, math.ceil(COARSEST_MS / found.width_ms))
    middles = grouped(np.asarray(found.time_ms + found.width_ms / 2, dtype=np.float64), group)
    drawn = [
        replace(
            curve,
            values=grouped(curve.values, group),
            half_band=None if curve.half_band is None else grouped(curve.half_band, group),
        )
        for curve in curves
        if np.isfinite(curve.values).any()
    ]
    shapes: list[Shape] = []
    if not drawn:
        return Drawing(
            width=width,
            height=high,
            shapes=[
                Box(x=left, y=top, width=right - left, height=bottom - top, stroke=RULE),
                Label(
                    x=(left + right) / 2, y=(top + bottom) / 2, text="nothing measured", anchor="middle", colour=FAINT
                ),
            ],
        )
    edges = [np.nanmin(curve.values - _half(curve)) for curve in drawn]
    edges += [np.nanmax(curve.values + _half(curve)) for curve in drawn]
    ticks = nice_ticks(float(min(edges)), float(max(edges)), 4)
    span_ms = max(found.end_ms - found.start_ms, 1)

    def x(time_ms: float) -> float:
        return left + (right - left) * (time_ms - found.start_ms) / span_ms

    def y(value: float) -> float:
        return bottom - (bottom - top) * (value - ticks[0]) / (ticks[-1] - ticks[0])

    began, ended = _ms(fact.coat.started_at), _ms(fact.ended_at)
    edge = min(max(x(ended), x(began) + 0.6), right)
    shapes.append(Box(x=x(began), y=top, width=edge - x(began), height=bottom - top, fill=SPRAYED_FILL, name="sprayed"))
    for tick in ticks:
        shapes.append(Line(points=[(left, y(tick)), (right, y(tick))], stroke=GRID, line_mm=0.15))
        shapes.append(Label(x=left - 1.2, y=y(tick) + 0.9, text=f"{tick:g}", size_pt=6.5, anchor="end", colour=FAINT))
    for time_ms, text in clock_ticks(found.start_ms, found.end_ms, zone):
        shapes.append(Line(points=[(x(time_ms), bottom), (x(time_ms), bottom + 0.9)], stroke=FAINT, line_mm=0.15))
        shapes.append(Label(x=x(time_ms), y=bottom + 3.8, text=text, size_pt=6.5, anchor="middle", colour=FAINT))
    shapes.append(Line(points=[(left, bottom), (right, bottom)], stroke=FAINT, line_mm=0.2))
    for curve in drawn:
        for run in runs(curve.values):
            points = [(x(float(middles[i])), y(float(curve.values[i]))) for i in run]
            if curve.half_band is not None:
                half = curve.half_band
                over = [(px, y(float(curve.values[i] + half[i]))) for (px, _), i in zip(points, run, strict=True)]
                under = [(px, y(float(curve.values[i] - half[i]))) for (px, _), i in zip(points, run, strict=True)]
                if len(run) > 1 and all(math.isfinite(value) for _, value in (*over, *under)):
                    shapes.append(
                        Area(points=[*over, *reversed(under)], fill=_pale(curve.colour), name=f"{curve.name} band")
                    )
    for curve in drawn:
        for run in runs(curve.values):
            points = [(x(float(middles[i])), y(float(curve.values[i]))) for i in run]
            if len(points) == 1:
                points = [(points[0][0] - 0.3, points[0][1]), (points[0][0] + 0.3, points[0][1])]
            shapes.append(
                Line(points=thinned(points), stroke=curve.colour, line_mm=0.4, dash=curve.dash, name=curve.name)
            )
    shapes += _key(drawn, unit, left)
    return Drawing(width=width, height=high, shapes=shapes)


def _key(curves: Sequence[Curve], unit: str, left: float) -> list[Shape]:
    shapes: list[Shape] = [Label(x=left - 1.2, y=4.2, text=unit, size_pt=7.0, anchor="end", colour=FAINT)]
    at = left
    for curve in curves:
        shapes.append(Line(points=[(at, 3.2), (at + 6.0, 3.2)], stroke=curve.colour, line_mm=0.5, dash=curve.dash))
        shapes.append(Label(x=at + 7.2, y=4.2, text=curve.name, size_pt=7.0))
        at += 7.2 + len(curve.name) * 1.25 + 4.0
    return shapes


def grouped(values: FloatArray, size: int) -> FloatArray:
    """Means of so many neighbours, of those that are numbers; NaN where none is."""
    padded = np.concatenate([values, np.full(-len(values) % size, np.nan)]).reshape(-1, size)
    count = np.isfinite(padded).sum(axis=1)
    return np.where(count > 0, np.nansum(padded, axis=1) / np.maximum(count, 1), np.nan)


def nice_ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers that span a range. At least two; a flat range gets one step of room."""
    spread = max(high - low, 1.0)
    raw = spread / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= raw)
    first, last = math.floor(low / step), math.ceil(high / step)
    if last == first:
        last += 1
    return [round(step * i, 6) for i in range(first, last + 1)]


def clock_ticks(start_ms: int, end_ms: int, zone: tzinfo) -> list[tuple[int, str]]:
    """Full hours of the shop's clock, every so many that at most six show."""
    hours = (end_ms - start_ms) / 3_600_000
    minutes = 15 if hours < 1.5 else 60
    step_ms = minutes * 60_000
    every = max(1, math.ceil((end_ms - start_ms) / step_ms / 6))
    first = -(-start_ms // step_ms) * step_ms
    found = []
    for i, time_ms in enumerate(range(first, end_ms, step_ms)):
        if i % every == 0:
            found.append((time_ms, f"{datetime.fromtimestamp(time_ms / 1000, zone):%H:%M}"))
    return found


def runs(values: FloatArray) -> list[list[int]]:
    """Stretches of numbers between gaps, as indices."""
    found: list[list[int]] = []
    for i in np.flatnonzero(np.isfinite(values)):
        if found and found[-1][-1] == i - 1:
            found[-1].append(int(i))
        else:
            found.append([int(i)])
    return found


def thinned(points: list[Point], least: float = 0.25) -> list[Point]:
    """Points less than a quarter millimetre apart across are left out, but for highs and lows that would show."""
    kept = [points[0]]
    for point in points[1:-1]:
        if point[0] - kept[-1][0] >= least or abs(point[1] - kept[-1][1]) >= 0.3:
            kept.append(point)
    return [*kept, points[-1]] if len(points) > 1 else kept


def _half(curve: Curve) -> FloatArray:
    return np.zeros(curve.values.shape) if curve.half_band is None else np.nan_to_num(curve.half_band)


def _pale(colour: str) -> str:
    """A colour four parts in five on its way to white."""
    parts = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return "#" + "".join(f"{round(255 - (255 - part) * 0.22):02x}" for part in parts)


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
