"""The week drawn: a row a piece, every step's interval on seven days of shop time. Everything is escaped here."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from typing import Final
from zoneinfo import ZoneInfo

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import CoatProgress, Moment, PieceProgress, RecoatState
from dashboard import rack_words, tiles, time_scale
from dashboard.rack_parts import LANES
from dashboard.time_scale import Scale

DAYS: Final = 7
NIGHT: Final = (timedelta(hours=20), timedelta(hours=30))
"""Shaded, from shop midnight; for the eye only."""

CHARACTER: Final = 1.35
"""Width of a written character on an upright tablet, where it is largest. [% of a row]"""

SHEET: Final = """
.tf-week{display:grid;gap:0}
.tf-week .r{display:grid;grid-template-columns:minmax(11rem,19%) minmax(0,1fr);border-bottom:1px solid var(--line)}
.tf-week .r>*{min-width:0}
.tf-week .who{padding:.4rem .6rem .4rem .1rem;color:inherit;text-decoration:none;display:block;min-height:3rem;
 box-sizing:border-box}
.tf-week .who b{display:block;line-height:1.15;text-decoration:underline;text-decoration-thickness:1px;
 text-underline-offset:3px}
.tf-week .who span{display:block;font-size:.86rem;line-height:1.2;margin-top:.15rem}
.tf-week .named .who{border-left:8px solid currentColor;padding-left:.5rem}
.tf-week .days{position:relative;background:var(--sky);padding:.25rem 0;display:grid;align-content:center}
.tf-week .head .days{height:1.9rem;background:none;padding:0}
.tf-week .head b{position:absolute;top:.3rem;font-size:.95rem;transform:translateX(-50%);white-space:nowrap}
.tf-week .days>i{position:absolute;top:0;bottom:0;display:block}
.tf-week .edge{width:1px;background:var(--line)}
.tf-week .now{width:3px;margin-left:-1.5px;background:#0072B2}
.tf-week.dark .now{background:#63B8EC}
.tf-week .due{width:0;border-left:3px dashed #B3470A}
.tf-week.dark .due{border-color:#FF9A57}
.tf-week .sub{position:relative;height:1.85rem}
.tf-week .sub>*{position:absolute;display:block}
.tf-week .sub span{top:.02rem;font-size:.84rem;font-weight:650;line-height:1.05;white-space:nowrap}
.tf-week{--paper:#FBFAF6}
.tf-week.dark{--paper:#15181A}
.tf-week .sub span{text-shadow:0 0 3px var(--paper),0 0 3px var(--paper),0 0 2px var(--paper),0 0 2px var(--paper)}
.tf-week .sub span.by{padding-inline:.35rem}
.tf-week .sub span.flip{transform:translateX(-100%)}
.tf-week .sub i{top:1rem;height:.62rem;box-sizing:border-box}
.tf-week .band{min-width:5px;border:2px solid currentColor;border-radius:3px;
 background:repeating-linear-gradient(90deg,transparent 0 3px,color-mix(in srgb,currentColor 34%,transparent) 3px 5px)}
.tf-week .sub .half{width:4px;margin-left:-2px;background:currentColor;top:.86rem;height:.9rem}
.tf-week .able{background:#12805E;border-radius:3px}
.tf-week .ending{background:repeating-linear-gradient(135deg,#F2B632 0 4px,#6B4A00 4px 7px);min-width:6px}
.tf-week .scuff,.tf-key .scuff{border:2px solid #12805E;border-radius:3px;
 background:repeating-linear-gradient(45deg,transparent 0 4px,#12805E 4px 6px)}
.tf-week .shut{border:2px dashed #C02A41;border-radius:3px}
.tf-key{display:flex;flex-wrap:wrap;gap:.2rem 1.3rem;font-size:.9rem;align-items:center}
.tf-key span{display:inline-flex;gap:.4rem;align-items:center}
.tf-key i{display:inline-block;width:2rem;height:.7rem;box-sizing:border-box}
.tf-key .line{width:3px;height:1.1rem}
.tf-key .band{border:2px solid currentColor;border-radius:3px}
.tf-key .able{background:#12805E}
.tf-key .ending{background:repeating-linear-gradient(135deg,#F2B632 0 4px,#6B4A00 4px 7px)}
.tf-key .shut{border:2px dashed #C02A41}
.tf-key .now{background:#0072B2}
.tf-key .due{border-left:3px dashed #B3470A;width:0}
.tf-key.dark .now{background:#63B8EC}
.tf-key.dark .due{border-color:#FF9A57}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing on a row: what is drawn, what is written over it, and the width both need. [% of the row]"""

    drawn: str
    written: str
    left: float
    right: float


def sheet() -> str:
    """The week's look."""
    return f"<style>{SHEET}</style>"


def key(*, dark: bool = False) -> str:
    """What the marks mean."""
    shown = (
        ("band", "8 times in 10 within; the bar in it: as likely before as after"),
        ("able", "recoat window open"),
        ("ending", "closing"),
        ("shut", "closed"),
        ("scuff", "open after scuffing"),
        ("line now", "now"),
        ("line due", "due"),
    )
    marks = "".join(f'<span><i class="{css}"></i>{words}</span>' for css, words in shown)
    return f'<div class="tf tf-key{" dark" if dark else ""}">{marks}</div>'


def week(
    pieces: Sequence[PieceProgress], zone: ZoneInfo, now: datetime, *, named: int | None = None, dark: bool = False
) -> str:
    """Seven days from today's midnight in shop time."""
    midnights = time_scale.days(now, zone, DAYS)
    scale = Scale(midnights[0], midnights[-1])
    here = f'<i class="now" style="left:{scale.at(now):.2f}%"></i>'
    edges = "".join(f'<i class="edge" style="left:{scale.at(one):.2f}%"></i>' for one in midnights[1:-1])
    heads = "".join(
        f'<b style="left:{(scale.at(one) + scale.at(other)) / 2:.2f}%">{one.astimezone(zone):%a} '
        f"{one.astimezone(zone).day}</b>"
        for one, other in itertools.pairwise(midnights)
    )
    rows = "".join(_row(each, scale, edges + here, zone, now, named == each.piece.id) for each in pieces)
    return (
        f'<div class="tf tf-week{" dark" if dark else ""}" style="--sky:{_sky(midnights, scale, zone)}">'
        f'<div class="r head"><span></span><span class="days">{heads}</span></div>{rows}</div>'
    )


def _row(each: PieceProgress, scale: Scale, lines: str, zone: ZoneInfo, now: datetime, named: bool) -> str:
    lanes = _packed(_items(each, scale, zone, now))
    drawn = "".join(f'<div class="sub">{"".join(item.drawn + item.written for item in lane)}</div>' for lane in lanes)
    due = each.piece.due
    flag = f'<i class="due" style="left:{scale.at(due):.2f}%"></i>' if due is not None and scale.covers(due) else ""
    told = rack_words.spoken(each.last, zone, now) if each.last else "No coat yet."
    told = " ".join([told, rack_words.sentence_of_due(each, zone, now)]).strip()
    return (
        f'<div class="r{" named" if named else ""}" data-row="{each.piece.id}">'
        f'<a class="who" href="rack?piece={each.piece.id}" target="_self"><b>{escape(each.piece.name)}</b>'
        f"<span>{tiles._text(rack_words.headline(each, zone, now))}</span></a>"
        f'<div class="days" role="img" aria-label="{escape(told)}">{lines}{flag}{drawn}</div></div>'
    )


def _items(each: PieceProgress, scale: Scale, zone: ZoneInfo, now: datetime) -> list[Item]:
    made: list[Item] = []
    if each.last is not None and not each.spraying:
        made += _window(each.last.recoat, scale, zone, now)
        made += _steps(each.last, scale, zone, now)
    due = each.piece.due
    if due is not None and scale.covers(due):
        made.append(_flagged(f"due {due.astimezone(zone):%a %H:%M}", scale.at(due)))
    return made


def _steps(last: CoatProgress, scale: Scale, zone: ZoneInfo, now: datetime) -> list[Item]:
    """Steps still to come; those of one interval are drawn once."""
    together: dict[tuple[datetime | None, ...], list[str]] = {}
    moments: dict[tuple[datetime | None, ...], Moment] = {}
    for stage in time_scale.pending(last, now):
        ready = stage.ready
        same = tuple(
            None if one is None else one.replace(minute=0, second=0, microsecond=0)
            for one in (ready.p10, ready.p50, ready.p90)
        )
        together.setdefault(same, []).append(LANES[stage.stage])
        moments.setdefault(same, ready)
    made = []
    for same, names in together.items():
        ready = moments[same]
        words = f"{', '.join(names)} {rack_words.lane_time(ready, zone, now)}"
        if ready.p10 is None or ready.p10 > scale.end:
            made.append(_item("", f"{words} ▸", 100.0, 100.0))
            continue
        left, right = scale.at(ready.p10), 100.0 if ready.p90 is None else scale.at(ready.p90)
        drawn = _bar("band", left, right)
        if ready.p50 is not None and scale.covers(ready.p50):
            drawn += f'<i class="half" style="left:{scale.at(ready.p50):.2f}%"></i>'
        more = ready.p90 is None or ready.p90 > scale.end
        made.append(_item(drawn, f"{words}{' ▸' if more else ''}", left, right))
    return made


def _window(recoat: RecoatState, scale: Scale, zone: ZoneInfo, now: datetime) -> list[Item]:
    """A recoat window that closes within the week, from its opening on."""
    closes = recoat.closes
    if closes is None or closes.p10 is None or closes.p10 > scale.end or recoat.state == cp.SCUFF_FIRST:
        return []
    opens = recoat.opens.p50 if recoat.opens else None
    again = recoat.reopens.p50 if recoat.reopens else None
    shut = closes.p90 or scale.end
    left = scale.at(opens) if opens is not None else scale.at(closes.p10)
    ends = scale.at(closes.p10), scale.at(shut), 100.0 if again is None else scale.at(max(again, shut))
    drawn = _bar("able", left, ends[0]) + _bar("ending", ends[0], ends[1]) + _bar("shut", ends[1], ends[2])
    drawn += _bar("scuff", ends[2], 100.0) if again is not None else ""
    if not drawn:
        return []
    return [_item(drawn, f"window {rack_words.closing(closes, zone, now)}", left, 100.0)]


def _bar(css: str, left: float, right: float) -> str:
    if right <= left:
        return ""
    return f'<i class="{css}" style="left:{left:.2f}%;width:{right - left:.2f}%"></i>'


def _item(drawn: str, words: str, left: float, right: float) -> Item:
    """Words stand over the left end of what they are about, or end at the row's end where they would not fit."""
    width = CHARACTER * len(words)
    start = left
    if left + width > 100.0:
        start = max(0.0, 100.0 - width)
        written = f'<span class="flip" style="left:100%">{tiles._text(words)}</span>'
    else:
        written = f'<span style="left:{left:.2f}%">{tiles._text(words)}</span>'
    return Item(drawn=drawn, written=written, left=min(start, left), right=max(right, start + width))


def _flagged(words: str, at: float) -> Item:
    """Words beside an upright line, on the side where they fit."""
    width = CHARACTER * (len(words) + 1)
    fits = at + width <= 100.0
    written = f'<span class="by{"" if fits else " flip"}" style="left:{at:.2f}%">{tiles._text(words)}</span>'
    return Item(drawn="", written=written, left=at if fits else at - width, right=at + width if fits else at)


def _packed(items: Sequence[Item]) -> list[list[Item]]:
    """Items in as few lanes as they need not to touch."""
    lanes: list[list[Item]] = []
    for item in sorted(items, key=lambda one: one.left):
        for lane in lanes:
            if lane[-1].right + 1.0 <= item.left:
                lane.append(item)
                break
        else:
            lanes.append([item])
    return lanes


def _sky(midnights: Sequence[datetime], scale: Scale, zone: ZoneInfo) -> str:
    """Nights and weekends as one background for every row."""
    ends = [midnights[0] - timedelta(days=1), *midnights]
    nights = [(scale.at(one + NIGHT[0]), scale.at(one + NIGHT[1])) for one in ends]
    night = "color-mix(in srgb,currentColor 9%,transparent)"
    free = "color-mix(in srgb,currentColor 6%,transparent)"
    weekends = [
        (scale.at(one), scale.at(other))
        for one, other in itertools.pairwise(midnights)
        if one.astimezone(zone).weekday() >= 5
    ]
    return ",".join([_stripes(nights, night), *([_stripes(weekends, free)] if weekends else [])])


def _stripes(spans: Sequence[tuple[float, float]], colour: str) -> str:
    stops = []
    for left, right in spans:
        if right > left:
            stops.append(f"transparent {left:.2f}%,{colour} {left:.2f}%,{colour} {right:.2f}%,transparent {right:.2f}%")
    return f"linear-gradient(90deg,{','.join(stops)})"
