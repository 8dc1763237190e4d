"""The Air page's panels: a state in a word, a shape and a colour, then its numbers. Everything is escaped here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from dashboard import tiles

SHEET: Final = """
.tf-air{display:grid;grid-template-columns:repeat(6,minmax(0,1fr));gap:.5rem}
.tf-panel{border:1px solid var(--line);border-radius:6px;background:var(--wash);display:flex;flex-direction:column;
 min-width:0;overflow:hidden;grid-column:span 2}
.tf-panel.wide{grid-column:span 3}
.tf-panel .top{display:flex;align-items:center;gap:.1rem .6rem;padding:.22rem .8rem;font-weight:700;flex-wrap:wrap}
.tf-panel .top .of{font-size:1rem;font-weight:600;margin-left:auto;text-align:right}
.tf-panel .top .word{font-size:1.45rem;font-weight:800;letter-spacing:.01em;line-height:1.15;white-space:nowrap}
.tf-panel.go .top{background:#0B5F45;color:#fff}
.tf-panel.marginal .top{background:#F2B632;color:#221A00}
.tf-panel.hold .top{background:#94192B;color:#fff}
.tf-panel.cannot-tell .top{background:repeating-linear-gradient(135deg,#3E4854 0 14px,#47525F 14px 28px);color:#fff}
.tf-panel .body{padding:.3rem .8rem .4rem;display:grid;gap:.05rem;align-content:start;flex:1}
.tf-panel .big{font-size:1.9rem;font-weight:750;line-height:1.1;white-space:nowrap}
.tf-panel .big span{font-size:1rem;font-weight:600;margin-left:.3rem}
.tf-panel .pair{display:flex;flex-wrap:wrap;gap:0 1.2rem}
.tf-panel .row{font-size:.92rem;line-height:1.25}
.tf-panel .row b{font-weight:700}
.tf-panel .mark{display:inline-flex;gap:.3rem;align-items:center;font-weight:700;vertical-align:top}
.tf-panel .mark img{display:inline-block}
@media (max-width:1000px){.tf-panel{grid-column:span 3}.tf-panel.first{grid-column:span 6}}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a panel; with a verdict it has a mark of its own."""

    text: str
    verdict: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One question and its answer as shown: all words, nothing left to format.

    ``big`` are numbers with their units, shown large side by side.
    """

    name: str
    verdict: str
    word: str
    big: Sequence[tuple[str, str]] = ()
    rows: Sequence[Row] = ()
    wide: bool = False
    first: bool = False


def sheet() -> str:
    """The panels' look."""
    return f"<style>{SHEET}</style>"


def panels(shown: Iterable[Panel]) -> str:
    """A grid of panels."""
    return f'<div class="tf tf-air">{"".join(_panel(each) for each in shown)}</div>'


def _panel(each: Panel) -> str:
    kinds = " ".join(
        [
            "tf-panel",
            each.verdict.replace(" ", "-"),
            *(["wide"] if each.wide else []),
            *(["first"] if each.first else []),
        ]
    )
    big = "".join(f"<div>{tiles._text(value)}<span>{escape(unit)}</span></div>" for value, unit in each.big)
    rows = "".join(_row(row) for row in each.rows)
    return (
        f'<div class="{kinds}" data-panel="{escape(each.name)}" data-state="{escape(each.verdict)}"><div class="top">'
        f'{tiles.shape(each.verdict, 34, on_band=True)}<span class="word">{escape(each.word)}</span>'
        f'<span class="of">{escape(each.name)}</span></div>'
        f'<div class="body">{f"""<div class="big pair">{big}</div>""" if big else ""}{rows}</div></div>'
    )


def _row(row: Row) -> str:
    mark = f'<span class="mark">{tiles.shape(row.verdict, 18)}{escape(row.word)}</span> ' if row.verdict else ""
    return f'<div class="row">{mark}{tiles._text(row.text)}</div>'
