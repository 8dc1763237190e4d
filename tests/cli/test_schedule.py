"""`tackfree schedule` over real stores: copying, ticking, editing, and what mistakes are told."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from collector.records.model import Coat, Mix, Piece
from collector.records.repository import open_records
from tests.cli.test_commands import run

NAME = "Lap steel 3"


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    records.add_piece(Piece(name=NAME, due=datetime.now(UTC).replace(microsecond=0) + timedelta(days=60)))
    yield records
    records.close()


def shown():
    return json.loads(run("schedule", "show", NAME, "--json").output)


def test_a_piece_copies_a_template_and_its_first_step_is_next(shop):
    assert "7 steps" in run("schedule", "copy", "waterborne", NAME).output
    told = shown()
    assert (told["template"], told["next"], told["gate"]) == ("Waterborne, satin", "scuff", "now")
    assert told["finish"]["verdict"] == "in time"
    assert told["finish"]["when"]["p10"] < told["finish"]["when"]["p50"] < told["finish"]["when"]["p90"]


def test_steps_are_ticked_by_hand_and_by_a_coat(shop):
    run("schedule", "copy", "waterborne", NAME)
    assert "scuff: done" in run("schedule", "done", NAME, "1", "--minutes", "15").output
    run("schedule", "done", NAME, "2")
    assert (shown()["next"], shown()["gate"]) == ("clear coat", "now")
    waterborne = next(m for m in shop.materials() if m.chemistry == "waterborne" and m.role == "clear")
    now = datetime.now(UTC)
    piece = shop.piece(NAME)
    mix = shop.add_mix(Mix(material=waterborne))
    coat = Coat(
        piece_id=piece.id, mix=mix, booth="booth-1", started_at=now - timedelta(minutes=9),
        ended_at=now - timedelta(minutes=2),
    )  # fmt: skip
    shop.log_coat(coat)
    told = shown()
    assert [step["state"] for step in told["steps"][:4]] == ["done", "done", "done", "next"]
    assert (told["next"], told["gate"], told["gate_words"]) == ("scuff", "wait", "wait until ready to recoat")
    assert "not done" in run("schedule", "done", NAME, "1", "--not").output


def test_steps_are_added_moved_and_taken_out(shop):
    run("schedule", "copy", "waterborne", NAME)
    run("schedule", "add", NAME, "level_sand", "--grits", "1000,P1500", "--after-stage", "sand_ready")
    assert shown()["steps"][-1]["words"] == "level-sand P1000, P1500"
    assert "is step 7 now" in run("schedule", "move", NAME, "8", "--by", "-1").output
    assert "taken out" in run("schedule", "remove", NAME, "7").output
    assert len(shown()["steps"]) == 7


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("show", NAME), "follows no schedule; copy a template to it first"),
        (("copy", "oil", NAME), "there is no template 'oil'; expected one of"),
        (("copy", "waterborne", "Lap steal 3"), "did you mean 'Lap steel 3'"),
    ],
)
def test_a_mistake_is_told_in_a_line(shop, arguments, told):
    answer = run("schedule", *arguments)
    assert answer.exit_code == 1
    assert told in answer.output


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("done", NAME, "9"), "there is no step 9; expected 1 to 7"),
        (("add", NAME, "coat"), "role ''; expected one of sealer"),
        (("add", NAME, "level_sand", "--grits", "P810"), "grit 'P810' is not in the table"),
    ],
)
def test_a_wrong_step_is_told_in_a_line(shop, arguments, told):
    run("schedule", "copy", "waterborne", NAME)
    answer = run("schedule", *arguments)
    assert answer.exit_code == 1
    assert told in answer.output
    assert len(shown()["steps"]) == 7


def test_every_template_is_listed_with_what_its_steps_wait_for(shop):
    told = run("schedule", "templates").output
    assert "Crackle over contrasting base" in told
    assert "[tape ready; data sheet]" in told
