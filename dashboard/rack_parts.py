"""The Rack's cards and their time scales, as HTML of our own. Everything from outside is escaped here.

A state is a word, a shape and a colour; a scale is read off without touching it, and told in words to those who do not
see it.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from datetime import datetime
from html import escape
from typing import Final
from zoneinfo import ZoneInfo

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import CoatProgress, PieceProgress, RecoatState, StageProgress
from collector.records.model import ISOCYANATE_CAUTION
from dashboard import rack_words, tiles, time_scale
from dashboard.time_scale import Scale

LANES: Final = {"dry_to_recoat": "recoat", "tape_ready": "tape", "sand_ready": "sand", "buff_ready": "buff"}

SHEET: Final = """
[class*="st-key-rack-grid-"]{display:grid!important;grid-template-columns:repeat(auto-fill,minmax(min(21rem,100%),1fr));
 gap:.7rem;align-items:stretch}
[class*="st-key-rack-grid-"]>*{min-width:0;width:auto!important;height:100%}
[class*="st-key-rack-card-"]{height:100%;padding:.6rem .7rem .7rem!important;gap:.5rem!important}
[class*="st-key-rack-card-"]>:first-child{flex:1}
[class*="st-key-rack-card-"] .stButton button,[class*="st-key-rack-card-"] [data-testid="stPopoverButton"]
 {padding-inline:.5rem}
[class*="st-key-asked-Yes"] button,[class*="st-key-asked-Not"] button{min-height:4.6rem!important}
[class*="st-key-asked-Yes"] button p,[class*="st-key-asked-Not"] button p{font-size:1.35rem;font-weight:800}
.tf-rack{display:grid;gap:.3rem;align-content:start}
.tf-rack .top{display:flex;gap:.2rem .7rem;justify-content:space-between;align-items:baseline;flex-wrap:wrap}
.tf-rack .piece{font-size:1.15rem;font-weight:700}
.tf-rack .coat{font-size:.88rem;color:var(--quiet)}
.tf-rack .late{font-weight:700;text-decoration:underline;color:inherit}
.tf-next{display:flex;align-items:center;gap:.6rem;border-radius:6px;padding:.35rem .6rem;border:2px solid var(--line)}
.tf-next .big{font-size:1.32rem;font-weight:800;line-height:1.15}
.tf-next .sure{font-size:.92rem;font-weight:600}
.tf-next.now{background:#0B5F45;border-color:#0B5F45;color:#fff}
.tf-next.spraying{background:#A8431B;border-color:#A8431B;color:#fff}
.tf-mark{display:flex;gap:.45rem;align-items:center;font-weight:700;border-radius:5px;padding:.15rem .5rem;
 font-size:.95rem}
.tf-mark.marginal{background:#F2B632;color:#221A00}
.tf-mark.hold{background:#94192B;color:#fff}
.tf-mark.go{padding-inline:0}
.tf-rack .plain{font-size:.92rem}
.tf-rack .flag{font-weight:650;border-left:6px solid #B4690E;padding:.05rem .5rem;font-size:.92rem}
.tf-rack .tf-caution{font-size:.86rem;padding:.3rem .6rem;border-left-width:8px}
.tf-time{display:grid;gap:.1rem;font-size:.88rem}
.tf-lane .say{display:flex;justify-content:space-between;gap:.5rem;line-height:1.2}
.tf-lane .what{font-weight:700}
.tf-track{position:relative;display:block;height:.95rem;border-bottom:2px solid var(--line)}
.tf-track i,.tf-track b{position:absolute;top:0;bottom:0;display:block}
.tf-track .gone{left:0;background:color-mix(in srgb,currentColor 12%,transparent)}
.tf-track .band{top:.14rem;bottom:.14rem;min-width:4px;border:2px solid currentColor;border-radius:3px;
 background:repeating-linear-gradient(90deg,transparent 0 3px,color-mix(in srgb,currentColor 34%,transparent) 3px 5px)}
.tf-track .half{width:4px;margin-left:-2px;background:currentColor;top:-.06rem;bottom:-.06rem}
.tf-track .able,.tf-track .ending,.tf-track .shut,.tf-track .scuff{top:.14rem;bottom:.14rem}
.tf-track .able{background:#12805E;border-radius:3px}
.tf-track .ending{background:repeating-linear-gradient(135deg,#F2B632 0 4px,#6B4A00 4px 7px);min-width:5px}
.tf-track .scuff{border:2px solid #12805E;border-radius:3px;
 background:repeating-linear-gradient(45deg,transparent 0 4px,#12805E 4px 6px)}
.tf-track .shut{border:2px dashed #C02A41;border-radius:3px}
.tf-track .now{width:3px;margin-left:-1.5px;top:-.1rem;bottom:-.1rem;background:#0072B2}
.tf-time.dark .now{background:#63B8EC}
.tf-axis .tf-track{border:0;height:1.1rem}
.tf-axis b{font-weight:500;font-size:.8rem;white-space:nowrap;transform:translateX(-50%)}
.tf-axis b.nowword{font-weight:750}
.tf-axis b.left{transform:none}
.tf-axis b.right{transform:translateX(-100%)}
.tf-group{display:flex;align-items:baseline;gap:.6rem;font-size:1.25rem;font-weight:750;line-height:1.2}
.tf-group .count{border:2px solid currentColor;border-radius:999px;padding:0 .6rem;font-size:1.05rem}
.tf-group .quiet{font-weight:500}
.tf-rows{border-top:1px solid var(--line)}
.tf-rows a,.tf-rows .r{display:grid;grid-template-columns:minmax(0,1.2fr) minmax(0,1.2fr) minmax(0,1fr);gap:.1rem .8rem;
 padding:.55rem .2rem;min-height:3rem;border-bottom:1px solid var(--line);color:inherit;text-decoration:none;
 align-items:center;box-sizing:border-box}
.tf-rows b{font-weight:700}
"""

_RING: Final = (
    '<circle cx="12" cy="12" r="9.8" fill="none" stroke="{ink}" stroke-width="2.6"/>'
    '<path d="M12 6.4V12l4 2.6" fill="none" stroke="{ink}" stroke-width="2.6"/>'
)
_DROP: Final = '<path d="M12 1.8c4.6 5.7 7 9.2 7 12.6a7 7 0 0 1-14 0c0-3.4 2.4-6.9 7-12.6z" fill="#fff"/>'


def sheet() -> str:
    """The cards' look."""
    return f"<style>{SHEET}</style>"


def group(name: str, count: int, quiet: str = "") -> str:
    """The heading of a group of cards with how many there are."""
    return (
        f'<div class="tf tf-group" role="heading" aria-level="2">{escape(name)}<span class="count">{count}</span>'
        f'<small class="quiet">{tiles._text(quiet)}</small></div>'
    )


def card(
    each: PieceProgress, zone: ZoneInfo, now: datetime, *, place: str = "", schedule: str = "", dark: bool = False
) -> str:
    """One piece: what can be done next, how sure that is, what to mind, and how the rest lies in time.

    ``place`` is where it was moved to, if it was; ``schedule`` what its schedule says, as HTML.
    """
    blocks = [_head(each, zone, now), _next(each, zone, now, dark=dark), schedule]
    last = each.last
    if place:
        blocks.append(f'<div class="plain">Stands in: <b>{tiles._text(place)}</b></div>')
    if last is not None:
        found = rack_words.window(last, zone, now)
        if found is not None:
            blocks.append(mark(*found))
        if last.recoat.state in (cp.CLOSING, cp.CLOSED) and last.recoat.words:
            blocks.append(f'<div class="plain">{tiles._text(last.recoat.words)}</div>')
        blocks += [f'<div class="flag">▲ {tiles._text(text)}</div>' for text in last.flags]
        used = rack_words.pot_life(last, zone, now)
        if used:
            blocks.append(f'<div class="plain">{tiles._text(used)}</div>')
        if not each.spraying:
            blocks.append(_holding(each, last))
            blocks.append(times(last, zone, now, dark=dark))
        if last.coat.mix.material.isocyanate:
            blocks.append(tiles.caution(ISOCYANATE_CAUTION))
    return f'<div class="tf tf-rack" data-piece="{each.piece.id}" data-when="{each.next.when}">{"".join(blocks)}</div>'


def mark(verdict: str, words: str) -> str:
    """The state of a recoat window: shape, words, colour."""
    on_band = verdict != "go"
    return (
        f'<div class="tf-mark {verdict}" data-window="{verdict}">{tiles.shape(verdict, 20, on_band=on_band)}'
        f"<span>{tiles._text(words)}</span></div>"
    )


def times(last: CoatProgress, zone: ZoneInfo, now: datetime, *, dark: bool = False) -> str:
    """The steps still to come, drawn from the coat's end to the far end of the next ones, with now marked.

    A recoat window that closes is a lane of its own. A step too far off for the scale is told in words alone.
    """
    waiting = time_scale.pending(last, now)
    scale = time_scale.of_coat(last, now)
    near = [stage for stage in waiting if stage.ready.p10 is not None and stage.ready.p10 <= scale.end]
    far = [stage for stage in waiting if stage not in near]
    lanes = [_lane(stage, scale, zone, now) for stage in near]
    if last.recoat.closes is not None and last.recoat.state != cp.SCUFF_FIRST:
        lanes.insert(0, _window_lane(last.recoat, scale, zone, now))
    drawn = "".join(lanes) + _axis(scale, zone, now) if lanes else ""
    later = "".join(
        f'<div class="say"><span class="what">▸ {LANES[stage.stage]}</span>'
        f"<span>{tiles._text(rack_words.lane_time(stage.ready, zone, now))}</span></div>"
        for stage in far
    )
    if not drawn and not later:
        return ""
    return (
        f'<div class="tf-time{" dark" if dark else ""}" role="img" '
        f'aria-label="{escape(rack_words.spoken(last, zone, now))}">{drawn}<div class="tf-lane">{later}</div></div>'
    )


def rows(pieces: Sequence[PieceProgress], zone: ZoneInfo, now: datetime) -> str:
    """Pieces that can wait, a line each; a tap brings the piece's card to the top."""
    made = "".join(
        f'<a href="rack?piece={each.piece.id}" target="_self"><b>{escape(each.piece.name)}</b>'
        f"<span>{tiles._text(rack_words.headline(each, zone, now))}</span>"
        f"<small>{tiles._text(rack_words.coat_line(each, zone, now))}</small></a>"
        for each in pieces
    )
    return f'<div class="tf tf-rows">{made}</div>'


def _head(each: PieceProgress, zone: ZoneInfo, now: datetime) -> str:
    due = rack_words.due(each, zone, now)
    late = each.piece.due is not None and each.piece.due < now
    end = f'<span class="coat{" late" if late else ""}">{"▲ " if late else ""}{escape(due)}</span>' if due else ""
    return (
        f'<div class="top"><span class="piece">{escape(each.piece.name)}</span>{end}</div>'
        f'<div class="coat">{tiles._text(rack_words.coat_line(each, zone, now))}</div>'
    )


def _next(each: PieceProgress, zone: ZoneInfo, now: datetime, *, dark: bool) -> str:
    kind = "spraying" if each.spraying else "now" if each.next.when == "now" else "wait"
    if kind == "now":
        shape = tiles.shape("go", 34, on_band=True)
    else:
        ink = "#F1EFE9" if dark else "#1E1D1A"
        shape = _image(_DROP if kind == "spraying" else _RING.format(ink=ink), 34)
    sure = rack_words.certainty(each, now)
    stage = rack_words.stage_of(each.next, each.last)
    half = rack_words.moment(each.next.ready.p50, zone, now) if kind == "wait" and each.next.ready else ""
    more = [
        sure,
        f"about {half}" if half else "",
        rack_words.way(stage) if stage and kind == "wait" and stage.probability < 0.5 else "",
    ]
    said = " · ".join(text for text in more if text)
    below = f'<div class="sure">{tiles._text(said)}</div>' if said else ""
    return (
        f'<div class="tf-next {kind}">{shape}<div><div class="big">'
        f"{tiles._text(rack_words.headline(each, zone, now))}</div>{below}</div></div>"
    )


def _holding(each: PieceProgress, last: CoatProgress) -> str:
    """What holds up the first step that is not there yet."""
    waiting = [stage for stage in last.stages if stage.stage in LANES and stage.limiting]
    own = rack_words.stage_of(each.next, last)
    held = own if own in waiting else waiting[0] if waiting else None
    if held is None:
        return ""
    return f'<div class="plain"><b>{escape(LANES.get(held.stage, ""))}:</b> {tiles._text(held.limiting)}</div>'


def _lane(stage: StageProgress, scale: Scale, zone: ZoneInfo, now: datetime) -> str:
    name = LANES[stage.stage]
    return _drawn(name, name, rack_words.lane_time(stage.ready, zone, now), _band(stage, scale), scale, now)


def _window_lane(recoat: RecoatState, scale: Scale, zone: ZoneInfo, now: datetime) -> str:
    """The recoat window: filled from its median opening, hatched over the time in which it closes, dashed where shut,
    and outlined once it takes a coat again after scuffing."""
    closes = recoat.closes
    if closes is None or closes.p10 is None:
        return _drawn("window", "recoat window", "closes beyond the forecast", "", scale, now)
    said = rack_words.closing(closes, zone, now)
    opens = recoat.opens.p50 if recoat.opens else None
    made = ""
    if opens is not None and opens < min(closes.p10, scale.end):
        made = _span("able", opens, closes.p10, scale)
    shut = closes.p90 or scale.end
    if closes.p10 <= scale.end:
        made += _span("ending", closes.p10, shut, scale)
    again = recoat.reopens.p50 if recoat.reopens else None
    if again is not None and again > shut and scale.covers(shut):
        made += _span("shut", shut, again, scale)
    elif again is None and shut < scale.end:
        made += _span("shut", shut, scale.end, scale)
    if again is not None and max(again, shut) < scale.end:
        made += _span("scuff", max(again, shut), scale.end, scale)
    return _drawn("window", "recoat window", said, made, scale, now)


def _drawn(lane: str, name: str, said: str, inside: str, scale: Scale, now: datetime) -> str:
    here = scale.at(now)
    return (
        f'<div class="tf-lane" data-lane="{lane}"><div class="say"><span class="what">{name}</span>'
        f"<span>{tiles._text(said)}</span></div>"
        f'<span class="tf-track"><i class="gone" style="width:{here:.2f}%"></i>{inside}'
        f'<i class="now" style="left:{here:.2f}%"></i></span></div>'
    )


def _band(stage: StageProgress, scale: Scale) -> str:
    low, half, high = stage.ready.p10, stage.ready.p50, stage.ready.p90
    if low is None:
        return ""
    made = _span("band", low, high or scale.end, scale)
    if half is not None and scale.covers(half):
        made += f'<i class="half" style="left:{scale.at(half):.2f}%"></i>'
    return made


def _span(kind: str, start: datetime, end: datetime, scale: Scale) -> str:
    left = scale.at(start)
    return f'<i class="{kind}" style="left:{left:.2f}%;width:{max(scale.at(end) - left, 0.0):.2f}%"></i>'


def _axis(scale: Scale, zone: ZoneInfo, now: datetime) -> str:
    """Round moments under the lanes, none so near another that they would run together."""
    here = scale.at(now)
    taken, written = [here], ""
    for at, text in time_scale.marks(scale, zone):
        if 5 < at < 95 and all(abs(at - other) > 15 for other in taken):
            taken.append(at)
            written += f'<b style="left:{at:.2f}%">{escape(text)}</b>'
    side = "left" if here < 5 else "right" if here > 95 else ""
    return (
        f'<div class="tf-axis"><span class="tf-track">{written}<b class="nowword {side}" '
        f'style="left:{here:.2f}%">now</b></span></div>'
    )


def _image(body: str, size_px: int) -> str:
    drawing = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24">{body}</svg>'
    encoded = b64encode(drawing.encode()).decode()
    return f'<img src="data:image/svg+xml;base64,{encoded}" width="{size_px}" height="{size_px}" alt="">'
