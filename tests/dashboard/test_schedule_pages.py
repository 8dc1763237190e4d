"""Schedules on the pages, over real stores: a card says the next step and ticks it; a template is copied, edited."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from collector.advice import schedule as standing
from collector.advice.coat_progress import Moment
from collector.advice.finish import Finish, PieceSchedule
from collector.advice.schedule import Gate, Standing, StepState
from collector.records.schedule import Schedule, Step, template
from dashboard import data, schedule_parts
from tests.dashboard.test_pages import html, opened, said

SHELL, STEEL = 1, 2
NOW = datetime(2026, 11, 25, 12, 30, tzinfo=UTC)


def follow(piece_id: int, name: str = "Waterborne, satin") -> Schedule:
    chosen = template(name)
    made = Schedule(piece_id=piece_id, template=chosen.name, steps=chosen.steps, copied_at=data.now())
    return data.records().schedules.copy(made)


def states(piece_id: int) -> list[str]:
    data.changed()
    return [each.state for each in data.schedules()[piece_id].standing.steps]


def test_a_card_ticks_the_next_step_in_one_tap_and_takes_it_back(shop: Path) -> None:
    follow(STEEL)
    test = opened("views/rack.py")
    assert said(test) == []
    assert "Next in its schedule: <b>scuff: now</b>" in html(test)
    test.button(key=f"tick-{STEEL}").click().run()
    assert states(STEEL)[:2] == ["done", "next"]
    assert "blow off and wipe: now" in html(test)
    test.button(key="undo-button").click().run()
    assert states(STEEL)[0] == "next"


def test_a_card_without_a_schedule_says_nothing_of_one(shop: Path) -> None:
    test = opened("views/rack.py")
    assert "in its schedule" not in html(test)


def test_a_template_is_copied_from_the_coats_page(shop: Path) -> None:
    test = opened("views/coats.py")
    test.selectbox(key="schedule-of").set_value(STEEL).run()
    test.radio(key=f"coats-{STEEL}-chosen").set_value("Crackle over contrasting base")
    _submit(test, "Copy it to the piece")
    assert said(test) == []
    held = data.records().schedules.of(STEEL)
    assert held is not None
    assert held.template == "Crackle over contrasting base"


def test_steps_are_moved_taken_out_and_added(shop: Path) -> None:
    held = follow(STEEL)
    test = opened("views/coats.py")
    test.selectbox(key="schedule-of").set_value(STEEL).run()
    key = f"coats-{STEEL}"
    test.button(key=f"{key}-Down").click().run()
    assert [step.kind for step in _steps()][:2] == ["wipe", "scuff"]
    test.button(key=f"{key}-out").click().run()
    assert len(_steps()) == len(held.steps) - 1
    test.selectbox(key=f"{key}-kind").set_value("level_sand").run()
    test.text_input(key=f"{key}-grits").set_value("800, 1000")
    _submit(test, "Add the step")
    assert said(test) == []
    assert _steps()[-1].grits == ("P800", "P1000")


def test_a_grit_that_is_none_is_told_and_nothing_is_added(shop: Path) -> None:
    held = follow(STEEL)
    test = opened("views/coats.py")
    test.selectbox(key="schedule-of").set_value(STEEL).run()
    test.selectbox(key=f"coats-{STEEL}-kind").set_value("level_sand").run()
    test.text_input(key=f"coats-{STEEL}-grits").set_value("P810")
    _submit(test, "Add the step")
    assert any("P810" in text for text in said(test))
    assert _steps() == held.steps


def _steps() -> tuple[Step, ...]:
    held = data.records().schedules.of(STEEL)
    assert held is not None
    return held.steps


def _submit(test: AppTest, label: str) -> None:
    next(button for button in test.button if button.label == label).click().run()


def made(gate: Gate, step: Step, **finish: object) -> PieceSchedule:
    schedule = Schedule(piece_id=1, template="", steps=(step,), copied_at=NOW)
    when = Moment(p10=NOW + timedelta(hours=70), p50=NOW + timedelta(hours=100), p90=NOW + timedelta(hours=150))
    state = StepState(step=step, place=1, state=standing.NEXT)
    return PieceSchedule(
        standing=Standing(schedule=schedule, steps=(state,), gate=gate),
        finish=Finish(when=when, **finish),  # type: ignore[arg-type]
    )


TAPE = Step(kind="tape", after_stage="tape_ready", id=1)
WAITING = Gate(
    state=standing.WAIT, words="wait until ready to tape",
    ready=Moment(p10=NOW + timedelta(hours=2), p50=NOW + timedelta(hours=4), p90=NOW + timedelta(hours=6)),
)  # fmt: skip


def test_the_next_step_says_what_it_waits_for_and_from_when_to_when() -> None:
    told = schedule_parts.next_words(made(WAITING, TAPE), data.ZoneInfo("UTC"), NOW)
    assert told == "tape: wait until ready to tape, today 14:30 – 18:30"


@pytest.mark.parametrize(
    ("chance", "verdict", "warned"),
    [(0.93, "in time", ""), (0.6, "at risk", "May be late. Longest: waiting"), (0.2, "late", "Likely late. Longest: ")],
)
def test_the_due_date_has_its_chance_and_a_warning_with_what_takes_longest(
    chance: float, verdict: str, warned: str
) -> None:
    found = made(
        WAITING, TAPE, due=NOW + timedelta(days=5), chance=chance, verdict=verdict,
        bottleneck="waiting until ready to level-sand", bottleneck_h=170.0,
    )  # fmt: skip
    told = schedule_parts.finish_words(found, data.ZoneInfo("UTC"), NOW)
    assert told.endswith(f"; due Mon: {100 * chance:.0f} % chance")
    assert schedule_parts.late_words(found).startswith(warned)
    assert bool(schedule_parts.late_words(found)) == bool(warned)


def test_what_a_person_typed_stands_on_the_card_as_text() -> None:
    step = Step(kind="coat", role="clear", material="<b>Clear</b>", id=1)
    body = schedule_parts.card(made(Gate(state=standing.NOW, words="now"), step), data.ZoneInfo("UTC"), NOW)
    assert "<b>Clear</b>" not in body
    assert "&lt;b&gt;Clear" in body
