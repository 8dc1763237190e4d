"""Pieces of HTML: the verdict band, limit rows, value tiles, node table.

Everything that comes from outside is escaped here. A state is always a word, a shape and a colour.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

WORDS: Final = {"go": "GO", "marginal": "MARGINAL", "hold": "HOLD", "cannot tell": "CANNOT TELL"}

_SHAPES: Final = {
    "go": '<circle cx="12" cy="12" r="10.5" fill="{fill}"/>'
    '<path d="M7 12.5l3.4 3.4L17 8.6" fill="none" stroke="{mark}" stroke-width="2.6"/>',
    "marginal": '<path d="M12 1.5L23 21.5H1z" fill="{fill}"/>'
    '<path d="M12 8.4v6.6M12 17.2v2" fill="none" stroke="{mark}" stroke-width="2.4"/>',
    "hold": '<path d="M7.6 1.5h8.8l6.1 6.1v8.8l-6.1 6.1H7.6l-6.1-6.1V7.6z" fill="{fill}"/>'
    '<path d="M6.5 12h11" fill="none" stroke="{mark}" stroke-width="3"/>',
    "cannot tell": '<path d="M12 1L23 12 12 23 1 12z" fill="{fill}"/>'
    '<path d="M9 9.8a3 3 0 1 1 4.4 2.6c-1 .6-1.4 1-1.4 2M12 16.2v2" fill="none" stroke="{mark}" '
    'stroke-width="2"/>',
}
_FILLS: Final = {
    "go": ("#12805E", "#fff"),
    "marginal": ("#E3A008", "#221A00"),
    "hold": ("#C02A41", "#fff"),
    "cannot tell": ("#6B7785", "#fff"),
}


_NUMBER_AND_UNIT: Final = re.compile(r"(\d|±) (?=[\d%°]|(?:K|h|s|d|min|Pa|ppm|ml|mil|m/s|µm)\b)")
_MINUS: Final = re.compile(r"(?<![\w-])-(?=\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRow:
    """One limit as shown: all words, nothing left to format."""

    verdict: str
    label: str
    value: str
    reason: str
    trend: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One measured value as shown. ``old`` marks a reading that no longer counts."""

    name: str
    value: str
    unit: str
    plus_minus: str
    age: str
    old: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WayRow:
    """One change, and whether it is enough."""

    enough: bool
    text: str


def shape(verdict: str, size_px: int, *, on_band: bool = False) -> str:
    """The verdict's own shape; its word stands beside it."""
    fill, mark = _FILLS[verdict]
    if on_band:
        fill, mark = ("#221A00", "#F2B632") if verdict == "marginal" else ("#fff", "#1E1D1A")
    body = _SHAPES[verdict].format(fill=fill, mark=mark)
    drawing = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24">{body}</svg>'
    # An inline <svg> is taken out by the framework's sanitiser; the same drawing as an image is not.
    encoded = b64encode(drawing.encode()).decode()
    return f'<img src="data:image/svg+xml;base64,{encoded}" width="{size_px}" height="{size_px}" alt="">'


def verdict_band(*, verdict: str, subject: str, reason: str, clock: str, place: str) -> str:
    """The answer, large: shape, word and colour, what it is about, and the reason that governs."""
    return (
        f'<div class="tf tf-band {_css(verdict)}" role="status" data-verdict="{escape(verdict)}">'
        f"{shape(verdict, 72, on_band=True)}"
        f'<div><div class="what"><span class="word">{WORDS[verdict]}</span><span>{_text(subject)}</span></div>'
        f'<div class="why">{_text(reason)}</div></div>'
        f'<div class="when"><b>{escape(clock)}</b>{escape(place)}</div></div>'
    )


def limits(rows: Iterable[LimitRow]) -> str:
    """Every limit with its value, its state and one sentence of reason."""
    return f'<div class="tf tf-limits">{"".join(_limit(row) for row in rows)}</div>'


def tiles(items: Iterable[Tile]) -> str:
    """A grid of measured values."""
    return f'<div class="tf tf-tiles">{"".join(_tile(item) for item in items)}</div>'


def ways(rows: Iterable[WayRow]) -> str:
    """What could be changed, those that are enough first as they come."""
    return f'<div class="tf tf-limits tf-ways">{"".join(_way(row) for row in rows)}</div>'


def two(left: str, right: str) -> str:
    """Two blocks side by side on a laptop, one under the other on an upright tablet."""
    return f'<div class="tf tf-two"><div>{left}</div><div>{right}</div></div>'


def caution(text: str) -> str:
    """A caution that stands whatever the readings say."""
    return f'<div class="tf tf-caution" role="note">⚠ {_text(text)}</div>'


def warning(text: str) -> str:
    """Something about the system itself that a person should mend."""
    return f'<div class="tf tf-warn" role="alert">▲ {escape(text)}</div>'


def note(text: str) -> str:
    """Quiet words under a block."""
    return f'<div class="tf tf-note"><small>{_text(text)}</small></div>'


def page_heading(title: str, place: str) -> str:
    """The page's name and the shop's."""
    return f'<div class="tf tf-heading"><h1>{escape(title)}</h1><span class="quiet">{escape(place)}</span></div>'


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A plain table that scrolls sideways rather than squeezes."""
    head = "".join(f"<th>{escape(text)}</th>" for text in headings)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return (
        f'<div class="tf tf-scroll"><table class="tf-table"><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def card(*, title: str, subtitle: str, open_words: str, clock: str, lines: Sequence[str], late: str = "") -> str:
    """One piece on the rack: what it is, its last coat, how long ago."""
    mark = f'<span class="open">● {escape(open_words)}</span>' if open_words else ""
    due = f'<div class="late">▲ {escape(late)}</div>' if late else ""
    rest = "".join(f"<div>{_text(line)}</div>" for line in lines)
    return (
        f'<div class="tf tf-card"><div class="head"><span class="title">{escape(title)}</span>{mark}</div>'
        f'<small>{escape(subtitle)}</small><div class="clock">{_text(clock)}</div>{rest}{due}</div>'
    )


def line(title: str, text: str, rest: str) -> str:
    """One line of a list: what, of what, and when."""
    tail = f"<br><small>{escape(rest)}</small>" if rest else ""
    return f'<div class="tf tf-line"><b>{escape(title)}</b> <span>{escape(text)}</span>{tail}</div>'


def _limit(row: LimitRow) -> str:
    trend = f" <b>{_text(row.trend)}</b>" if row.trend else ""
    return (
        f'<div class="tf-limit {_css(row.verdict)}"><div class="state">{shape(row.verdict, 24)}'
        f'{WORDS[row.verdict]}</div><div class="name">{escape(row.label)}</div>'
        f'<div class="value">{_text(row.value)}</div><div class="why">{_text(row.reason)}{trend}</div></div>'
    )


def _way(row: WayRow) -> str:
    verdict, word = ("go", "ENOUGH") if row.enough else ("hold", "NOT ENOUGH")
    return (
        f'<div class="tf-limit" data-enough="{str(row.enough).lower()}"><div class="state">{shape(verdict, 24)}{word}'
        f'</div><div class="name">{_text(row.text)}</div></div>'
    )


def _tile(item: Tile) -> str:
    age = f"OLD: {item.age}" if item.old else item.age
    foot = " · ".join(words for words in (item.plus_minus, age) if words)
    return (
        f'<div class="tf-tile{" old" if item.old else ""}"><div class="name">{escape(item.name)}</div>'
        f'<div class="value">{_text(item.value)}<span>{escape(item.unit)}</span></div>'
        f'<div class="foot">{_text(foot)}</div></div>'
    )


def _text(words: str) -> str:
    """Escaped words in which no number is parted from its unit, and a minus is a minus."""
    kept = _NUMBER_AND_UNIT.sub("\\1\u00a0", words)
    return escape(_MINUS.sub("\u2212", kept))


def _css(verdict: str) -> str:
    return verdict.replace(" ", "-")
