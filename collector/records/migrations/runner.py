"""Brings a record store's tables to this version of tackfree, or refuses a newer one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text

from collector.errors import StoreTooNew

HEAD: Final = "0007"
"""The newest migration. A store already there is opened without loading the migration machinery."""


def bring_up_to_date(reader: Engine, writer: Engine, fill: Callable[[Connection], None]) -> None:
    """Run the migrations a store lacks, all of them or none.

    Parameters
    ----------
    reader, writer
        The store; ``writer`` keeps other processes from migrating it at the same time.
    fill
        What to put into a new store, in the same transaction.

    Raises
    ------
    StoreTooNew
        If a newer version of tackfree wrote it.
    """
    with reader.connect() as connection:
        if _revision(connection) == HEAD:
            return

    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    with writer.begin() as connection:
        # Looked at again: another process may have been quicker, and then there is nothing left to do.
        found = _revision(connection)
        if found is not None and found not in known:
            raise StoreTooNew(
                f"record store {writer.url.render_as_string()} is of version {found}; this tackfree knows up to "
                f"{HEAD}. Update tackfree, or restore an older copy."
            )
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        if found is None:
            fill(connection)


def _revision(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)
