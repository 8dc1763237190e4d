"""Sets a record as one HTML file that needs nothing else: styles and drawings inside, no scripts, well-formed XML."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape as _escaped
from typing import Final

from collector.report.blocks import (
    A4,
    Block,
    Bullets,
    Caution,
    Document,
    Facts,
    Figure,
    Heading,
    Paragraph,
    Photo,
    Table,
    printable,
)
from collector.report.drawing import POINT_MM, Area, Box, Drawing, Line, Shape

STYLE: Final = """
@page { size: %PAPER%; margin: 16mm 18mm 18mm; }
body { margin: 0 auto; max-width: 46rem; padding: 1.5rem 1rem 3rem; color: #1d2733; background: #ffffff;
  font: 1rem/1.5 "Fira Sans", "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif; }
header { display: flex; flex-wrap: wrap; justify-content: space-between; color: #5b6673; }
.kind { margin: 1rem 0 0; color: #5b6673; }
h1 { margin: 0 0 1rem; padding-bottom: .5rem; border-bottom: 2px solid #1d2733; font-size: 1.9rem; line-height: 1.2; }
h2 { margin: 2rem 0 .5rem; font-size: 1.25rem; }
h3 { margin: 1.6rem 0 .4rem; font-size: 1.05rem; }
h2, h3 { break-after: avoid; }
.small, figcaption, footer { color: #5b6673; font-size: .86rem; }
.caution { margin: 1rem 0; padding: .8rem 1rem; font-weight: 600; border-left: .4rem solid #b06200;
  background: #fff1d6; }
table { width: 100%; border-collapse: collapse; margin: .6rem 0 1rem; font-size: .9rem; }
th, td { padding: .35rem .5rem; text-align: left; vertical-align: top; border-bottom: 1px solid #c9d0d8; }
thead th { background: #eef1f4; }
.facts th { width: 28%; font-weight: 400; color: #5b6673; }
.facts th, .facts td { border-bottom: 0; padding: .15rem .5rem .15rem 0; }
.wide { overflow-x: auto; }
figure { margin: 1rem 0; break-inside: avoid; overflow-x: auto; }
figure svg, figure img { display: block; width: 100%; height: auto; }
@media screen { figure svg { min-width: 34rem; } }
footer { margin-top: 2.5rem; padding-top: .5rem; border-top: 1px solid #c9d0d8; }
tr { break-inside: avoid; }
"""


def write(document: Document) -> str:
    """The record as one HTML page."""
    paper = "A4" if document.paper == A4 else "letter"
    body = "\n".join(_block(block) for block in document.blocks)
    title = escape(f"{document.title}: {document.subtitle}")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8"/>
<meta name="viewport" content="width=device-width, initial-scale=1"/>
<title>{title}</title>
<style>{STYLE.replace("%PAPER%", paper)}</style>
</head>
<body>
<header><span>{escape(document.shop)}</span><span>{escape(document.made)}</span></header>
<main>
<p class="kind">{escape(document.title)}</p>
<h1>{escape(document.subtitle)}</h1>
{body}
</main>
<footer>{escape(document.foot)}</footer>
</body>
</html>
"""


def escape(text: str) -> str:
    """Text with what HTML would take for markup escaped, and without characters that XML has no place for."""
    return _escaped(printable(text))


def _block(block: Block) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level}>{escape(block.text)}</h{block.level}>"
    if isinstance(block, Paragraph):
        return f'<p class="small">{escape(block.text)}</p>' if block.small else f"<p>{escape(block.text)}</p>"
    if isinstance(block, Caution):
        return f'<p class="caution">{escape(block.text)}</p>'
    if isinstance(block, Bullets):
        return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in block.items) + "</ul>"
    if isinstance(block, Facts):
        rows = "".join(f'<tr><th scope="row">{escape(a)}</th><td>{escape(b)}</td></tr>' for a, b in block.rows)
        return f'<table class="facts"><tbody>{rows}</tbody></table>'
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Figure):
        return f"<figure>{svg(block.drawing, block.alt)}{_caption(block.caption)}</figure>"
    return _photo(block)


def _table(block: Table) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in block.head)
    rows = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in block.rows)
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def _photo(block: Photo) -> str:
    kind = "png" if block.image.startswith(b"\x89PNG") else "jpeg"
    data = base64.b64encode(block.image).decode("ascii")
    caption = escape(block.caption)
    return f'<figure><img src="data:image/{kind};base64,{data}" alt="{caption}"/>{_caption(block.caption)}</figure>'


def _caption(text: str) -> str:
    return f"<figcaption>{escape(text)}</figcaption>" if text else ""


def svg(drawing: Drawing, alt: str) -> str:
    """A drawing as inline SVG; its numbers are millimetres."""
    shapes = "".join(_shape(shape) for shape in drawing.shapes)
    return (
        f'<svg viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}" role="img" aria-label="{escape(alt)}" '
        f'font-family="Fira Sans, Segoe UI, Roboto, Arial, sans-serif">{shapes}</svg>'
    )


def _shape(shape: Shape) -> str:
    if isinstance(shape, Box):
        return (
            f'<rect x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" height="{_n(shape.height)}" '
            f'fill="{shape.fill or "none"}"{_pen(shape.stroke, shape.line_mm, shape.dash)}/>'
        )
    if isinstance(shape, Line):
        pen = _pen(shape.stroke, shape.line_mm, shape.dash)
        return f'<polyline points="{_points(shape.points)}" fill="none" stroke-linejoin="round"{pen}/>'
    if isinstance(shape, Area):
        return f'<polygon points="{_points(shape.points)}" fill="{shape.fill}"/>'
    weight = ' font-weight="600"' if shape.bold else ""
    return (
        f'<text x="{_n(shape.x)}" y="{_n(shape.y)}" font-size="{_n(shape.size_pt * POINT_MM)}" '
        f'text-anchor="{shape.anchor}" fill="{shape.colour}"{weight}>{escape(shape.text)}</text>'
    )


def _pen(stroke: str | None, line_mm: float, dash: tuple[float, float] | None) -> str:
    if stroke is None:
        return ""
    dashes = f' stroke-dasharray="{dash[0]} {dash[1]}"' if dash else ""
    return f' stroke="{stroke}" stroke-width="{_n(line_mm)}"{dashes}'


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{_n(x)},{_n(y)}" for x, y in points)


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
