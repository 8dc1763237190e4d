"""How far every piece in hand has come, and what can be done to it next: the rack.

For each piece its last coat; for each stage a couple of hundred draws of the stage's time and activation energy as the
shop's checks left them, of how its drivers answer to their surroundings, and of the days ahead. What is told of a stage
are the shares of draws in which it is reached.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Final

from collector.advice import forecast, heating_plan
from collector.advice.coat_curves import Curves
from collector.advice.coat_group import Group, Member, Shared
from collector.advice.coat_history import HOUR_MS, Log, Path, Place, path_of, read_log
from collector.advice.coat_progress import (
    CLOSED,
    NO_WINDOW,
    SCUFF_FIRST,
    STEPS,
    CoatProgress,
    NextStep,
    PieceProgress,
    Rack,
    StageProgress,
)
from collector.advice.shop_learning import learned_from
from collector.advice.surroundings import Days, surroundings
from collector.readings.base import ReadingStore
from collector.records.model import Check, Coat, Piece, PiecePlace
from collector.records.repository import Records
from collector.settings import Settings

NEVER_ENDED: Final = timedelta(hours=4)
"""A coat open for longer than this was not ended, rather than is being sprayed."""

WHEN: Final = ("now", "today", "tomorrow", "later")


def rack(readings: ReadingStore, records: Records, settings: Settings, now_ms: int, plan: str | None = None) -> Rack:
    """Every piece in hand, what can be done soonest first.

    Parameters
    ----------
    readings, records
        The shop's stores.
    now_ms : int
        The moment asked about. [ms since 1970, UTC]
    plan : str, optional
        A heating plan, such as ``22 °C from 18:00; off at 22:00``; see :mod:`collector.advice.heating_plan`.

    Raises
    ------
    RecordError
        If the plan cannot be read.
    """
    at = datetime.fromtimestamp(now_ms / 1000, UTC)
    zone, us = settings.shop.zone, settings.shop.units == "us"
    heating = heating_plan.parse(plan or "", at, zone, us=us)
    pieces = records.pieces()
    coats = [coat for coat in records.coats() if coat.started_at <= at]
    checks = [check for check in records.checks() if check.at <= at]
    places = [place for place in records.places() if place.at <= at]
    logs: dict[Place, Log] = {}
    shop_place: Place = (settings.shop.booth, "")
    in_hand = {piece.id: piece for piece in pieces}
    of_piece: dict[int, list[Coat]] = {}
    for coat in reversed(coats):
        if coat.piece_id in in_hand:
            of_piece.setdefault(coat.piece_id, []).append(coat)
    moves = _by_piece(places)
    paths = {piece: path_of(stack, moves.get(piece, [])) for piece, stack in of_piece.items()}
    members = _members(of_piece, checks)
    first_ms = min((member.first_ms for member in members), default=now_ms)
    for place in {shop_place, *(leg.place for path in paths.values() for leg in path if leg.booth)}:
        logs[place] = read_log(readings, place, first_ms, now_ms)
    learning = learned_from(checks, coats, places, readings, settings, now_ms, logs=logs)
    starts = heating_plan.starts_h(heating, now_ms)
    ahead = forecast.ahead_h(*starts, *(starts + 0.5), *(starts + 2.0))
    hours = forecast.local_hours((now_ms + ahead * HOUR_MS).astype("int64"), zone)
    days = Days(at_h=ahead, hours=hours, plan=heating, now_ms=now_ms)
    outlooks = {place: forecast.outlook(log, zone) for place, log in logs.items()}
    shared = Shared(learning=learning, settings=settings, now_ms=now_ms, at=at, pieces=in_hand)
    found: dict[int, CoatProgress] = {}
    by_path: dict[Path, list[Member]] = {}
    for member in members:
        by_path.setdefault(paths[member.coat.piece_id], []).append(member)
    for path, on_path in by_path.items():
        around = surroundings(path, logs, outlooks, min(member.first_ms for member in on_path), days)
        groups: dict[tuple[int, int], list[Member]] = {}
        for member in on_path:
            material = member.coat.mix.material
            groups.setdefault((material.id, material.version), []).append(member)
        curves = Curves(around)
        for together in groups.values():
            for made in Group(shared, curves, together).progress():
                found[made.coat.piece_id] = made
    listed = [_piece_progress(piece, found.get(piece.id), at, settings) for piece in pieces]
    words = outlooks[shop_place].words
    if heating:
        words = f"{words} The heating plan goes before it."
    return Rack(at=at, pieces=tuple(sorted(listed, key=_order)), forecast=words)


def _members(of_piece: Mapping[int, Sequence[Coat]], checks: Sequence[Check]) -> list[Member]:
    of_coat: dict[int, list[Check]] = {}
    for check in checks:
        of_coat.setdefault(check.coat_id, []).append(check)
    return [
        Member(coat=stack[-1], beneath=tuple(stack[:-1]), checks=tuple(of_coat.get(stack[-1].id, ())))
        for stack in of_piece.values()
    ]


def _by_piece(places: Sequence[PiecePlace]) -> dict[int, list[PiecePlace]]:
    found: dict[int, list[PiecePlace]] = {}
    for place in places:
        found.setdefault(place.piece_id, []).append(place)
    return found


def _piece_progress(piece: Piece, last: CoatProgress | None, at: datetime, settings: Settings) -> PieceProgress:
    if last is None:
        return PieceProgress(piece=piece, last=None, steps=(NextStep(word="start", when="now", probability=1.0),))
    end = NextStep(word="end coat", when="now", probability=1.0, ready_at=at)
    if last.coat.ended_at is None and at - last.coat.started_at <= NEVER_ENDED:
        return PieceProgress(piece=piece, last=last, steps=(end,), spraying=True)
    steps = [_step(stage, last, at, settings) for stage in last.stages if stage.stage in STEPS]
    if not steps:
        steps = [NextStep(word="check", when="now", probability=1.0, ready_at=at)]
    steps.sort(key=_soonest)
    return PieceProgress(piece=piece, last=last, steps=(end, *steps) if last.coat.ended_at is None else tuple(steps))


def _step(stage: StageProgress, last: CoatProgress, at: datetime, settings: Settings) -> NextStep:
    ready, probability, ready_at = stage.ready, stage.probability, stage.ready_at
    recoat = last.recoat
    if stage.stage == "dry_to_recoat" and recoat.opens is not None:
        if recoat.state == CLOSED:
            again = recoat.reopens
            step = NextStep(word=STEPS[stage.stage], when="later", ready=again, ready_at=again.p90 if again else None)
            return replace(step, when=_when(0.0, step.ready_at, at, settings))
        elif recoat.state not in (NO_WINDOW, SCUFF_FIRST):
            ready = recoat.opens
    when = _when(probability, ready_at, at, settings)
    return NextStep(word=STEPS[stage.stage], when=when, ready=ready, probability=probability, ready_at=ready_at)


def _when(probability: float, ready_at: datetime | None, at: datetime, settings: Settings) -> str:
    if probability * 100.0 >= settings.rack.ready_probability_pct:
        return "now"
    if ready_at is None:
        return "later"
    days = (_day(ready_at, settings) - _day(at, settings)).days
    return WHEN[min(days + 1, 3)] if days > 0 else "today"


def _day(moment: datetime, settings: Settings) -> date:
    return moment.astimezone(settings.shop.zone).date()


def _soonest(step: NextStep) -> tuple[int, float]:
    late = float("inf") if step.ready_at is None else step.ready_at.timestamp()
    return WHEN.index(step.when), late


def _order(each: PieceProgress) -> tuple[int, float, str]:
    return (*_soonest(each.next), each.piece.name)
