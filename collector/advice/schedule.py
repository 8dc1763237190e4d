"""Where a piece stands in its finishing schedule: which steps are done, which is next, and what that waits for.

A step is done when it was ticked by hand, when the coats it asks for are in the log, or when a check says that the
stage it waits for is reached. Nothing of this is stored but the ticks by hand: a coat deleted is a step undone. A step
with a later one done is passed over: it was done and not ticked, or left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from collector.advice.coat_progress import (
    CLOSED,
    SCUFF_FIRST,
    CoatProgress,
    Moment,
    PieceProgress,
    StageProgress,
)
from collector.records.model import STAGES, Check, Coat
from collector.records.schedule import COATS, STEP_KINDS, Schedule, Step

DONE: Final = "done"
PASSED: Final = "passed over"
NEXT: Final = "next"
TO_COME: Final = "to come"

NOW: Final = "now"
WAIT: Final = "wait"
WIPE: Final = "wipe"
HOLD: Final = "hold"
SPRAYING: Final = "spraying"
FINISHED: Final = "finished"

READY_STATES: Final = frozenset({NOW, SPRAYING})

STAGE_WORDS: Final[Mapping[str, str]] = {
    **{stage: words.lower() for stage, words in STAGES.items()},
    "dry_to_recoat": "ready to recoat",
}

BoothVerdict = Callable[[str, str], tuple[str, str]]
"""From a material's name ("" if not settled) and a role to the booth's verdict and its reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepState:
    """One step of a piece's schedule as it stands.

    Attributes
    ----------
    step : Step
    place : int
        In the list, from 1.
    state : str
        ``done``, ``passed over``, ``next`` or ``to come``.
    done_at : datetime or None
    coats : tuple of Coat
        Logged coats it took, the first first; more than it asks for where more went on.
    by : str
        What ticked it: ``hand``, ``coat``, ``check``, ``forecast``, or empty.
    """

    step: Step
    place: int
    state: str
    done_at: datetime | None = None
    coats: tuple[Coat, ...] = ()
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """What the next step waits for.

    Attributes
    ----------
    state : str
        ``now``; ``wait`` for a stage or a window; ``wipe`` again first; ``hold``: the booth; ``spraying``;
        ``finished``: nothing is left to do.
    words : str
        For a person, without a time: "wait until ready to tape".
    ready : Moment or None
        When the stage waited for is reached.
    ready_at : datetime or None
        From when it counts as reached, by the shop's choice of chance.
    probability : float
        That the stage is reached now; 1 where none is asked for.
    """

    state: str
    words: str
    ready: Moment | None = None
    ready_at: datetime | None = None
    probability: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a piece stands in its schedule."""

    schedule: Schedule
    steps: tuple[StepState, ...]
    gate: Gate

    @property
    def next(self) -> StepState | None:
        """The next step; None when all are done."""
        return next((each for each in self.steps if each.state == NEXT), None)

    @property
    def doing(self) -> str:
        """The next step in words: "tape", "clear coat, 2 of 3"."""
        return "" if self.next is None else doing(self.next)

    @property
    def left(self) -> int:
        """Steps still to do."""
        return sum(1 for each in self.steps if each.state in (NEXT, TO_COME))

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready values."""
        gate = self.gate
        return {
            "template": self.schedule.template,
            "next": self.doing or None,
            "gate": gate.state,
            "gate_words": gate.words,
            "ready": gate.ready.to_dict() if gate.ready else None,
            "ready_at": gate.ready_at.isoformat(timespec="minutes") if gate.ready_at else None,
            "probability": gate.probability,
            "steps": [
                {
                    "step": each.place,
                    "kind": each.step.kind,
                    "words": each.step.words,
                    "state": each.state,
                    "done_at": each.done_at.isoformat(timespec="minutes") if each.done_at else None,
                    "ticked_by": each.by or None,
                    "coats": [coat.id for coat in each.coats],
                    "note": each.step.note,
                    "source": each.step.source,
                }
                for each in self.steps
            ],
        }


def standing(
    schedule: Schedule,
    coats: Sequence[Coat],
    checks: Sequence[Check],
    progress: PieceProgress | None,
    now: datetime,
    *,
    ready_probability: float,
    booth: BoothVerdict | None = None,
) -> Standing:
    """Where a piece stands in its schedule, and what its next step waits for.

    Parameters
    ----------
    coats : sequence of Coat
        The piece's, in any order.
    checks : sequence of Check
        Of those coats; others are left alone.
    progress : PieceProgress or None
        The piece on the rack, None where nothing is known of its drying.
    ready_probability : float
        From which a stage counts as reached.
    booth : callable, optional
        Asked only if the next step is a coat and nothing else holds it up.
    """
    steps = _ticked(schedule, sorted(coats, key=lambda one: (one.started_at, one.id)), checks)
    last = None if progress is None else progress.last
    while True:
        at = _first_open(steps)
        if at is None:
            return Standing(schedule=schedule, steps=tuple(steps), gate=Gate(state=FINISHED, words="all steps done"))
        state = steps[at]
        steps[at] = _with(state, state=NEXT)
        gate = _gate(steps, at, last, now, ready_probability, booth)
        if state.step.kind != "wait" or gate.state != NOW:
            return Standing(schedule=schedule, steps=tuple(steps), gate=gate)
        steps[at] = _with(state, state=DONE, by="forecast")


def doing(state: StepState) -> str:
    """A step in words, told which of its coats it is at."""
    step = state.step
    if step.kind in COATS and step.coats > 1:
        at = min(sum(1 for coat in state.coats if coat.ended_at is not None) + 1, step.coats)
        return f"{step.words.split(', ')[0] if not step.material else step.material}, {at} of {step.coats}"
    return step.words


def _ticked(schedule: Schedule, coats: Sequence[Coat], checks: Sequence[Check]) -> list[StepState]:
    taken = _coats_of(schedule.steps, coats)
    found: list[StepState] = []
    for i, step in enumerate(schedule.steps):
        own = tuple(taken.get(i, ()))
        ended = [coat.ended_at for coat in own if coat.ended_at is not None]
        done_at, by = step.done_at, "hand" if step.done_at is not None else ""
        if done_at is None and step.kind in COATS and len(ended) >= step.coats:
            done_at, by = ended[step.coats - 1], "coat"
        if done_at is None and step.kind == "wait":
            beneath = [coat for j in range(i) for coat in taken.get(j, ())]
            done_at = _confirmed(step.after_stage, beneath[-1] if beneath else None, checks)
            by = "check" if done_at is not None else ""
        state = DONE if done_at is not None else TO_COME
        found.append(StepState(step=step, place=i + 1, state=state, done_at=done_at, coats=own, by=by))
    last = max((i for i, each in enumerate(found) if each.state == DONE or each.coats), default=-1)
    for i in range(last):
        if found[i].state == TO_COME:
            found[i] = _with(found[i], state=PASSED)
    return found


def _coats_of(steps: Sequence[Step], coats: Sequence[Coat]) -> dict[int, list[Coat]]:
    """Which coats each step took: each coat goes to the next step that asks for what it is.

    A coat of what the step before it was of is one more of that, not the first of a step beyond others unbegun.
    """
    found: dict[int, list[Coat]] = {}
    at = -1
    for coat in coats:
        if at >= 0 and _is_of(coat, steps[at]) and len(found[at]) < steps[at].coats:
            found[at].append(coat)
            continue
        ahead = [i for i in range(at + 1, len(steps)) if steps[i].kind in COATS and steps[i].done_at is None]
        fits = next((i for i in ahead if _is_of(coat, steps[i])), None)
        more = at >= 0 and _is_of(coat, steps[at]) and fits is not None and ahead[0] != fits
        if fits is None or more:
            if at >= 0 and _is_of(coat, steps[at]):
                found[at].append(coat)
            continue
        at = fits
        found[at] = [coat]
    return found


def _is_of(coat: Coat, step: Step) -> bool:
    material = coat.mix.material
    if step.material:
        return material.name.casefold() == step.material.casefold()
    return material.role == step.role


def _confirmed(stage: str, coat: Coat | None, checks: Sequence[Check]) -> datetime | None:
    """When a check said that a coat had reached a stage, unless a later one said otherwise."""
    if coat is None:
        return None
    own = [check for check in checks if check.coat_id == coat.id and check.stage == stage]
    last = max(own, key=lambda check: (check.at, check.id), default=None)
    return last.at if last is not None and last.passed else None


def _first_open(steps: Sequence[StepState]) -> int | None:
    return next((i for i, each in enumerate(steps) if each.state == TO_COME), None)


def _gate(
    steps: Sequence[StepState],
    at: int,
    last: CoatProgress | None,
    now: datetime,
    ready_probability: float,
    booth: BoothVerdict | None,
) -> Gate:
    step, own = steps[at].step, steps[at].coats
    if last is not None and last.coat.ended_at is None:
        return Gate(state=SPRAYING, words="being sprayed")
    stage = step.after_stage
    if own and step.kind in COATS:
        stage = "dry_to_recoat"  # between the coats of one step
    waits = _stage_gate(stage, step, last, now, ready_probability) if stage else None
    if waits is not None and waits.state != NOW:
        return waits
    if step.kind not in COATS:
        return waits or Gate(state=NOW, words="now")
    if step.wiped_within_min is not None:
        clean = _clean_since(steps, at)
        if clean is None:
            return Gate(state=WIPE, words="blow off and wipe first")
        minutes = (now - clean) / timedelta(minutes=1)
        if minutes > step.wiped_within_min:
            return Gate(state=WIPE, words=f"wipe again: the last wipe is older than {step.wiped_within_min:g} min")
    if step.booth and booth is not None:
        verdict, reason = booth(step.material, step.role)
        if verdict not in ("go", "marginal"):
            return Gate(state=HOLD, words=f"booth: {verdict}, {reason[:1].lower()}{reason[1:]}")
    if last is not None and last.recoat.state == SCUFF_FIRST and not _scuffed_since(steps, at, last.coat):
        return Gate(state=NOW, words="now, after scuffing")
    return waits or Gate(state=NOW, words="now")


def _stage_gate(stage: str, step: Step, last: CoatProgress | None, now: datetime, asked: float) -> Gate:
    words = f"wait until {STAGE_WORDS[stage]}"
    if last is None:
        return Gate(state=WAIT, words=f"{words}: no coat is logged beneath it", probability=0.0)
    found = last.stage(stage)
    if stage == "dry_to_recoat" and last.recoat.state == CLOSED:
        again = last.recoat.reopens
        return Gate(
            state=WAIT, words="recoat window closed: wait until it opens again", ready=again,
            ready_at=again.p90 if again else None, probability=0.0,
        )  # fmt: skip
    if found is None:
        # The sheet gives no time: the finisher's own check is all there is.
        return Gate(state=NOW, words=f"check first that it is {STAGE_WORDS[stage]}: its sheet gives no time")
    if found.confirmed is True or (found.confirmed is None and found.probability >= asked):
        return Gate(state=NOW, words="now", ready=found.ready, ready_at=found.ready_at, probability=found.probability)
    if found.confirmed is False and found.probability >= asked and (found.ready_at is None or found.ready_at <= now):
        words = f"{words}: your last check said not yet"
    return _waiting(words, found)


def _waiting(words: str, found: StageProgress) -> Gate:
    return Gate(state=WAIT, words=words, ready=found.ready, ready_at=found.ready_at, probability=found.probability)


def _clean_since(steps: Sequence[StepState], at: int) -> datetime | None:
    """When the surface was last known to be clean: wiped, or just laid."""
    wiped = [each.done_at for each in steps[: at + 1] if each.step.kind == "wipe" and each.done_at is not None]
    laid = [coat.ended_at for each in steps[: at + 1] for coat in each.coats if coat.ended_at is not None]
    return max([*wiped, *laid], default=None)


def _scuffed_since(steps: Sequence[StepState], at: int, coat: Coat) -> bool:
    laid = coat.ended_at or coat.started_at
    return any(
        each.step.kind in ("scuff", "level_sand") and each.done_at is not None and each.done_at >= laid
        for each in steps[:at]
    )


def _with(each: StepState, *, state: str, by: str | None = None) -> StepState:
    return StepState(
        step=each.step, place=each.place, state=state, done_at=each.done_at, coats=each.coats,
        by=each.by if by is None else by,
    )  # fmt: skip


def kind_word(step: Step) -> str:
    """The word a button says for a step: "Tape done"."""
    return f"{STEP_KINDS[step.kind]} done"
