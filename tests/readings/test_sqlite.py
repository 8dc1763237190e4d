"""What the SQLite file of the reading store does when something is wrong with it, and what a reading costs."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing

import pytest

from collector.errors import StoreBusy, StoreError, StoreTooNew
from collector.readings import schema
from collector.readings import sqlite as module
from collector.readings.base import Batch, Series
from collector.readings.sqlite import SqliteReadingStore
from tests.readings.filling import AIR, DAY, T0, letter, node_state, pack, put


@pytest.fixture
def file(tmp_path):
    return tmp_path / "readings.sqlite"


def test_what_was_written_is_there_after_opening_again(file):
    with closing(SqliteReadingStore(file)) as store:
        put(store, pack({T0: 20.5}, seq=1, oldest_seq=1))
    with closing(SqliteReadingStore(file)) as store:
        assert store.samples(AIR, T0, T0 + 1).value.tolist() == [20.5]
        assert put(store, pack({T0 + 1: 20.5}, seq=2, oldest_seq=1)) == {("booth-1", "air-1"): 2}


def test_a_file_of_a_newer_version_is_left_alone_and_says_what_to_do(file):
    SqliteReadingStore(file).close()
    with closing(sqlite3.connect(file)) as database:
        database.execute("PRAGMA user_version = 9999")
    with pytest.raises(StoreTooNew, match=r"is of version 9999; this tackfree knows up to 1\. Update tackfree"):
        SqliteReadingStore(file)


def test_a_file_that_is_no_database_is_refused_by_name(file):
    file.write_text("wet film 120 um\n" * 100)
    with pytest.raises(StoreError, match=r"readings\.sqlite cannot be used: file is not a database"):
        SqliteReadingStore(file)
    assert file.read_text().startswith("wet film")


def test_another_programs_database_is_refused_and_not_written(file):
    with closing(sqlite3.connect(file)) as database:
        database.execute("CREATE TABLE invoice (id)")
    with pytest.raises(StoreError, match="another program's database"):
        SqliteReadingStore(file)
    with closing(sqlite3.connect(file)) as database:
        assert database.execute("SELECT name FROM sqlite_master").fetchall() == [("invoice",)]


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(
        StoreError, match=r"nowhere.readings\.sqlite cannot be opened or written .* rights of its folder"
    ):
        SqliteReadingStore(tmp_path / "nowhere" / "readings.sqlite")


def test_a_folder_that_may_not_be_written_is_named(tmp_path):
    """As a user without rights of its own, since root may write everywhere."""
    folder = tmp_path / "shut"
    folder.mkdir()
    folder.chmod(0o555)
    script = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from collector.readings.sqlite import SqliteReadingStore\n"
        "if os.getuid() == 0: os.setuid(65534)\n"
        "SqliteReadingStore(Path(sys.argv[1]))\n"
    )
    # The folders above belong to the user who tests, and the other one has to get through them.
    above = [tmp_path, *(parent for parent in tmp_path.parents if parent.name.startswith("pytest-"))]
    modes = [path.stat().st_mode for path in above]
    for path, mode in zip(above, modes, strict=True):
        path.chmod(mode | 0o055)
    try:
        result = subprocess.run(
            [sys.executable, "-c", script, str(folder / "readings.sqlite")], capture_output=True, text=True, timeout=60
        )
    finally:
        for path, mode in zip(above, modes, strict=True):
            path.chmod(mode)
    assert "StoreError: reading store" in result.stderr
    assert "check the rights of its folder" in result.stderr


def test_reading_only_needs_a_file_that_is_there(file):
    with pytest.raises(StoreError, match="does not exist"):
        SqliteReadingStore(file, read_only=True)
    assert not file.exists()


def test_reading_only_of_an_unfinished_file_says_what_brings_it_up_to_date(file):
    file.touch()
    with pytest.raises(StoreError, match="is of version 0; `tackfree serve` brings it up to date"):
        SqliteReadingStore(file, read_only=True)


def test_a_reader_sees_commits_of_the_writer_and_cannot_write(file):
    with (
        closing(SqliteReadingStore(file)) as writer,
        closing(SqliteReadingStore(file, read_only=True)) as reader,
    ):
        put(writer, pack({T0: 20.5}))
        assert reader.samples(AIR, T0, T0 + 1).value.tolist() == [20.5]
        with pytest.raises(StoreError, match="readonly"):
            put(reader, pack({T0 + 1: 1}))


def test_two_processes_may_make_the_same_file_at_once(file):
    script = (
        "import sys, pathlib\n"
        "from collector.readings.sqlite import SqliteReadingStore\n"
        "SqliteReadingStore(pathlib.Path(sys.argv[1])).close()\n"
    )
    children = [subprocess.Popen([sys.executable, "-c", script, str(file)]) for _ in range(4)]
    assert [child.wait(60) for child in children] == [0] * 4


def test_a_file_held_by_another_process_is_busy_and_takes_the_batch_later(file, monkeypatch):
    monkeypatch.setattr(module, "BUSY_TIMEOUT_MS", 50)
    with closing(SqliteReadingStore(file)) as store:
        with closing(sqlite3.connect(file, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreBusy, match="takes no writes now: database is locked"):
                put(store, pack({T0: 1}, seq=1, oldest_seq=1))
            other.execute("ROLLBACK")
        assert put(store, pack({T0: 1}, seq=1, oldest_seq=1)) == {("booth-1", "air-1"): 1}


def test_a_full_disk_is_busy_leaves_nothing_half_written_and_takes_the_batch_later(file):
    with closing(SqliteReadingStore(file)) as store:
        put(store, pack({T0: 1}, seq=1, oldest_seq=1))
        # SQLite's own limit gives the same error, SQLITE_FULL, as the file system does.
        store._db.execute("PRAGMA max_page_count = 30")
        much = pack({T0 + 1 + i: 1 for i in range(20_000)}, seq=2, oldest_seq=1)
        with pytest.raises(StoreBusy, match="database or disk is full"):
            put(store, much)
        assert (store.samples(AIR, T0, T0 + DAY).value.size, node_state(store).stored_seq) == (1, 1)
        store._db.execute("PRAGMA max_page_count = 1000000")
        assert put(store, much) == {("booth-1", "air-1"): 2}
        assert store.samples(AIR, T0, T0 + DAY).value.size == 20_001


def test_threads_share_a_store(file):
    with closing(SqliteReadingStore(file)) as store:

        def write(node: str) -> None:
            series = Series(booth="booth-1", node=node, quantity="x")
            for i in range(50):
                put(store, pack({T0 + i: i}, series=series))

        threads = [threading.Thread(target=write, args=(f"n{i}",)) for i in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert [store.samples(series, T0, T0 + DAY).value.size for series in store.series()] == [50] * 4


def test_the_newest_dead_letters_are_kept_when_there_are_too_many(file, monkeypatch):
    monkeypatch.setattr(module, "MOST_DEAD_LETTERS", 10)
    with closing(SqliteReadingStore(file)) as store:
        for i in range(4):
            store.write(Batch(dead_letters=[letter(reason=f"{i}.{j}") for j in range(4)]))
        assert store.dead_letter_count() == 10
        assert store.dead_letters()[-1].reason == "1.2"


def test_a_gap_that_nobody_fills_is_given_up_when_too_much_waits_beyond_it(file, monkeypatch):
    monkeypatch.setattr(module, "MOST_WAITING", 5)
    with closing(SqliteReadingStore(file)) as store:
        put(store, pack(seq=1))
        assert put(store, *(pack(seq=seq) for seq in range(4, 9))) == {("booth-1", "air-1"): 1}
        assert put(store, pack(seq=9)) == {("booth-1", "air-1"): 9}
        assert (node_state(store).missing, node_state(store).waiting) == (2, 0)


def test_a_raw_reading_costs_at_most_26_bytes(file):
    """Ten quantities every 5 s with two decimals, arriving interleaved; roll-ups are counted apart."""
    series = [Series(booth="booth-1", node="air-1", quantity=f"q{i}") for i in range(10)]
    rows = 60_000
    with closing(SqliteReadingStore(file)) as store:
        for start in range(0, rows // 10, 200):
            put(
                store,
                *(
                    pack({T0 + 5_000 * i: round(20 + (i * 7919 + q * 31) % 997 / 100, 2)}, series=item)
                    for i in range(start, start + 200)
                    for q, item in enumerate(series)
                ),
            )
    with closing(sqlite3.connect(file)) as database:
        (size,) = database.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'reading'").fetchone()
    assert size / rows <= 26


def test_the_file_is_made_durable_at_each_commit(file):
    with closing(SqliteReadingStore(file)) as store:
        assert store._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        full = 2
        assert store._db.execute("PRAGMA synchronous").fetchone() == (full,)


def test_every_version_of_the_tables_has_a_number(file):
    SqliteReadingStore(file).close()
    with closing(sqlite3.connect(file)) as database:
        assert database.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
    assert os.access(file, os.R_OK)
