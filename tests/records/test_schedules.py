"""What the schedules promise: one a piece, its own to edit, every change with a way back, mistakes named."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import create_engine

from collector.errors import Conflict, NotFound, RecordError
from collector.records import schedule as sc
from collector.records.migrations import runner
from collector.records.model import Piece
from collector.records.repository import open_records
from collector.reference import abrasives

NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)


@pytest.fixture
def piece(records):
    return records.add_piece(Piece(name="Lap steel 3"))


@pytest.fixture
def kept(records, piece):
    one = sc.template("Waterborne, satin")
    return records.schedules.copy(sc.Schedule(piece_id=piece.id, template=one.name, steps=one.steps, copied_at=NOW))


@pytest.mark.parametrize("template", sc.templates(), ids=lambda one: one.name)
def test_a_template_ends_in_something_to_do_and_says_where_its_gates_come_from(template):
    assert template.about
    assert all(step.source in ("data sheet", sc.NO_SOURCE) for step in template.steps)
    assert sum(step.coats for step in template.steps if step.kind in sc.COATS) >= 3


def test_every_grit_of_a_template_is_in_the_table():
    grits = [step.grits for template in sc.templates() for step in template.steps if step.grits]
    assert grits
    assert all(abrasives.sequence(each) for each in grits)


def test_a_template_is_found_by_how_it_begins_and_a_wrong_name_lists_them():
    assert sc.template("urethane").name == "Urethane clear, polished"
    with pytest.raises(NotFound, match="expected one of: Solid colour lacquer, high gloss; Crackle"):
        sc.template("oil")


def test_what_went_in_comes_out_equal(records, kept, piece):
    assert records.schedules.of(piece.id) == kept
    assert [step.id for step in kept.steps] == list(range(1, len(kept.steps) + 1))


def test_every_field_of_a_step_survives_the_store(records, kept, piece):
    step = sc.Step(
        kind="coat", role="clear", material="Nitrocellulose lacquer, clear", coats=3, after_stage="dry_to_recoat",
        wiped_within_min=20, booth=True, hands_on_min=12.5, note="thin", source="data sheet", done_at=NOW, done_min=9,
    )  # fmt: skip
    sand = sc.Step(kind="level_sand", grits=("P800", "P1000"))
    records.schedules.edit(kept.id, (step, sand))
    assert records.schedules.of(piece.id).steps == (replace(step, id=1), replace(sand, id=2))


def test_ticks_of_two_hands_at_once_both_stay(records, kept):
    records.schedules.tick(kept.id, 1, NOW, 12)
    ticked = records.schedules.tick(kept.id, 2, NOW + timedelta(minutes=15))
    assert (ticked.step(1).done_at, ticked.step(1).done_min) == (NOW, 12)
    assert ticked.step(2).done_at == NOW + timedelta(minutes=15)
    assert records.schedules.tick(kept.id, 1, None).step(1).done_at is None


def test_a_tick_can_be_undone(records, kept, piece):
    records.schedules.tick(kept.id, 1, NOW)
    records.undo(records.audit("schedule", kept.id, most=1)[0].id)
    assert records.schedules.of(piece.id) == kept


def test_another_template_takes_the_place_of_the_first_and_gives_it_back(records, kept, piece):
    other = sc.template("crackle")
    new = sc.Schedule(piece_id=piece.id, template=other.name, steps=other.steps, copied_at=NOW)
    assert records.schedules.copy(new).template == other.name
    assert len(records.schedules.all()) == 1
    records.undo(records.audit("schedule", kept.id, most=1)[0].id)
    assert records.schedules.of(piece.id) == kept


def test_a_deleted_schedule_comes_back_unless_another_took_its_place(records, kept, piece):
    deleted = records.delete("schedule", kept.id)
    assert records.schedules.of(piece.id) is None
    other = records.schedules.copy(replace(kept, id=0))
    with pytest.raises(Conflict):
        records.undo(deleted.id)
    records.delete("schedule", other.id)
    records.undo(deleted.id)
    assert records.schedules.of(piece.id) == kept


def test_steps_are_added_moved_and_taken_out_with_their_numbers_kept(kept):
    steps = sc.added(kept.steps, sc.Step(kind="tape"), 2)
    assert [step.id for step in steps][:3] == [1, len(kept.steps) + 1, 2]
    assert [step.id for step in sc.moved(steps, 1, 1)][:3] == [len(kept.steps) + 1, 1, 2]
    assert [step.id for step in sc.removed(steps, 1)][:2] == [len(kept.steps) + 1, 2]


def test_the_last_step_stays():
    with pytest.raises(RecordError, match="a schedule needs a step"):
        sc.removed((sc.Step(kind="tape", id=1),), 1)


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"kind": "bake"}, "kind 'bake'; expected one of scuff"),
        ({"kind": "coat"}, "role ''; expected one of sealer"),
        ({"kind": "coat", "role": "clear", "coats": 0}, "coats 0; expected 1 to 20"),
        ({"kind": "crackle", "role": "clear"}, "expected 'crackle'"),
        ({"kind": "wait"}, "after_stage is missing"),
        ({"kind": "tape", "after_stage": "dry"}, "after_stage 'dry'; expected one of set_to_touch"),
        ({"kind": "level_sand"}, "grits is empty"),
        ({"kind": "level_sand", "grits": ("P1000", "P800")}, "P800 after P1000; expected each finer"),
        ({"kind": "tape", "grits": ("P800",)}, "expected them only for level_sand"),
        ({"kind": "tape", "booth": True}, "belong to a coat"),
        ({"kind": "tape", "hands_on_min": -1}, "hands_on_min -1; expected more than 0"),
        ({"kind": "tape", "done_at": datetime(2026, 3, 5)}, "expected an aware time in UTC"),  # noqa: DTZ001
    ],
)
def test_a_wrong_step_is_named(fields, told):
    with pytest.raises(RecordError, match=told):
        sc.Step(**fields)


def test_a_wrong_template_is_named_with_its_step():
    text = '[[schedule]]\nname = "Odd"\n[[schedule.step]]\nkind = "tape"\n[[schedule.step]]\nkind = "wait"\n'
    with pytest.raises(RecordError, match="schedule 'Odd', step 2: after_stage is missing"):
        sc.templates_from(text)


def test_a_schedule_needs_its_piece(records):
    with pytest.raises(NotFound, match="there is no piece 77"):
        records.schedules.copy(sc.Schedule(piece_id=77, template="", steps=(sc.Step(kind="tape"),), copied_at=NOW))


def test_a_store_from_before_schedules_is_brought_up_with_all_it_holds(tmp_path):
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import text

    url = f"sqlite:///{tmp_path / 'old.sqlite'}"
    engine = create_engine(url)
    config = Config()
    config.set_main_option("script_location", str(Path(runner.__file__).parent))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0006")
        columns = "name, name_key, substrate, owner_reference, note"
        connection.execute(text(f"INSERT INTO piece ({columns}) VALUES ('Old shell', 'old shell', 'ply', '', '')"))
    engine.dispose()
    records = open_records(url)
    assert [piece.name for piece in records.pieces()] == ["Old shell"]
    assert records.schedules.all() == {}
    records.close()
