"""How the record store is connected to: what each connection promises, and what a transaction's failures mean."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from collector.errors import Conflict, StoreBusy, StoreError

WRITES: Final = "tackfree_writes"
PATIENCE_S: Final = 10
"""How long a step waits for another process that writes."""


def connect(url: str) -> Engine:
    """The database at an SQLAlchemy URL; nothing is opened yet.

    Raises
    ------
    StoreError
        If it is no such URL, or its driver is not installed.
    """
    try:
        where = make_url(url)
        waits = {"timeout": PATIENCE_S} if where.get_backend_name() == "sqlite" and "timeout" not in where.query else {}
        engine = create_engine(where, connect_args=waits)
    except (ArgumentError, ModuleNotFoundError) as error:
        hint = "; install tackfree[postgres]" if url.startswith("postgresql") else ""
        raise StoreError(
            f"record store address cannot be used: {error}{hint}; expected an SQLAlchemy URL such as "
            "sqlite:////folder/records.sqlite"
        ) from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


@contextmanager
def session_on(engine: Engine) -> Iterator[Session]:
    """One transaction, with the database's errors told in the records' own.

    Raises
    ------
    Conflict
        If the database refuses a record.
    StoreBusy
        If the disk is full, or another process keeps the store locked for too long.
    StoreError
        If the store cannot be read or written.
    """
    try:
        with Session(engine, expire_on_commit=False) as session, session.begin():
            yield session
    except IntegrityError as error:
        raise Conflict(f"the record was refused by the database: {error.orig}") from error
    except DBAPIError as error:
        if "locked" in str(error.orig) or "full" in str(error.orig):
            raise StoreBusy(f"the record store takes no changes now: {error.orig}") from error
        raise StoreError(f"the record store cannot be used: {error.orig}") from error


def writer_of(engine: Engine) -> Engine:
    """The same connections, for transactions that will write."""
    return engine.execution_options(**{WRITES: True})


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    # Python's driver would begin a transaction only at the first write, so that what was read before it may have
    # changed by then. It is told to leave that to _begin_sqlite.
    connection.isolation_level = None
    for pragma in ("foreign_keys = ON", "journal_mode = WAL", "synchronous = FULL"):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin_sqlite(connection: Connection) -> None:
    # IMMEDIATE waits for the other writer before anything is read.
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get(WRITES) else "BEGIN")
