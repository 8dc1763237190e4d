"""Solvent used beside the coats: kept, listed, deleted and brought back as every other record is."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect, text

from collector.errors import NotFound, RecordError
from collector.records.migrations import runner
from collector.records.model import SolventUse
from collector.records.repository import open_records

NOON = datetime(2026, 3, 5, 12, 0, tzinfo=UTC)


def use(**more):
    return SolventUse(**{"at": NOON, "what": "acetone", "litres": 0.5, **more})


def test_what_went_in_comes_out_equal(records):
    added = records.add_solvent_use(use(voc_g_l=12.5, note="gun cleaned"))
    assert added.id > 0
    assert records.solvent_uses() == [added]
    assert added == use(voc_g_l=12.5, note="gun cleaned", id=added.id)


def test_uses_come_newest_first_and_the_end_of_a_range_is_left_out(records):
    first, second, third = (records.add_solvent_use(use(at=NOON + timedelta(hours=h))) for h in range(3))
    assert records.solvent_uses() == [third, second, first]
    assert records.solvent_uses(since=NOON, until=NOON + timedelta(hours=2)) == [second, first]


def test_a_deleted_use_is_gone_and_comes_back_as_it_was(records):
    added = records.add_solvent_use(use())
    entry = records.delete("solvent_use", added.id)
    assert records.solvent_uses() == []
    with pytest.raises(NotFound, match=f"there is no solvent_use {added.id}"):
        records.delete("solvent_use", added.id)
    records.undo(entry.id)
    assert records.solvent_uses() == [added]
    assert [change.action for change in records.audit("solvent_use", added.id)] == ["undo", "delete", "create"]


def test_adding_one_can_be_undone(records):
    added = records.add_solvent_use(use())
    records.undo(records.audit("solvent_use", added.id)[0].id)
    assert records.solvent_uses() == []


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("litres", 0, "litres 0; expected 0.001 to 1000"),
        ("litres", -0.5, "litres -0.5; expected 0.001 to 1000"),
        ("litres", float("nan"), "litres nan; expected 0.001 to 1000"),
        ("what", "", "what ''; expected 1 to 120 characters"),
        ("voc_g_l", 2000, "voc_g_l 2000; expected 0 to 1500"),
        ("at", datetime(2026, 3, 5, 12, 0), "at 2026-03-05T12:00:00; expected an aware time in UTC"),  # noqa: DTZ001
        ("note", None, "note is None; expected text"),
    ],
)
def test_what_cannot_be_is_refused_with_the_field_and_what_would_be_right(field, value, words):
    with pytest.raises(RecordError) as refused:
        use(**{field: value})
    assert words in str(refused.value)


def test_a_store_of_the_second_version_is_brought_up_with_all_it_holds(tmp_path):
    from alembic import command
    from alembic.config import Config

    url = f"sqlite:///{tmp_path / 'old.sqlite'}"
    engine = create_engine(url)
    config = Config()
    config.set_main_option("script_location", str(Path(runner.__file__).parent))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0002")
        columns = "name, name_key, substrate, owner_reference, note"
        connection.execute(text(f"INSERT INTO piece ({columns}) VALUES ('Old shell', 'old shell', 'ply', '', '')"))
        assert not inspect(connection).has_table("solvent_use")
    engine.dispose()
    records = open_records(url)
    assert [piece.name for piece in records.pieces()] == ["Old shell"]
    added = records.add_solvent_use(use())
    assert records.solvent_uses() == [added]
    records.close()
