"""What a piece's schedule promises: coats, checks and hands tick steps, and the next one says what it waits for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from collector.advice import coat_progress as cp
from collector.advice import schedule as asked
from collector.advice.coat_progress import CoatProgress, Moment, PieceProgress, RecoatState, StageProgress
from collector.records import schedule as sc
from collector.records.model import Check, Coat, Material, Mix, Piece

NOW = datetime(2026, 3, 5, 12, 0, tzinfo=UTC)
PIECE = Piece(name="Lap steel 3", id=1)
STEPS = sc.numbered(
    (
        sc.Step(kind="scuff"),
        sc.Step(kind="wipe"),
        sc.Step(kind="coat", role="base", coats=2, wiped_within_min=30, booth=True),
        sc.Step(kind="wait", after_stage="tape_ready"),
        sc.Step(kind="tape", after_stage="tape_ready"),
        sc.Step(kind="crackle", role="crackle", after_stage="dry_to_recoat"),
        sc.Step(kind="coat", role="clear", coats=2, after_stage="dry_to_recoat"),
    )
)


def coat(number: int, role: str, hours_ago: float, **more: Any) -> Coat:
    material = Material(name=f"{role} of the shop", chemistry="solvent_lacquer", role=role)
    ended = NOW - timedelta(hours=hours_ago)
    usual: dict[str, Any] = {"started_at": ended - timedelta(minutes=6), "ended_at": ended}
    return Coat(id=number, piece_id=1, mix=Mix(material=material), booth="booth-1", **{**usual, **more})


def on_rack(last: Coat, *stages: StageProgress, recoat: str = cp.NO_WINDOW) -> PieceProgress:
    made = CoatProgress(coat=last, piece=PIECE, stages=stages, recoat=RecoatState(state=recoat))
    return PieceProgress(piece=PIECE, last=made, steps=())


def stage(name: str, probability: float, confirmed: bool | None = None) -> StageProgress:
    when = Moment(p10=NOW + timedelta(hours=3), p50=NOW + timedelta(hours=5), p90=NOW + timedelta(hours=7))
    return StageProgress(
        stage=name, percent=50, percent_low=40, percent_high=60, ready=when, probability=probability,
        ready_at=when.p90, confirmed=confirmed,
    )  # fmt: skip


def ticked(*numbers: int, hours_ago: float = 0.1, steps: tuple[sc.Step, ...] = STEPS) -> sc.Schedule:
    at = NOW - timedelta(hours=hours_ago)
    made = tuple(replace(step, done_at=at) if step.id in numbers else step for step in steps)
    return sc.Schedule(piece_id=1, template="", steps=made, copied_at=NOW - timedelta(days=9))


def look(schedule: sc.Schedule, *coats: Coat, rack: PieceProgress | None = None, **more: Any) -> asked.Standing:
    checks = more.pop("checks", ())
    return asked.standing(schedule, coats, checks, rack, NOW, ready_probability=0.8, **more)


def states(where: asked.Standing) -> list[str]:
    return [each.state for each in where.steps]


def test_a_piece_begins_with_its_first_step_now():
    where = look(ticked())
    assert (where.doing, where.gate.state, where.left) == ("scuff", "now", 7)


def test_a_coat_ticks_its_step_only_when_all_its_coats_are_on():
    where = look(ticked(1, 2), coat(1, "base", 3), rack=on_rack(coat(1, "base", 3), stage("dry_to_recoat", 0.9)))
    assert where.next is not None
    assert (where.doing, where.next.place) == ("base coat, 2 of 2", 3)
    both = look(ticked(1, 2), coat(1, "base", 3), coat(2, "base", 1))
    assert states(both)[:4] == ["done", "done", "done", "next"]
    assert both.steps[2].done_at == NOW - timedelta(hours=1)


def test_a_deleted_coat_is_a_step_undone():
    assert states(look(ticked(1, 2)))[2] == "next"


def test_steps_before_a_logged_coat_are_passed_over():
    where = look(ticked(), coat(1, "base", 3), coat(2, "base", 1))
    assert states(where)[:3] == ["passed over", "passed over", "done"]


def test_one_coat_more_of_the_same_does_not_skip_what_lies_between():
    steps = (
        sc.Step(kind="coat", role="clear", id=1),
        sc.Step(kind="crackle", role="crackle", id=2),
        sc.Step(kind="coat", role="clear", id=3),
    )
    where = look(ticked(steps=steps), coat(1, "clear", 5), coat(2, "clear", 3))
    assert states(where) == ["done", "next", "to come"]
    assert len(where.steps[0].coats) == 2
    after = look(ticked(steps=steps), coat(1, "clear", 5), coat(2, "crackle", 3), coat(3, "clear", 1))
    assert states(after) == ["done", "done", "done"]
    assert after.gate.state == "finished"


def test_a_coat_of_another_material_than_the_one_settled_does_not_tick():
    steps = (sc.Step(kind="coat", role="clear", material="Another clear", id=1),)
    assert states(look(ticked(steps=steps), coat(1, "clear", 5))) == ["next"]


def test_taping_waits_with_the_interval_of_the_coat_beneath():
    last = coat(2, "base", 1)
    where = look(ticked(1, 2), coat(1, "base", 3), last, rack=on_rack(last, stage("tape_ready", 0.1)))
    assert (where.gate.state, where.gate.words) == ("wait", "wait until ready to tape")
    assert where.gate.ready is not None
    assert where.gate.ready.p10 == NOW + timedelta(hours=3)


def test_a_wait_is_over_by_the_shops_chance_and_the_step_after_it_is_next():
    last = coat(2, "base", 1)
    where = look(ticked(1, 2), coat(1, "base", 3), last, rack=on_rack(last, stage("tape_ready", 0.85)))
    assert (where.doing, where.gate.state) == ("tape", "now")
    assert where.steps[3].by == "forecast"


@pytest.mark.parametrize(("passed", "state"), [(True, "done"), (False, "next")])
def test_a_check_ticks_a_wait_and_a_later_one_takes_it_back(passed: bool, state: str):
    coats = (coat(1, "base", 3), coat(2, "base", 2))
    first = Check(coat_id=2, at=NOW - timedelta(hours=1), stage="tape_ready", method="tape", passed=True)
    second = replace(first, at=NOW - timedelta(minutes=5), passed=passed, id=2)
    where = look(
        ticked(1, 2), *coats, checks=(first, second), rack=on_rack(coats[1], stage("tape_ready", 0.85, passed))
    )
    assert where.steps[3].state == state


def test_a_check_of_the_coat_before_does_not_tick_a_wait():
    coats = (coat(1, "base", 3), coat(2, "base", 1))
    early = Check(coat_id=1, at=NOW - timedelta(hours=2), stage="tape_ready", method="tape", passed=True)
    rack = on_rack(coats[1], stage("tape_ready", 0.1))
    assert look(ticked(1, 2), *coats, checks=(early,), rack=rack).steps[3].state == "next"


def test_a_wipe_too_long_ago_is_to_be_done_again():
    assert look(ticked(1, 2, hours_ago=0.4)).gate.state == "now"
    old = look(ticked(1, 2, hours_ago=0.6))
    assert (old.gate.state, old.gate.words) == ("wipe", "wipe again: the last wipe is older than 30 min")


def test_a_coat_without_a_wipe_asks_for_one():
    assert look(ticked(1, steps=STEPS[:1] + STEPS[2:])).gate.words == "blow off and wipe first"


@pytest.mark.parametrize(("verdict", "state"), [("go", "now"), ("marginal", "now"), ("hold", "hold")])
def test_the_booth_has_a_say_in_a_coat(verdict: str, state: str):
    where = look(ticked(1, 2), booth=lambda material, role: (verdict, f"Air too damp for {role}"))
    assert where.gate.state == state
    assert ("air too damp for base" in where.gate.words) == (state == "hold")


def test_the_booth_is_not_asked_while_the_coat_beneath_holds_it_up():
    last = coat(1, "base", 1)

    def booth(material: str, role: str) -> tuple[str, str]:
        raise AssertionError("asked")

    where = look(ticked(1, 2), last, rack=on_rack(last, stage("dry_to_recoat", 0.2)), booth=booth)
    assert where.gate.words == "wait until ready to recoat"


def test_a_closed_recoat_window_is_waited_out():
    last = coat(1, "base", 1)
    where = look(ticked(1, 2), last, rack=on_rack(last, stage("dry_to_recoat", 0.99), recoat=cp.CLOSED))
    assert (where.gate.state, where.gate.words) == ("wait", "recoat window closed: wait until it opens again")


def test_a_coat_being_sprayed_is_what_goes_on():
    last = coat(1, "base", 0, ended_at=None)
    where = look(ticked(1, 2), last, rack=on_rack(last))
    assert where.gate.state == "spraying"


def test_a_stage_without_a_time_asks_for_a_check():
    last = coat(2, "base", 1)
    where = look(ticked(1, 2), coat(1, "base", 3), last, rack=on_rack(last))
    assert where.doing == "tape"
    assert where.gate.words == "check first that it is ready to tape: its sheet gives no time"
