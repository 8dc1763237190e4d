"""A new reading store for each test, and short ways to fill it."""

from __future__ import annotations

import pytest

from collector.readings.sqlite import SqliteReadingStore


@pytest.fixture(params=["sqlite"])
def store(request, tmp_path):
    """Every backend keeps the same promises; a new one is added here."""
    opened = SqliteReadingStore(tmp_path / "readings.sqlite")
    yield opened
    opened.close()
