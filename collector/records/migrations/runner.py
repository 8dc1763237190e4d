"""Brings a record store's tables to this version of tackfree, or refuses a newer one."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import Engine, inspect, text

from collector.errors import StoreTooNew

HEAD: Final = "0002"
"""The newest migration. A store already there is opened without loading the migration machinery."""


def bring_up_to_date(engine: Engine) -> bool:
    """Run the migrations a store lacks.

    Returns
    -------
    bool
        Whether the store was new.

    Raises
    ------
    StoreTooNew
        If a newer version of tackfree wrote it.
    """
    found = _revision(engine)
    if found == HEAD:
        return False

    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise StoreTooNew(
            f"record store {engine.url.render_as_string()} is of version {found}; this tackfree knows up to {HEAD}. "
            "Update tackfree, or restore an older copy."
        )
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
    return found is None


def _revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return None if found is None else str(found)
