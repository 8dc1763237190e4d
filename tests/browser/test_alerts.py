"""The alert banner in a real Chromium: above every page, readable and big enough, gone at a tap."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import expect

from collector.advice.air import DETECTOR_CAUTION
from collector.records.alerts import Alert
from collector.records.repository import open_records
from tests.browser.conftest import LAPTOP, TABLET, TOO_SMALL, Visit
from tests.dashboard.serving import Pages

pytestmark = pytest.mark.browser

PAGES = {"": "What the booth has been doing", "rack": "Lap steel 1", "air": "Vapour, measured", "ledger": "VOC"}


def raised(folder: Path, subject: str, level: str, what: str, **more: str) -> int:
    now = datetime.now(UTC)
    records = open_records(f"sqlite:///{folder / 'records.sqlite'}")
    try:
        alert = records.alerts.raise_(
            Alert(
                kind="ready", subject=subject, booth="booth-1", level=level, what=what,
                why="Nitrocellulose lacquer, clear of 14:02: dry to recoat with a chance of 86 %.",
                what_to_do="Try it as you usually do and log the check, then recoat.",
                since=now - timedelta(minutes=4), raised_at=now, **more,
            ),
            (),
        )  # fmt: skip
        assert alert is not None
        return alert.id
    finally:
        records.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", [pytest.param(LAPTOP, id="laptop"), pytest.param(TABLET, id="tablet")])
def test_alerts_stand_above_every_page_and_are_big_enough(
    own: Pages, visit: Callable[..., Visit], size: tuple[int, int], theme: str
) -> None:
    raised(own.folder, "a", "notice", "Snare shell, maple: ready to recoat")
    raised(own.folder, "b", "warning", "Node panel-1 in booth-1 is silent")
    raised(own.folder, "c", "danger", "The exhaust is not running in booth-1, while spraying", caution=DETECTOR_CAUTION)
    visited = visit(own, size, theme)
    for path, text in PAGES.items():
        visited.go(f"/{path}", text)
        # in full the danger alone; the other two are one strip, so that the page keeps its first screenful
        first = visited.page.locator("[data-alert]").first.bounding_box()
        second = visited.page.locator("[data-strip]").bounding_box()
        assert first is not None and second is not None
        assert first["y"] >= 48
        assert second["y"] + second["height"] < size[1] / 2
        assert visited.page.evaluate(TOO_SMALL) == []
        if os.environ.get("TACKFREE_TEST_PICTURES"):
            visited.page.screenshot(path=f"{os.environ['TACKFREE_TEST_PICTURES']}/alerts-{path}-{size[0]}-{theme}.png")
    assert visited.complaints == []
    assert visited.outside == []


def test_a_tap_acknowledges_and_another_snoozes_without_leaving_the_page(
    own: Pages, visit: Callable[..., Visit]
) -> None:
    danger = raised(own.folder, "c", "danger", "The exhaust is not running in booth-1, while spraying")
    notice = raised(own.folder, "a", "notice", "Snare shell, maple: ready to recoat")
    visited = visit(own)
    visited.go("/rack", "Lap steel 1")
    expect(visited.page.locator(f"[data-strip='{notice}']")).to_be_visible()
    visited.page.locator(f".st-key-ack-{danger} button").tap()
    expect(visited.page.locator(f"[data-alert='{danger}']")).to_have_count(0)
    visited.page.get_by_role("button", name="1 notice").tap()
    visited.page.locator(f".st-key-snooze-{notice} button").tap()
    expect(visited.page.locator("[data-strip]")).to_have_count(0)
    assert visited.page.url.split("?")[0].endswith("/rack")


def test_an_alert_that_begins_and_ends_comes_and_goes_by_itself(own: Pages, visit: Callable[..., Visit]) -> None:
    visited = visit(own)
    visited.go("/ledger", "VOC")
    expect(visited.page.locator("[data-alert]")).to_have_count(0)
    number = raised(own.folder, "c", "danger", "The exhaust is not running in booth-1, while spraying")
    expect(visited.page.locator(f"[data-alert='{number}']")).to_be_visible(timeout=15_000)
    records = open_records(f"sqlite:///{own.folder / 'records.sqlite'}")
    records.alerts.clear(number, datetime.now(UTC))
    records.close()
    expect(visited.page.locator("[data-alert]")).to_have_count(0, timeout=15_000)
