"""What the record store promises: one open coat a piece, nothing overwritten for good, mistakes named."""

import multiprocessing
import sqlite3
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import create_engine

from collector.errors import Conflict, NotFound, RecordError, StoreBusy, StoreError, StoreTooNew
from collector.records.migrations import runner
from collector.records.model import Check, Coat, Mix, Outcome, Piece
from collector.records.repository import open_records
from collector.records.tables import Base

START = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)
LACQUER = "Nitrocellulose lacquer, clear"


@pytest.fixture
def piece(records):
    return records.add_piece(Piece(name="Lap steel 3", substrate="maple", thickness_mm=42))


@pytest.fixture
def mix(records):
    return records.add_mix(Mix(material=records.material(LACQUER), reducer_fraction=0.5, mixed_at=START))


@pytest.fixture
def coat(records, piece, mix):
    records.start_coat(piece.id, mix.id, "booth-1", START, sprayed_by="at the bench")
    return records.end_coat(piece.id, START + timedelta(minutes=6), passes=2, wet_film_low_um=75, wet_film_high_um=100)


def test_what_went_in_comes_out_equal(records, coat):
    assert records.coat(coat.id) == coat
    assert (coat.passes, coat.wet_film_low_um, coat.sprayed_by) == (2, 75, "at the bench")
    assert records.coats() == [coat]


def test_times_come_back_aware_in_utc(records, coat):
    assert records.coat(coat.id).started_at.utcoffset() == timedelta(0)


def test_a_second_coat_on_one_piece_is_refused_by_name(records, piece, mix):
    records.start_coat(piece.id, mix.id, "booth-1", START)
    with pytest.raises(Conflict, match="a coat is open on 'Lap steel 3' already; end it first"):
        records.start_coat(piece.id, mix.id, "booth-1", START)
    assert len(records.open_coats()) == 1


def test_ending_a_coat_that_never_started_is_refused_by_name(records, piece):
    with pytest.raises(Conflict, match="no coat is open on 'Lap steel 3'"):
        records.end_coat(piece.id, START)


def test_a_coat_cannot_end_before_it_started(records, piece, mix):
    records.start_coat(piece.id, mix.id, "booth-1", START)
    with pytest.raises(RecordError, match="is before started_at"):
        records.end_coat(piece.id, START - timedelta(minutes=1))
    assert records.open_coat(piece.id) is not None


def test_two_processes_that_start_a_coat_at_once_leave_one(records, url, piece, mix):
    context = multiprocessing.get_context("spawn")
    barrier, answers = context.Barrier(2), context.Queue()
    racers = [context.Process(target=_race, args=(url, piece.id, mix.id, barrier, answers)) for _ in range(2)]
    for racer in racers:
        racer.start()
    told = sorted(answers.get(timeout=60) for _ in racers)
    for racer in racers:
        racer.join(30)
    answers.close()
    assert told == ["conflict", "started"]
    assert len(records.open_coats()) == 1


def test_two_processes_that_end_a_coat_at_once_end_it_once(records, url, piece, mix):
    records.start_coat(piece.id, mix.id, "booth-1", START)
    context = multiprocessing.get_context("spawn")
    barrier, answers = context.Barrier(2), context.Queue()
    racers = [context.Process(target=_race_to_end, args=(url, piece.id, n, barrier, answers)) for n in (1, 2)]
    for racer in racers:
        racer.start()
    told = dict(answers.get(timeout=60) for _ in racers)
    for racer in racers:
        racer.join(30)
    answers.close()
    assert sorted(told.values()) == ["conflict", "ended"]
    winner = next(passes for passes, answer in told.items() if answer == "ended")
    assert records.coats()[0].passes == winner
    assert [entry.action for entry in records.audit("coat")] == ["end", "start"]


def _race_to_end(url, piece_id, passes, barrier, answers):
    records = open_records(url)
    barrier.wait(60)
    try:
        records.end_coat(piece_id, START + timedelta(minutes=passes), passes=passes)
        answers.put((passes, "ended"))
    except Conflict:
        answers.put((passes, "conflict"))
    records.close()


def test_what_a_change_was_decided_on_cannot_change_meanwhile(records):
    # Eight threads each add a version that is one more than the newest they read; a lost update would leave fewer.
    material = records.material(LACQUER)
    failures = []

    def edit():
        try:
            for _ in range(5):
                records.edit_material(material)
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=edit) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert records.material(LACQUER).version == 41


def test_processes_that_open_a_new_store_at_once_fill_it_once(tmp_path):
    url = f"sqlite:///{tmp_path / 'new.sqlite'}"
    context = multiprocessing.get_context("spawn")
    barrier, answers = context.Barrier(3), context.Queue()
    racers = [context.Process(target=_race_to_open, args=(url, barrier, answers)) for _ in range(3)]
    for racer in racers:
        racer.start()
    told = [answers.get(timeout=60) for _ in racers]
    for racer in racers:
        racer.join(30)
    answers.close()
    assert told == [11, 11, 11]


def _race_to_open(url, barrier, answers):
    barrier.wait(60)
    try:
        records = open_records(url)
        answers.put(len(records.materials()))
        records.close()
    except Exception as error:
        answers.put(repr(error))


def _race(url, piece_id, mix_id, barrier, answers):
    records = open_records(url)
    barrier.wait(60)
    try:
        records.start_coat(piece_id, mix_id, "booth-1", START)
        answers.put("started")
    except Conflict:
        answers.put("conflict")
    records.close()


def test_threads_can_share_the_store(records, piece, coat):
    failures = []

    def look():
        try:
            for _ in range(20):
                assert records.coats(piece_id=piece.id) == [coat]
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []


# Names


@pytest.mark.parametrize("name", ["Lap steel 3", "lap STEEL 3"])
def test_a_name_is_taken_in_any_case(records, piece, name):
    with pytest.raises(Conflict, match="there is a piece"):
        records.add_piece(Piece(name=name))


def test_a_deleted_name_is_free_again_and_the_deletion_then_stands(records, piece):
    deleted = records.delete("piece", piece.id)
    records.add_piece(Piece(name="Lap steel 3"))
    with pytest.raises(Conflict, match="taken since"):
        records.undo(deleted.id)


def test_a_name_not_known_suggests_near_ones(records):
    with pytest.raises(NotFound, match="did you mean 'Nitrocellulose lacquer, clear'"):
        records.material("Nitrocelulose laquer clear")


def test_near_names_are_found_in_any_case(records, piece):
    with pytest.raises(NotFound, match="did you mean 'Lap steel 3'"):
        records.piece("LAP STEAL 3")


@pytest.mark.parametrize("number", [0, -1, 10**30])
def test_a_number_no_record_can_have_is_not_found(records, number):
    with pytest.raises(NotFound, match=f"there is no piece {number}"):
        records.piece(number)
    with pytest.raises(NotFound, match=f"there is no change {number}"):
        records.undo(number)


def test_a_piece_needs_a_name():
    with pytest.raises(RecordError, match="name ''"):
        Piece(name="")


# Versions, undo, audit


def test_a_coat_keeps_the_material_it_was_sprayed_with(records, coat):
    edited = records.edit_material(replace(records.material(LACQUER), solids_volume_fraction=0.25))
    assert edited.version == 2
    assert records.material(LACQUER).solids_volume_fraction == 0.25
    assert records.coat(coat.id).mix.material.solids_volume_fraction == 0.20


def test_an_edit_of_a_material_can_be_undone(records):
    before = records.material(LACQUER)
    records.edit_material(replace(before, name="Renamed lacquer"))
    records.undo(records.audit("material", before.id)[0].id)
    assert records.material(LACQUER) == before


@pytest.mark.parametrize("kind", ["piece", "mix", "coat"])
def test_a_deleted_record_is_gone_and_comes_back_as_it_was(records, piece, mix, coat, kind):
    record = {"piece": piece, "mix": mix, "coat": coat}[kind]
    read = {"piece": records.piece, "mix": records.mix, "coat": records.coat}[kind]
    deleted = records.delete(kind, record.id)
    with pytest.raises(NotFound):
        read(record.id)
    records.undo(deleted.id)
    assert read(record.id) == record


def test_an_edit_can_be_undone_but_not_under_a_later_one(records, coat):
    records.edit_coat(replace(coat, passes=3))
    first = records.audit("coat", coat.id)[0]
    records.edit_coat(replace(coat, passes=4))
    with pytest.raises(Conflict, match="has changed since"):
        records.undo(first.id)
    records.undo(records.audit("coat", coat.id)[0].id)
    assert records.coat(coat.id).passes == 3


def test_undoing_a_coats_end_opens_it_again(records, piece, coat):
    records.undo(records.audit("coat", coat.id)[0].id)
    assert records.open_coat(piece.id).id == coat.id


def test_every_change_is_in_the_audit_with_both_sides(records, coat):
    records.edit_coat(replace(coat, passes=3))
    records.delete("coat", coat.id)
    entries = records.audit("coat", coat.id)
    assert [entry.action for entry in entries] == ["delete", "edit", "end", "start"]
    assert entries[1].before["passes"] == 2
    assert entries[1].after["passes"] == 3


def test_deleting_an_open_coat_lets_the_next_one_start(records, piece, mix):
    opened = records.start_coat(piece.id, mix.id, "booth-1", START)
    deleted = records.delete("coat", opened.id)
    records.start_coat(piece.id, mix.id, "booth-1", START)
    with pytest.raises(Conflict):
        records.undo(deleted.id)


def test_a_piece_being_sprayed_is_not_deleted(records, piece, mix):
    records.start_coat(piece.id, mix.id, "booth-1", START)
    with pytest.raises(Conflict, match="a coat is open on 'Lap steel 3'; end it first"):
        records.delete("piece", piece.id)
    with pytest.raises(Conflict, match="a coat is open on 'Lap steel 3'; end it first"):
        records.undo(records.audit("piece", piece.id)[0].id)
    assert records.pieces() == [piece]


def test_a_coat_does_not_come_back_open_on_a_deleted_piece(records, piece, mix):
    opened = records.start_coat(piece.id, mix.id, "booth-1", START)
    deleted = records.delete("coat", opened.id)
    piece_deleted = records.delete("piece", piece.id)
    with pytest.raises(Conflict, match="'Lap steel 3' is deleted; bring that back first"):
        records.undo(deleted.id)
    records.undo(piece_deleted.id)
    records.undo(deleted.id)
    assert records.open_coat(piece.id) == opened


def test_a_coat_is_corrected_after_its_piece_and_mix_were_deleted(records, piece, mix, coat):
    records.delete("mix", mix.id)
    records.delete("piece", piece.id)
    records.edit_coat(replace(coat, passes=3))
    assert records.coat(coat.id).passes == 3
    assert records.coats() == [records.coat(coat.id)]


def test_a_coat_is_not_moved_to_what_is_not_there(records, coat):
    other = records.add_piece(Piece(name="Cigar box 2"))
    records.delete("piece", other.id)
    with pytest.raises(NotFound, match=f"there is no piece {other.id}"):
        records.edit_coat(replace(coat, piece_id=other.id))
    with pytest.raises(NotFound, match="there is no mix 99"):
        records.edit_coat(replace(coat, mix=replace(coat.mix, id=99)))
    assert records.coat(coat.id) == coat


# Checks, outcomes, spans


def test_checks_and_outcomes_belong_to_their_coat(records, coat):
    check = records.add_check(Check(coat_id=coat.id, at=START, stage="tack_free", method="finger", passed=False))
    outcome = records.add_outcome(Outcome(coat_id=coat.id, seen_at=START, defect="blushing", degree=2))
    assert records.checks(coat.id) == [check]
    assert records.outcomes(coat.id) == [outcome]
    with pytest.raises(NotFound, match="there is no coat 99"):
        records.add_check(replace(check, coat_id=99))


@pytest.mark.parametrize(
    ("made", "told"),
    [
        (lambda: Check(coat_id=1, at=START, stage="dry", method="finger", passed=True), "stage 'dry'"),
        (lambda: Outcome(coat_id=1, seen_at=START, defect="blushing"), "degree is missing"),
        (lambda: Outcome(coat_id=1, seen_at=START, defect="blushing", degree=7), "degree 7; expected 0 to 5"),
        (lambda: Piece(name="x", substrate="oak"), "substrate 'oak'"),
        (lambda: Piece(name=3), "name is 3; expected text"),
        (lambda: Piece(name="x", thickness_mm="42"), "thickness_mm is '42'; expected a number from 0.1 to 500"),
        (lambda: Piece(name="x", thickness_mm=float("nan")), "thickness_mm nan; expected 0.1 to 500"),
        (lambda: Piece(name="x", due=START.replace(tzinfo=None)), "expected an aware time in UTC"),
    ],
)
def test_a_wrong_field_is_named(made, told):
    with pytest.raises(RecordError, match=told):
        made()


def test_the_readings_of_a_coat_are_claimed_from_half_an_hour_before_it(records, coat):
    assert records.coat_spans(timedelta(days=1)) == [
        (START - timedelta(minutes=30), START + timedelta(minutes=6, days=1))
    ]


def test_the_readings_of_a_deleted_coat_stay_claimed_as_it_can_be_brought_back(records, coat):
    spans = records.coat_spans(timedelta(days=1))
    records.delete("coat", coat.id)
    assert records.coat_spans(timedelta(days=1)) == spans


def test_a_coat_nobody_ended_claims_a_day_of_readings(records, piece, mix):
    records.start_coat(piece.id, mix.id, "booth-1", START)
    assert records.coat_spans(timedelta(hours=1)) == [(START - timedelta(minutes=30), START + timedelta(hours=25))]


def test_coats_are_listed_newest_first_and_the_end_of_the_range_is_left_out(records, piece, mix):
    hours = [START + timedelta(hours=n) for n in range(3)]
    first, second, third = (
        records.log_coat(Coat(piece_id=piece.id, mix=mix, booth="b", started_at=at, ended_at=at)) for at in hours
    )
    assert records.coats() == [third, second, first]
    assert records.coats(since=hours[0], until=hours[2]) == [second, first]


# The store itself


def test_models_and_migrations_agree(records, url):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    engine = create_engine(url)
    with engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    engine.dispose()
    assert differences == []


def test_the_head_is_the_newest_migration():
    from pathlib import Path

    scripts = sorted((Path(runner.__file__).parent / "versions").glob("0*.py"))
    assert scripts[-1].name.startswith(runner.HEAD)


def test_a_store_of_a_newer_version_is_refused(records, url, tmp_path):
    with sqlite3.connect(tmp_path / "records.sqlite") as raw:
        raw.execute("UPDATE alembic_version SET version_num = '9999'")
    raw.close()
    with pytest.raises(StoreTooNew, match="is of version 9999; this tackfree knows up to"):
        open_records(url)


def test_a_file_that_is_no_database_is_refused(tmp_path):
    (tmp_path / "records.sqlite").write_bytes(b"not a database, but long enough to look at" * 100)
    with pytest.raises(StoreError, match="cannot be opened"):
        open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")


@pytest.mark.parametrize(
    ("pragma", "value"), [("foreign_keys", 1), ("journal_mode", "wal"), ("synchronous", 2)], ids=lambda part: str(part)
)
def test_references_hold_and_a_commit_is_on_the_disk(records, pragma, value):
    # synchronous 2 is FULL: https://www.sqlite.org/pragma.html#pragma_synchronous (from memory).
    with records._engine.connect() as connection:
        assert connection.exec_driver_sql(f"PRAGMA {pragma}").scalar() == value


@pytest.mark.parametrize("url", ["records.sqlite", "nothing://here", ""])
def test_an_address_that_is_none_is_refused(url):
    with pytest.raises(StoreError, match="expected an SQLAlchemy URL"):
        open_records(url)


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(StoreError, match="cannot be opened"):
        open_records(f"sqlite:///{tmp_path / 'absent' / 'records.sqlite'}")


def test_a_store_that_takes_no_changes_is_read_and_says_so_when_written(records, tmp_path, piece):
    reading = open_records(f"sqlite:///file:{tmp_path / 'records.sqlite'}?mode=ro&uri=true")
    assert reading.pieces() == [piece]
    with pytest.raises(StoreError, match="readonly"):
        reading.add_piece(Piece(name="Cigar box 2"))
    reading.close()


def test_a_store_another_process_writes_to_says_it_is_busy(records, tmp_path):
    impatient = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}?timeout=0.05")
    with sqlite3.connect(tmp_path / "records.sqlite", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusy, match="database is locked"):
            impatient.add_piece(Piece(name="Cigar box 2"))
        assert impatient.pieces() == []
        other.execute("ROLLBACK")
    other.close()
    impatient.add_piece(Piece(name="Cigar box 2"))
    impatient.close()


def test_a_coat_must_have_a_piece_and_a_mix(records, piece, mix):
    with pytest.raises(NotFound, match="there is no piece 77"):
        records.log_coat(Coat(piece_id=77, mix=mix, booth="b", started_at=START))
    with pytest.raises(NotFound, match="there is no mix 77"):
        records.log_coat(Coat(piece_id=piece.id, mix=replace(mix, id=77), booth="b", started_at=START))


def test_a_store_of_the_first_version_is_brought_up_with_all_it_holds(tmp_path):
    from pathlib import Path

    from alembic import command
    from alembic.config import Config
    from sqlalchemy import text

    url = f"sqlite:///{tmp_path / 'old.sqlite'}"
    engine = create_engine(url)
    config = Config()
    config.set_main_option("script_location", str(Path(runner.__file__).parent))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        columns = "name, name_key, substrate, owner_reference, note"
        connection.execute(text(f"INSERT INTO piece ({columns}) VALUES ('Old shell', 'old shell', 'ply', '', '')"))
    engine.dispose()
    records = open_records(url)
    assert [piece.name for piece in records.pieces()] == ["Old shell"]
    assert records.booth_setups() == []
    records.close()
