"""The invented past as the ledger sees it: coats and cleaning that count, and one of each that cannot."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from collector.advice import ledger
from collector.demo.history import fill_records
from collector.demo.plan import Plan
from collector.records.repository import open_records
from collector.settings import Ledger

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 5, 20, 12, 30, 7, tzinfo=UTC)


@pytest.mark.parametrize(("days", "solvents"), [(21, 6), (2, 1), (1, 0)])
def test_solvent_is_used_as_far_as_the_past_reaches(tmp_path: Path, days: int, solvents: int) -> None:
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    fill_records(records, Plan(NOW, BERLIN), days=days, booth="booth-1")
    uses = records.solvent_uses()
    records.close()
    assert len(uses) == solvents
    assert all(use.at < NOW for use in uses)


def test_most_is_counted_and_a_coat_and_an_unmarked_can_are_not(tmp_path: Path) -> None:
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    fill_records(records, Plan(NOW, BERLIN), days=21, booth="booth-1")
    year = ledger.gather(records, NOW.date(), BERLIN, Ledger()).twelve_months
    records.close()
    assert year.counted == 28
    assert {entry.kind for entry in year.left_out} == {"coat", "solvent"}
    assert 0.5 < year.voc_kg.value < 5.0
