"""The Sanding page's pieces of HTML: the film to scale with what each grit takes, the table beneath, sheets.

Everything from outside is escaped here. A state is a word, a shape and a colour.
"""

from __future__ import annotations

from html import escape
from typing import Final

from collector.advice.display import Units
from collector.advice.sanding import MOST_COATS, Budget, Sheet, Step, percent
from dashboard import tiles

SHEET: Final = """
.tf-film{display:grid;gap:.35rem}
.tf-film .bar{position:relative;height:4.6rem;border:2px solid var(--line);border-radius:6px;overflow:hidden;
 background:var(--wash)}
.tf-film .bar i{position:absolute;top:0;bottom:0;display:block}
.tf-film .took{border-right:2px solid currentColor;overflow:hidden;background:#C9772B}
.tf-film .took:nth-of-type(even){background:#A85C18}
.tf-film .left{background:#12805E}
.tf-film .unsure{background:repeating-linear-gradient(135deg,transparent 0 5px,rgba(255,255,255,.85) 5px 7px);
 border-inline:3px solid #fff}
.tf-film .bar .reaches{bottom:52%}
.tf-film .bar .ends{top:52%}
.tf-film .under{background:repeating-linear-gradient(45deg,#94192B 0 6px,#6b0f1e 6px 12px)}
.tf-film .words{position:relative;height:1.35rem;font-size:.88rem;font-weight:650}
.tf-film .words b{position:absolute;white-space:nowrap;font-weight:650}
.tf-film .key{display:flex;flex-wrap:wrap;gap:.15rem 1.1rem;font-size:.88rem}
.tf-film .key span{display:flex;align-items:center;gap:.4rem}
.tf-film .key em{width:1.3rem;height:.95rem;border-radius:3px;display:inline-block;border:1px solid var(--line)}
.tf-steps{width:100%;border-collapse:collapse}
.tf-steps th,.tf-steps td{text-align:right;padding:.32rem .5rem;border-bottom:1px solid var(--line);white-space:nowrap}
.tf-steps th:first-child,.tf-steps td:first-child{text-align:left;font-weight:700}
.tf-steps th{font-size:.88rem;color:var(--quiet);font-weight:600}
.tf-steps .state{display:inline-flex;gap:.4rem;align-items:center;font-weight:700}
.tf-steps tr.stop td{border-bottom:4px solid currentColor}
"""

_HATCH: Final = "repeating-linear-gradient(135deg,#8a8a8a 0 4px,#fff 4px 6px)"
_LOOK: Final = {True: ("go", "within"), False: ("hold", "over")}


def sheet() -> str:
    """The page's look."""
    return f"<style>{SHEET}</style>"


def answer(found: Budget, units: Units) -> str:
    """The big answer: a word, the chance, and where to stop."""
    last = found.steps[-1]
    stack = found.stack
    clear = film(stack.clear_um, stack.clear_sd_um, units)
    if found.verdict == "cannot tell":
        return tiles.verdict_band(
            verdict="cannot tell", subject=stack.piece.name, reason=found.words, clock="–", place="clear"
        )
    return tiles.verdict_band(
        verdict=found.verdict,
        subject=f"{percent(last.probability_through)} chance of going through",
        reason=f"{found.words} Your limit: {found.limit:.0%}.",
        clock=clear,
        place=f"clear, {len(stack.clear)} coat{'' if len(stack.clear) == 1 else 's'}",
    )


def bar(found: Budget, units: Units) -> str:
    """The clear to scale from its top at the left to the colour at the right, what each grit takes laid over it."""
    stack = found.stack
    deepest = found.steps[-1]
    reach = max(stack.clear_um + 2 * stack.clear_sd_um, deepest.removed_um + 2 * deepest.removed_sd_um, 1.0)
    scale = 100.0 / reach

    def span(kind: str, start: float, end: float) -> str:
        start, end = max(start, 0.0), min(max(end, 0.0), reach)
        return f'<i class="{kind}" style="left:{start * scale:.2f}%;width:{max(end - start, 0.0) * scale:.2f}%"></i>'

    made, before = span("left", 0.0, stack.clear_um), 0.0
    for step in found.steps:
        made += span("took", before, step.removed_um)
        before = max(before, step.removed_um)
    made += span("under", stack.clear_um, reach)
    made += span("unsure ends", stack.clear_um - 2 * stack.clear_sd_um, stack.clear_um + 2 * stack.clear_sd_um)
    spread = 2 * deepest.removed_sd_um
    made += span("unsure reaches", deepest.removed_um - spread, deepest.removed_um + spread)
    edge = min(stack.clear_um * scale, 86.0)
    said = (
        f"Film to scale: {film(stack.clear_um, stack.clear_sd_um, units)} of clear; {deepest.name} ends at "
        f"{film(deepest.removed_um, deepest.removed_sd_um, units)}."
    )
    key = "".join(
        f'<span><em style="background:{look}"></em>{word}</span>'
        for look, word in (
            ("#C9772B", "taken, grit by grit"),
            ("#12805E", "clear left"),
            ("#94192B", "colour or wood"),
            (_HATCH, "19 in 20: above, what is taken; below, where clear ends"),
        )
    )
    return (
        f'<div class="tf tf-film" role="img" aria-label="{escape(said)}"><div class="words"><b style="left:0">top</b>'
        f'<b style="left:{edge:.2f}%">{escape(_film(stack.clear_um, units))}</b></div>'
        f'<div class="bar">{made}</div><div class="key">{key}</div></div>'
    )


def steps(found: Budget, units: Units) -> str:
    """What each grit takes and leaves, and the chance by then."""
    rows = "".join(_row(step, found, units) for step in found.steps)
    return (
        f'<div class="tf tf-scroll"><table class="tf-steps"><thead><tr><th>after</th><th>off, {units.film_unit}</th>'
        f"<th>left, {units.film_unit}</th><th>goes through</th><th>your limit</th></tr></thead><tbody>{rows}</tbody>"
        "</table></div>"
    )


def more_clear(found: Budget, units: Units) -> str:
    """How much more clear would do, in one sentence; empty where none is needed."""
    more = found.more
    if more is None or found.verdict == "cannot tell":
        return ""
    wet = units.film(more.wet_film_um)
    if more.coats is None:
        return f"{MOST_COATS} more coats of {wet} wet are not enough for these grits: start finer."
    count, brings = ("1 more coat", "brings") if more.coats == 1 else (f"{more.coats} more coats", "bring")
    return f"{count} of {wet} wet, {more.material}, {brings} it within your limit."


def sheets(used: list[Sheet], most: int) -> str:
    """Sheets in use, in words."""
    if not used:
        return "No sanding is logged yet, so that no sheet is counted."
    return "; ".join(f"{each.grit}: {each.uses} of {most} uses{', fresh one due' if each.due else ''}" for each in used)


def film(um: float, sd_um: float, units: Units) -> str:
    """A film with twice its standard uncertainty."""
    return f"{_shown(um, units)} ± {_shown(2.0 * sd_um, units)} {units.film_unit}"


def _row(step: Step, found: Budget, units: Units) -> str:
    verdict, word = _LOOK[step.within]
    mark = ' class="stop"' if step.name == found.stop_at else ""
    cells = (
        f"{_shown(step.removed_um, units)} ± {_shown(2 * step.removed_sd_um, units)}",
        f"{_shown(step.left_um, units)} ± {_shown(2 * step.left_sd_um, units)}" if step.left_um > 0 else "none",
        percent(step.probability_through),
    )
    stop = " ◀ stop here" if step.name == found.stop_at and found.verdict == "marginal" else ""
    return (
        f"<tr{mark}><td>{escape(step.name)}{stop}</td>{''.join(f'<td>{tiles._text(cell)}</td>' for cell in cells)}"
        f'<td><span class="state">{tiles.shape(verdict, 20)}{word}</span></td></tr>'
    )


def _film(um: float, units: Units) -> str:
    return f"{_shown(um, units)} {units.film_unit} of clear"


def _shown(um: float, units: Units) -> str:
    text = f"{units.film_value(um):.{2 if units.us else 0}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")
