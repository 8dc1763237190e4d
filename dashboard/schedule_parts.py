"""A piece's schedule on the screen: its next step with what that waits for, its finish, its list of steps."""

from __future__ import annotations

from datetime import datetime
from html import escape
from typing import Final
from zoneinfo import ZoneInfo

from collector.advice import schedule as standing
from collector.advice.finish import AT_RISK, LATE, PieceSchedule
from collector.advice.schedule import StepState
from collector.records.schedule import COATS, Step
from dashboard import rack_words, tiles

MARKS: Final = {standing.DONE: "✓", standing.PASSED: "–", standing.NEXT: "▶", standing.TO_COME: "○"}

SHEET: Final = """
.tf-step{border-left:6px solid currentColor;padding:.1rem .55rem;font-size:.95rem}
.tf-step b{font-weight:750}
.tf-step .late{font-weight:700}
.tf-steps{display:grid;grid-template-columns:1.6rem 1fr;gap:.2rem .3rem;font-size:.95rem}
.tf-steps .done{color:var(--quiet)}
.tf-steps .next{font-weight:750}
"""


def card(found: PieceSchedule | None, zone: ZoneInfo, now: datetime) -> str:
    """What a Rack card says of a piece's schedule; empty without one."""
    if found is None:
        return ""
    late = late_words(found)
    head = "Next in its schedule" if found.standing.next is not None else "Its schedule"
    warned = f'<div class="late">▲ {tiles._text(late)}</div>' if late else ""
    return (
        f"<style>{SHEET}</style>"
        f'<div class="tf-step" data-gate="{escape(found.standing.gate.state)}">'
        f"<div>{head}: <b>{tiles._text(next_words(found, zone, now))}</b></div>"
        f"<div>{tiles._text(finish_words(found, zone, now))}</div>{warned}</div>"
    )


def next_words(found: PieceSchedule, zone: ZoneInfo, now: datetime) -> str:
    """The next step and what it waits for: "tape: wait until ready to tape, today 15:00 – 19:00"."""
    where, gate = found.standing, found.standing.gate
    if gate.state == standing.FINISHED:
        return "all steps done"
    waits = gate.state == standing.WAIT and gate.ready is not None
    when = f", {rack_words.interval(gate.ready, zone, now)}" if waits and gate.ready is not None else ""
    if where.next is not None and where.next.step.kind == "wait":
        return f"{gate.words}{when}"
    return f"{where.doing}: {gate.words}{when}"


def finish_words(found: PieceSchedule, zone: ZoneInfo, now: datetime) -> str:
    """When the piece is finished and how likely that is by then: "Finish: Mon 2 – Thu 5 Mar; due Fri: 80 %"."""
    finish = found.finish
    if found.standing.next is None:
        return ""
    said = f"Finish: {rack_words.interval(finish.when, zone, now)}"
    if finish.due is None or finish.chance is None:
        return said
    if finish.due < now:
        return f"{said}; was due {rack_words.day(finish.due, zone, now)}"
    return f"{said}; due {rack_words.day(finish.due, zone, now)}: {rack_words.percent(finish.chance)} chance"


def late_words(found: PieceSchedule) -> str:
    """A warning where the due date is in danger, with what takes longest; empty otherwise."""
    finish = found.finish
    if found.standing.next is None or finish.verdict not in (AT_RISK, LATE):
        return ""
    verdict = "Likely late" if finish.verdict == LATE else "May be late"
    return f"{verdict}. Longest: {finish.bottleneck}, about {_length(finish.bottleneck_h)}."


def steps(found: PieceSchedule, zone: ZoneInfo, now: datetime) -> str:
    """The list of steps: mark, what, and when it was done or what it waits for."""
    rows = "".join(
        f'<span aria-hidden="true">{MARKS[each.state]}</span><span class="{escape(each.state.split()[0])}">'
        f"{each.place}. {tiles._text(step_words(each, zone, now))}</span>"
        for each in found.standing.steps
    )
    return f'<style>{SHEET}</style><div class="tf tf-steps">{rows}</div>'


def step_words(each: StepState, zone: ZoneInfo, now: datetime) -> str:
    """A step with its state or its gate."""
    words = each.step.words
    if each.state == standing.DONE:
        if each.done_at is None:
            return f"{words}: reached, by the forecast"
        return f"{words}: done {rack_words.day(each.done_at, zone, now)} {each.done_at.astimezone(zone):%H:%M}"
    if each.state == standing.PASSED:
        return f"{words}: passed over"
    waits = gate_of(each.step)
    return f"{words} ({waits})" if waits else words


def gate_of(step: Step) -> str:
    """What a step waits for, and where that comes from."""
    told = []
    if step.after_stage and step.kind != "wait":
        told.append(f"when {standing.STAGE_WORDS[step.after_stage]}")
    if step.wiped_within_min is not None:
        told.append(f"wiped within {step.wiped_within_min:g} min")
    if step.booth:
        told.append("booth within the limits")
    return f"{', '.join(told)}; {step.source}" if told else ""


def tickable(found: PieceSchedule) -> Step | None:
    """The step a tap on the card may tick: the next by hand, or the wipe that is to be done again."""
    where = found.standing
    if where.next is None:
        return None
    if where.gate.state == standing.WIPE:
        wipes = [each.step for each in where.steps[: where.next.place] if each.step.kind == "wipe"]
        return wipes[-1] if wipes else None
    by_hand = where.next.step.kind not in (*COATS, "wait")
    return where.next.step if by_hand and where.gate.state == standing.NOW else None


def _length(h: float) -> str:
    return f"{h:.0f} h" if h < 48 else f"{h / 24:.0f} days"
