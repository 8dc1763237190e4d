"""When a piece will be finished: its remaining steps played through many times, and what takes longest.

Each time through, a step begins when the one before is done and the coat beneath is ready, and then when somebody gets
round to it in the shop's hours. A coat on the rack is ready when the rack says; of a coat yet to be sprayed the stage
times are those learned, stretched as the shop's coats on the rack are by where they stand, and
longer again where young coats lie beneath it, for those are one film with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from collector.advice.coat_progress import CoatProgress, Moment, Rack
from collector.advice.coats_to_come import Shelf
from collector.advice.schedule import (
    DONE,
    STAGE_WORDS,
    BoothVerdict,
    Standing,
    StepState,
    doing,
    standing,
)
from collector.advice.shop_learning import ShopLearning
from collector.advice.step_times import Logged, Reals, ShopClock, StepTimes, shop_hours
from collector.records.model import Coat, Material
from collector.records.repository import Records
from collector.records.schedule import COATS
from collector.settings import Settings

DRAWS: Final = 1000
SEED: Final = 1
"""Every look draws the same numbers, so that a date moves only when the log does."""

HORIZON: Final = timedelta(days=400)
NORMAL_P90: Final = 1.2816

LATE: Final = "late"
AT_RISK: Final = "at risk"
IN_TIME: Final = "in time"
_HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """When the last step will be done.

    Attributes
    ----------
    when : Moment
    due : datetime or None
    chance : float or None
        Of being done by then; None without a due date.
    verdict : str
        ``in time``, ``at risk``, ``late``, or empty without a due date.
    bottleneck : str
        The step that takes longest, with what it is waiting for; empty where nothing is left.
    bottleneck_h : float
        Its median length. [h]
    logged : int
        Steps of this shop's log that the times rest on.
    """

    when: Moment
    due: datetime | None = None
    chance: float | None = None
    verdict: str = ""
    bottleneck: str = ""
    bottleneck_h: float = 0.0
    logged: int = 0

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready values."""
        return {
            "when": self.when.to_dict(),
            "due": self.due.isoformat(timespec="minutes") if self.due else None,
            "chance_in_time": self.chance,
            "verdict": self.verdict or None,
            "bottleneck": self.bottleneck or None,
            "bottleneck_h": round(self.bottleneck_h, 1),
            "steps_logged": self.logged,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceSchedule:
    """A piece's schedule as it stands, with its finish."""

    standing: Standing
    finish: Finish


def shop_schedules(
    records: Records, rack: Rack, learning: ShopLearning, settings: Settings, booth: BoothVerdict | None = None
) -> dict[int, PieceSchedule]:
    """Every piece in hand that follows a schedule, by piece.

    Parameters
    ----------
    rack, learning
        Of the same moment, as :func:`collector.advice.progress.rack` and
        :func:`collector.advice.shop_learning.shop_learning` give them.
    booth : callable, optional
        See :func:`collector.advice.schedule.standing`.
    """
    schedules = records.schedules.all()
    if not schedules:
        return {}
    now, coats = rack.at, [coat for coat in records.coats() if coat.started_at <= rack.at]
    checks = [check for check in records.checks() if check.at <= now]
    of_piece: dict[int, list[Coat]] = {}
    for coat in coats:
        of_piece.setdefault(coat.piece_id, []).append(coat)
    on_rack = {each.piece.id: each for each in rack.pieces}
    asked = settings.rack.ready_probability_pct / 100.0
    found: dict[int, Standing] = {}
    for number, schedule in schedules.items():
        own = of_piece.get(number, [])
        ids = {coat.id for coat in own}
        held = [check for check in checks if check.coat_id in ids]
        asking = booth if number in on_rack else None
        found[number] = standing(
            schedule, own, held, on_rack.get(number), now, ready_probability=asked, booth=asking
        )  # fmt: skip
    shelf = Shelf(coats, records.materials(), learning, rack, settings)
    clock = _clock(coats, found.values(), now, settings.shop.zone)
    times = StepTimes(logged=tuple(logged(found.values(), shelf, clock)))
    return {
        number: PieceSchedule(
            standing=found[number],
            finish=finish(found[number], each.last, each.piece.due, times, clock, shelf, now, asked),
        )
        for number, each in on_rack.items()
        if number in found
    }


def logged(found: Iterable[Standing], shelf: Shelf, clock: ShopClock) -> list[Logged]:
    """What schedules followed so far tell of the time steps take.

    When the coat beneath was ready is no longer on the rack; it is taken as its end and the usual time to the stage.
    """
    made: list[Logged] = []
    middle = np.zeros(1)
    for each in found:
        beneath: Coat | None = None
        before: datetime | None = None
        for state in each.steps:
            step = state.step
            for coat in state.coats:
                if coat.ended_at is not None and coat.ended_at > coat.started_at:
                    made.append(Logged(kind=step.kind, hands_on_h=(coat.ended_at - coat.started_at) / _HOUR))
            if state.by == "hand" and state.step.done_min is not None:
                made.append(Logged(kind=step.kind, hands_on_h=state.step.done_min / 60.0))
            begun = _begun(state)
            if begun is not None and before is not None and begun >= before and step.kind != "wait":
                able = before
                if step.after_stage and beneath is not None and beneath.ended_at is not None:
                    h = float(shelf.stage_h(beneath.mix.material, step.after_stage, middle)[0])
                    able = max(able, beneath.ended_at + timedelta(hours=h))
                made.append(Logged(kind=step.kind, getting_round_h=clock.between_h(able, begun)))
            before = state.done_at if state.state == DONE else None
            ended = [coat for coat in state.coats if coat.ended_at is not None]
            beneath = ended[-1] if ended else beneath
    return made


def finish(
    where: Standing,
    last: CoatProgress | None,
    due: datetime | None,
    times: StepTimes,
    clock: ShopClock,
    shelf: Shelf,
    now: datetime,
    asked: float,
) -> Finish:
    """Play the steps left through.

    Parameters
    ----------
    asked : float
        Chance from which the shop calls a piece in time.
    """
    rng = np.random.default_rng(SEED)
    zero = clock.hours_since_start(now)
    t: Reals = np.full(DRAWS, zero)
    of_coat = rng.standard_normal(DRAWS)  # how slow a coat is: the same for its stages
    laid: Reals | None = None
    stack = [clock.hours_since_start(each) for each in shelf.laid_on(where.schedule.piece_id)]
    material: Material | None = None if last is None else last.coat.mix.material
    longest, longest_words = 0.0, ""
    for state in where.steps:
        if state.state not in ("next", "to come"):
            continue
        step = state.step
        done = sum(1 for coat in state.coats if coat.ended_at is not None)
        for nth in range(done, step.coats):
            begun = t
            stage = "dry_to_recoat" if step.kind in COATS and nth else step.after_stage
            ready = t if not stage else _ready(stage, last, laid, material, shelf, of_coat, zero, now, asked, stack)
            waiting = np.maximum(ready - t, 0.0)
            t = np.maximum(t, ready)
            if step.kind != "wait":
                t = clock.after(t, times.getting_round(step.kind).draws(rng.standard_normal(DRAWS)))
                t = clock.after(t, times.hands_on(step).draws(rng.standard_normal(DRAWS)))
            took, waited = float(np.median(t - begun)), float(np.median(waiting))
            if took > longest:
                longest, longest_words = took, _words(state, stage, waited > took / 2.0)
            if step.kind in COATS:
                laid, of_coat = t, rng.standard_normal(DRAWS)
                stack.append(float(np.median(t)))
                material = shelf.material(step.material, step.role, where.schedule.piece_id)
    p10, p50, p90 = (now + timedelta(hours=float(h) - zero) for h in np.quantile(t, [0.1, 0.5, 0.9]))
    chance = None if due is None else float(np.mean(t <= clock.hours_since_start(due)))
    verdict = "" if chance is None else IN_TIME if chance >= asked else AT_RISK if chance >= 0.5 else LATE
    return Finish(
        when=Moment(p10=p10, p50=p50, p90=p90), due=due, chance=chance, verdict=verdict,
        bottleneck=longest_words, bottleneck_h=longest, logged=len(times.logged),
    )  # fmt: skip


def _ready(
    stage: str,
    last: CoatProgress | None,
    laid: Reals | None,
    material: Material | None,
    shelf: Shelf,
    slow: Reals,
    zero: float,
    now: datetime,
    asked: float,
    stack: Sequence[float],
) -> Reals:
    """When the coat beneath is at a stage, in the clock's hours."""
    if laid is not None:
        return laid + shelf.stage_h(material, stage, slow, [stack[-1] - at for at in stack[:-1]])
    if last is None:
        return np.full(slow.shape, zero)
    known = last.stage(stage)
    if known is not None and (known.confirmed is True or known.probability >= asked):
        return np.full(slow.shape, zero)
    when = None if known is None else known.ready
    if when is None or when.p50 is None:
        ended = ((last.coat.ended_at or now) - now) / _HOUR
        return np.asarray(zero + ended + shelf.stage_h(material, stage, slow))
    middle = (when.p50 - now) / _HOUR
    low = middle if when.p10 is None else (when.p10 - now) / _HOUR
    # Where the forecast ends before the ninth in ten, the slow side is taken as wide as the quick one and half again.
    high = middle + 1.5 * (middle - low) if when.p90 is None else (when.p90 - now) / _HOUR
    return np.asarray(zero + middle + slow * np.where(slow < 0, middle - low, high - middle) / NORMAL_P90)


def _words(state: StepState, stage: str, waits: bool) -> str:
    if waits and stage:
        what = f" before {doing(state)}" if state.step.kind != "wait" else ""
        return f"waiting until {STAGE_WORDS[stage]}{what}"
    return f"getting round to {doing(state)}"


def _begun(state: StepState) -> datetime | None:
    if state.coats:
        return state.coats[0].started_at
    if state.done_at is None:
        return None
    return state.done_at - timedelta(minutes=state.step.done_min or 0.0)


def _clock(coats: Sequence[Coat], found: Iterable[Standing], now: datetime, zone: ZoneInfo) -> ShopClock:
    first = min([coat.started_at for coat in coats], default=now)
    ticks = [step.done_at for each in found for step in each.schedule.steps if step.done_at is not None]
    days, hours = shop_hours(coats, zone)
    return ShopClock(min([first, now, *ticks]), now + HORIZON, zone, days, hours)
