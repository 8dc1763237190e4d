"""The Ledger page in a real browser: it fits, reads, stays on this machine, and takes a gloved finger."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import expect

from collector.records.repository import open_records
from tests.browser.conftest import LAPTOP, TABLET, TOO_SMALL, Visit
from tests.dashboard.serving import Pages

pytestmark = pytest.mark.browser

SIZES = [pytest.param(LAPTOP, id="laptop"), pytest.param(TABLET, id="tablet")]
LAST = "How it is counted"


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_the_page_fits_and_asks_nobody_outside(
    steady: Pages, visit: Callable[..., Visit], size: tuple[int, int], theme: str
) -> None:
    seen = visit(steady, size, theme)
    seen.go("/ledger", LAST)
    expect(seen.page.get_by_role("heading", name="Ledger", level=1)).to_have_count(1)
    assert seen.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]
    assert (seen.outside, seen.complaints) == ([], [])


@pytest.mark.parametrize("size", SIZES)
def test_every_control_takes_a_gloved_finger_with_the_form_open(
    steady: Pages, visit: Callable[..., Visit], size: tuple[int, int]
) -> None:
    seen = visit(steady, size)
    seen.go("/ledger", LAST)
    seen.page.get_by_role("button", name="Add cleaning solvent").click()
    seen.settle("Add to the ledger")
    assert seen.page.evaluate(TOO_SMALL) == []


def test_a_solvent_of_a_persons_own_name_is_added_and_told_not_to_count(
    own: Pages, visit: Callable[..., Visit], tmp_path: Path
) -> None:
    seen = visit(own)
    seen.go("/ledger", LAST)
    seen.page.get_by_role("button", name="Add cleaning solvent").click()
    seen.page.get_by_role("combobox", name="Solvent used for cleaning").fill("Old thinner")
    seen.page.get_by_role("combobox", name="Solvent used for cleaning").press("Enter")
    volume = seen.page.get_by_role("spinbutton", name="Volume, l")
    volume.fill("0.4")
    volume.press("Tab")
    seen.page.get_by_role("button", name="Add to the ledger").click()
    seen.settle("In the ledger: 400 ml of Old thinner.")
    seen.settle("VOC of Old thinner not known")
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    try:
        assert [(use.what, use.litres) for use in records.solvent_uses()] == [("Old thinner", 0.4)]
    finally:
        records.close()


def test_the_csv_is_handed_over(steady: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(steady)
    seen.go("/ledger", LAST)
    with seen.page.expect_download() as coming:
        seen.page.get_by_role("button", name="12 months as CSV").click()
    text = Path(coming.value.path()).read_text(encoding="utf-8")
    assert text.startswith("day,time_utc,kind")
    assert "no volume: its millilitres were not noted" in text
