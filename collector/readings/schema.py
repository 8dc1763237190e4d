"""The tables of the embedded reading store, and how an older file comes to have them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from collector.errors import StoreError, StoreTooNew

MIGRATIONS: Final[Sequence[str]] = (
    """
    CREATE TABLE series (
        id INTEGER PRIMARY KEY, booth TEXT NOT NULL, node TEXT NOT NULL, quantity TEXT NOT NULL,
        unit TEXT,
        UNIQUE (booth, node, quantity)
    );
    CREATE TABLE reading (
        series INTEGER NOT NULL, t INTEGER NOT NULL, value REAL NOT NULL, PRIMARY KEY (series, t)
    ) WITHOUT ROWID;
    CREATE TABLE minute (
        series INTEGER NOT NULL, t INTEGER NOT NULL, n INTEGER NOT NULL,
        total REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL, PRIMARY KEY (series, t)
    ) WITHOUT ROWID;
    CREATE TABLE hour (
        series INTEGER NOT NULL, t INTEGER NOT NULL, n INTEGER NOT NULL,
        total REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL, PRIMARY KEY (series, t)
    ) WITHOUT ROWID;
    CREATE TABLE remark (
        booth TEXT NOT NULL, node TEXT NOT NULL, quantity TEXT NOT NULL, t INTEGER NOT NULL,
        text TEXT NOT NULL,
        PRIMARY KEY (booth, t, node, quantity)
    ) WITHOUT ROWID;
    CREATE TABLE node (
        booth TEXT NOT NULL, node TEXT NOT NULL, received INTEGER, newest INTEGER,
        stored_seq INTEGER, missing INTEGER NOT NULL DEFAULT 0, status TEXT, status_at INTEGER,
        PRIMARY KEY (booth, node)
    ) WITHOUT ROWID;
    CREATE TABLE ahead (
        booth TEXT NOT NULL, node TEXT NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (booth, node, seq)
    ) WITHOUT ROWID;
    CREATE TABLE dead_letter (
        id INTEGER PRIMARY KEY, received INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL,
        payload BLOB NOT NULL, size INTEGER NOT NULL
    );
    CREATE INDEX dead_letter_received ON dead_letter (received);
    """,
)
"""Applied in order, all that are missing in one transaction; ``user_version`` counts them."""


def prepare(database: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
    """Bring the file's tables up to date, or, read only, see that they are.

    Raises
    ------
    StoreTooNew
        If a newer version of tackfree wrote the file.
    StoreError
        If it is another program's database, or, read only, has tables still to be made.
    sqlite3.Error
        If it cannot be read or written.
    """
    version = _version(database, path)
    if read_only:
        if version < len(MIGRATIONS):
            raise StoreError(f"reading store {path} is of version {version}; `tackfree serve` brings it up to date")
        database.execute("PRAGMA query_only = ON")
        return
    if version < len(MIGRATIONS):
        # Looked at again inside the transaction: another process may be doing the same.
        database.execute("BEGIN IMMEDIATE")
        try:
            version = _version(database, path)
            for script in MIGRATIONS[version:]:
                for statement in filter(str.strip, script.split(";")):
                    database.execute(statement)
            database.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
            database.execute("COMMIT")
        except BaseException:
            if database.in_transaction:
                database.execute("ROLLBACK")
            raise
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")


def _version(database: sqlite3.Connection, path: Path) -> int:
    version = int(database.execute("PRAGMA user_version").fetchone()[0])
    if version > len(MIGRATIONS):
        raise StoreTooNew(
            f"reading store {path} is of version {version}; this tackfree knows up to "
            f"{len(MIGRATIONS)}. Update tackfree, or restore an older copy."
        )
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if version == 0 and tables:
        raise StoreError(f"{path} is another program's database, not a reading store; name another file")
    return version
