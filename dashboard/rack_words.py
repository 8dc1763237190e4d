"""What the Rack and Week pages say: moments with their intervals, chances, windows, and what is meant by a filter."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import CoatProgress, Moment, NextStep, PieceProgress, StageProgress
from collector.advice.display import duration
from collector.records.model import STAGES, Check, Coat

GROUPS: Final[Mapping[str, str]] = {"now": "Now", "today": "Today", "tomorrow": "Tomorrow", "later": "Later"}

DOING: Final[Mapping[str, str]] = {
    "recoat": "Recoat",
    "tape": "Tape",
    "level-sand": "Level-sand",
    "buff": "Buff",
    "end coat": "Being sprayed",
    "start": "First coat",
    "check": "Check by hand",
}

TAKES: Final[Mapping[str, frozenset[str]]] = {
    "sealer": frozenset({"", "sealer"}),
    "base": frozenset({"", "sealer", "base"}),
    "colour": frozenset({"", "sealer", "base", "colour"}),
    "crackle": frozenset({"base", "colour"}),
    "clear": frozenset({"", "sealer", "base", "colour", "crackle", "clear"}),
}
"""What a coat of a role goes onto, "" being bare: the order of a finish, common practice, no source. It does not know
whether two products get on with each other."""

USUAL_METHOD: Final[Mapping[str, str]] = {
    "set_to_touch": "finger",
    "dust_free": "cotton",
    "tack_free": "finger",
    "dry_to_recoat": "thumb",
    "tape_ready": "tape",
    "print_free": "cloth",
    "dry_hard": "thumb",
    "dry_through": "thumb",
    "sand_ready": "powder",
    "buff_ready": "nail",
}
"""How a stage is tried where nobody says otherwise; common practice, no source."""

ORDER: Final = tuple(cp.STEPS.values())

SURE: Final = 0.95
"""From this probability a step is called almost certain."""

ASKED_FOR: Final[Mapping[str, str]] = {
    **STAGES,
    "dry_to_recoat": "Recoat",
    "tape_ready": "Tape",
    "sand_ready": "Level-sand",
    "buff_ready": "Buff",
}
"""Stages as a check offers them, short enough for three in a card."""

MIDDLE: Final = "8 times in 10"


def headline(each: PieceProgress, zone: ZoneInfo, now: datetime) -> str:
    """The next step with its time, as large as the card allows: "Recoat now", "Tape today 15:00 – 19:00"."""
    step = each.next
    if each.spraying:
        return "Being sprayed"
    if step.word == "end coat":
        return "Never ended: put it right"
    ready = ready_now(each)
    if ready:
        done = [_doing(one, each.last) for one in ready]
        # Of several, the trade's word for one is shortened so that all stand on one line.
        words = done[0] if len(done) == 1 else f"{', '.join(done[:-1])} or {done[-1]}".replace("Level-sand", "sand")
        return words if step.word == "check" else f"{words[:1].upper()}{words[1:].lower()} now"
    if step.ready is None:
        return f"{DOING.get(step.word, step.word)}: time not known"
    return f"{DOING.get(step.word, step.word)} {interval(step.ready, zone, now)}"


def certainty(each: PieceProgress, now: datetime) -> str:
    """How likely the steps that can be done now are to be possible, or how likely the next one already is."""
    if each.spraying:
        last = each.last
        return "" if last is None else f"for {duration((now - last.coat.started_at).total_seconds())}"
    ready = [step for step in ready_now(each) if step.word in ORDER]
    if len(ready) > 1:
        least = min(ready, key=lambda step: step.probability)
        if least.probability >= SURE:
            share = percent(least.probability)
            return f"each {likely(least.probability)}, {share}{'' if share.startswith('over') else ' or more'}"
        return f"{least.word} {chance(least, each.last)}; the other{'s' if len(ready) > 2 else ''} surer"
    step = ready[0] if ready else each.next
    return chance(step, each.last) if step.word in ORDER else ""


def ready_now(each: PieceProgress) -> list[NextStep]:
    """Steps that can be done now, in the order in which a finish takes them."""
    return sorted(
        (step for step in each.steps if step.when == "now"),
        key=lambda step: ORDER.index(step.word) if step.word in ORDER else -1,
    )


def chance(step: NextStep, last: CoatProgress | None) -> str:
    """A step's probability in a word and a number; a check's answer outweighs it."""
    stage = stage_of(step, last)
    if stage is not None and stage.confirmed is not None and stage.confirmed == (step.when == "now"):
        return "checked: yes" if stage.confirmed else f"checked: not yet, {percent(step.probability)}"
    return f"{likely(step.probability)}, {percent(step.probability)}"


def likely(probability: float) -> str:
    """A word for a probability."""
    if probability >= SURE:
        return "almost certain"
    if probability >= 0.8:
        return "likely"
    if probability >= 0.6:
        return "probable"
    if probability >= 0.4:
        return "even chance"
    return "unlikely yet" if probability >= 0.05 else "not yet"


def percent(share: float) -> str:
    """A probability as a whole percentage that never claims certainty."""
    if share > 0.99:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def way(stage: StageProgress) -> str:
    """How far a stage has come, with its interval."""
    low, middle, high = (min(value, 100.0) for value in (stage.percent_low, stage.percent, stage.percent_high))
    return f"{middle:.0f} % of the way ({low:.0f} to {high:.0f} %)"


def stage_of(step: NextStep, last: CoatProgress | None) -> StageProgress | None:
    """The stage behind a step."""
    if last is None:
        return None
    return next((last.stage(name) for name, word in cp.STEPS.items() if word == step.word), None)


def coat_line(each: PieceProgress, zone: ZoneInfo, now: datetime) -> str:
    """The last coat: of what, and when."""
    last = each.last
    if last is None:
        return "No coat yet"
    coat = last.coat
    when = coat.ended_at or coat.started_at
    told = f"{coat.mix.material.name}, {day(when, zone, now)} {when.astimezone(zone):%H:%M}"
    return told if each.spraying else f"{told}, {duration((now - when).total_seconds())}\u00a0ago"


def due(each: PieceProgress, zone: ZoneInfo, now: datetime) -> str:
    """When the piece is due, and whether that is past."""
    at = each.piece.due
    if at is None:
        return ""
    return f"due {day(at, zone, now)}" if at >= now else f"was due {day(at, zone, now)}"


def sentence_of_due(each: PieceProgress, zone: ZoneInfo, now: datetime) -> str:
    """When the piece is due, for those who do not see the flag."""
    told = due(each, zone, now)
    return f"{told[:1].upper()}{told[1:]}." if told else ""


def window(last: CoatProgress, zone: ZoneInfo, now: datetime) -> tuple[str, str] | None:
    """A recoat window that wants to be seen: verdict and words; None while there is nothing to see to."""
    state, closes = last.recoat.state, last.recoat.closes
    if state == cp.CLOSING:
        return "marginal", f"Recoat window closing{_left(closes, now)}"
    if state == cp.CLOSED:
        again = last.recoat.reopens
        opens = "" if again is None or again.p50 is None else f", opens again {interval(again, zone, now)}"
        return "hold", f"Recoat window closed{opens}"
    if state == cp.SCUFF_FIRST:
        return "marginal", last.recoat.words or "Scuff before recoating"
    if state == cp.OPEN and closes is not None and closes.p50 is not None:
        return "go", f"Recoat window open, closes {interval(closes, zone, now)}"
    return None


def closing(closes: Moment, zone: ZoneInfo, now: datetime) -> str:
    """When a window closes, or since when it is closed."""
    done = closes.p90 is not None and closes.p90 <= now
    return f"{'closed' if done else 'closes'} {lane_time(closes, zone, now)}"


def _left(closes: Moment | None, now: datetime) -> str:
    if closes is None or closes.p50 is None:
        return ""
    middle = f" in {short(closes.p50 - now)}"
    if closes.p10 is None or closes.p90 is None:
        return middle
    return f"{middle} ({short(closes.p10 - now)} to {short(closes.p90 - now)})"


def short(length: timedelta) -> str:
    """A length of time to the precision a forecast has; nothing is negative here."""
    minutes = max(0.0, length.total_seconds() / 60)
    if minutes < 90:
        return f"{minutes:.0f} min"
    hours = minutes / 60
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} d"


def interval(moment: Moment, zone: ZoneInfo, now: datetime) -> str:
    """From P10 to P90 in shop time, rounded outward: "today 15:00 – 19:00", "Thu 26 – Mon 30 Nov"."""
    low, high = moment.p10, moment.p90
    if low is None:
        return "after the forecast ends"
    if high is None:
        return f"from {day(low, zone, now)} {low.astimezone(zone):%H:%M} on"
    if high <= now:
        return f"since {_past(high, zone, now)}"
    if high - max(low, now) >= timedelta(hours=60):
        end = _date(high, zone)
        return f"by {end}" if low <= now else f"{_date(low, zone, with_month=False)} – {end}"
    step = timedelta(minutes=5 if high - low < timedelta(hours=2) else 30)
    if low <= now:
        end = _up(high, step)
        return f"by {day(end, zone, now)} {end.astimezone(zone):%H:%M}"
    start, end = _down(low, step), _up(high, step)
    first, last = day(start, zone, now), day(end, zone, now)
    tail = f"{end.astimezone(zone):%H:%M}"
    return f"{first} {start.astimezone(zone):%H:%M} – {tail if first == last else f'{last} {tail}'}"


def lane_time(moment: Moment, zone: ZoneInfo, now: datetime) -> str:
    """An interval as short as a lane allows."""
    if moment.p10 is not None and moment.p90 is None:
        return f"from {_date(moment.p10, zone)} on"
    text = interval(moment, zone, now)
    return text.replace("tomorrow", f"{now.astimezone(zone) + timedelta(days=1):%a}")


def moment(at: datetime | None, zone: ZoneInfo, now: datetime) -> str:
    """A forecast moment, as finely as it is known; empty for one that is past or not known."""
    if at is None or at <= now:
        return ""
    far = at - now > timedelta(hours=60)
    at = at if far else _up(at, timedelta(minutes=5))
    return _date(at, zone) if far else f"{day(at, zone, now)} {at.astimezone(zone):%H:%M}"


def pot_life(last: CoatProgress, zone: ZoneInfo, now: datetime) -> str:
    """How long the mix can still be sprayed."""
    found = last.pot_life
    if found is None:
        return ""
    return f"Pot life {percent(found.share_used)} used, ends {interval(found.ends, zone, now)}"


def day(moment: datetime, zone: ZoneInfo, now: datetime) -> str:
    """A day as a person names it."""
    there, today = moment.astimezone(zone).date(), now.astimezone(zone).date()
    named = {0: "today", 1: "tomorrow", -1: "yesterday"}.get((there - today).days)
    if named:
        return named
    return f"{there:%a}" if 0 < (there - today).days < 6 else f"{there:%a} {there.day} {there:%b}"


def to_ask(last: CoatProgress, decision: float) -> list[str]:
    """Stages a check may ask about, nearest to being decided first; steps to take before any other.

    ``decision`` is the probability from which the shop takes a stage as reached.
    """
    open_stages = [stage for stage in last.stages if stage.confirmed is not True]

    def order(stage: StageProgress) -> tuple[bool, float]:
        return stage.stage not in cp.STEPS or stage.probability < 0.1, abs(stage.probability - decision)

    return [stage.stage for stage in sorted(open_stages or last.stages, key=order)] or ["tack_free"]


def can_wait(each: PieceProgress) -> bool:
    """Whether nothing is lost by seeing to other pieces first; a window about to close cannot wait."""
    return each.last is None or each.last.recoat.state != cp.CLOSING


def takes_now(each: PieceProgress, role: str) -> bool:
    """Whether a piece's next coat may go on now and be of a role."""
    if each.spraying:
        return False
    if each.last is None:
        return "" in TAKES[role]
    if not any(step.word == "recoat" and step.when == "now" for step in each.steps):
        return False
    return each.last.coat.mix.material.role in TAKES[role]


def quick_check(coat: Coat, stage: str, passed: bool, at: datetime) -> Check:
    """A check as two taps log it: tried the usual way."""
    return Check(coat_id=coat.id, at=at, stage=stage, method=USUAL_METHOD[stage], passed=passed)


def spoken(last: CoatProgress, zone: ZoneInfo, now: datetime) -> str:
    """What the time scale shows, for those who do not see it."""
    told = []
    for stage in last.stages:
        if stage.stage in cp.STEPS:
            middle = moment(stage.ready.p50, zone, now)
            half = f", as likely as not by {middle}" if middle else ""
            told.append(
                f"{STAGES[stage.stage]}: {percent(stage.probability)} now; {interval(stage.ready, zone, now)}{half}"
            )
    found = window(last, zone, now)
    return ". ".join([*told, *([found[1]] if found else [])]) + "."


def _doing(step: NextStep, last: CoatProgress | None) -> str:
    if step.word == "recoat" and last is not None and last.recoat.state == cp.SCUFF_FIRST:
        return "Scuff & recoat"
    return DOING.get(step.word, step.word)


def _past(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    if now - at >= timedelta(hours=60):
        return _date(at, zone)
    at = _down(at, timedelta(minutes=5))
    return f"{day(at, zone, now)} {at.astimezone(zone):%H:%M}"


def _date(moment: datetime, zone: ZoneInfo, *, with_month: bool = True) -> str:
    there = moment.astimezone(zone)
    return f"{there:%a} {there.day}{f' {there:%b}' if with_month else ''}"


def _down(moment: datetime, step: timedelta) -> datetime:
    size = step.total_seconds()
    return datetime.fromtimestamp(moment.timestamp() // size * size, UTC)


def _up(moment: datetime, step: timedelta) -> datetime:
    size = step.total_seconds()
    return datetime.fromtimestamp(-(-moment.timestamp() // size) * size, UTC)
