"""The pages in a real browser: they fit, read, stay on this machine, and do what a gloved finger asks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect

from collector.records.model import Coat
from collector.records.repository import Records, open_records
from tests.browser.conftest import LAPTOP, TABLET, TOO_SMALL, Visit
from tests.dashboard import seeding
from tests.dashboard.serving import Pages, start, stop

pytestmark = pytest.mark.browser

PAGES = [
    ("/", "no gas detector"),
    ("/rack", "Forecast:"),
    ("/coats", "Coats so far"),
    ("/coats?coat=1", "Air while spraying"),
]
SIZES = [pytest.param(LAPTOP, id="laptop"), pytest.param(TABLET, id="tablet")]


def records_of(folder: Path) -> Records:
    return open_records(f"sqlite:///{folder / 'records.sqlite'}")


def only_coat_of(folder: Path, piece: str) -> Coat | None:
    records = records_of(folder)
    try:
        return next(iter(records.coats(piece_id=records.piece(piece).id)), None)
    finally:
        records.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("path", "text"), PAGES)
def test_a_page_asks_nobody_outside_and_complains_of_nothing(
    steady: Pages, visit: Callable[..., Visit], path: str, text: str, size: tuple[int, int], theme: str
) -> None:
    seen = visit(steady, size, theme)
    seen.go(path, text)
    assert len(seen.asked) > 10
    assert seen.outside == []
    assert seen.complaints == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("path", "text"), PAGES)
def test_every_control_takes_a_gloved_finger(
    steady: Pages, visit: Callable[..., Visit], path: str, text: str, size: tuple[int, int]
) -> None:
    seen = visit(steady, size)
    seen.go(path, text)
    for closed in seen.page.locator("details > summary").all():
        closed.click()
    seen.settle(text)
    assert seen.page.locator("button").count() > 0
    assert seen.page.evaluate(TOO_SMALL) == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("path", "text"), PAGES)
def test_no_page_is_wider_than_the_screen(
    steady: Pages, visit: Callable[..., Visit], path: str, text: str, size: tuple[int, int]
) -> None:
    seen = visit(steady, size)
    seen.go(path, text)
    assert seen.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]


@pytest.mark.parametrize("size", SIZES)
def test_verdict_limits_and_values_are_in_the_first_screenful(
    steady: Pages, visit: Callable[..., Visit], size: tuple[int, int]
) -> None:
    seen = visit(steady, size)
    seen.go("/", "no gas detector")
    for block in (".tf-band", ".tf-limits", ".tf-tiles"):
        box = seen.page.locator(block).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= size[1]


def test_the_verdict_names_its_state_in_a_word_and_a_shape(steady: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(steady)
    seen.go("/", "no gas detector")
    band = seen.page.locator(".tf-band")
    expect(band).to_contain_text("GO")
    assert seen.page.evaluate("document.querySelector('.tf-band img').naturalWidth") > 0


def test_a_chart_is_painted(steady: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(steady)
    seen.go("/", "no gas detector")
    seen.page.locator("canvas").first.wait_for()
    seen.page.wait_for_function(
        """() => { const c = document.querySelector('canvas');
        return new Set(c.getContext('2d').getImageData(0, 0, c.width, c.height).data).size > 20; }"""
    )


def test_the_pages_name_is_a_heading_for_those_who_listen(steady: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(steady)
    seen.go("/rack", "Forecast:")
    expect(seen.page.get_by_role("heading", name="Rack", level=1)).to_have_count(1)


def test_a_reading_written_to_the_store_turns_the_verdict_by_itself(own: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(own)
    seen.go("/", "no gas detector")
    assert seen.verdict == "go"
    seeding.put(own.folder, "hand", {"relative_humidity": 95.0}, datetime.now(UTC))
    expect(seen.page.locator(".tf-band")).to_have_attribute("data-verdict", "hold", timeout=15_000)
    expect(seen.page.locator(".tf-band")).to_contain_text("HOLD")


def test_the_chosen_material_is_in_the_link_and_comes_back_with_it(own: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(own)
    seen.go("/", "no gas detector")
    seen.page.get_by_role("combobox", name="Material").click()
    seen.page.get_by_role("option", name="Two-component urethane, clear").click()
    seen.settle("This mix contains isocyanates")
    seen.page.wait_for_url("**/?*material=*")
    again = visit(own)
    again.go(seen.page.url.removeprefix(own.address), "This mix contains isocyanates")


def test_a_coat_is_logged_in_three_taps_and_ended_in_one(own: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(own)
    seen.go("/coats", "Coats so far")
    seen.page.get_by_role("radio", name="Lap steel 1").tap()
    seen.page.get_by_role("radio", name="Nitrocellulose lacquer, clear + 50% reducer").tap()
    seen.page.get_by_role("button", name="3. Start").tap()
    seen.settle("Coat started on Lap steel 1.")
    started = only_coat_of(own.folder, "Lap steel 1")
    assert started is not None
    assert started.ended_at is None
    seen.page.get_by_role("button", name="Done").tap()
    seen.settle("Coat ended on Lap steel 1.")
    ended = only_coat_of(own.folder, "Lap steel 1")
    assert ended == replace(started, ended_at=ended.ended_at if ended else None)
    assert seen.complaints == []


def test_a_check_is_logged_from_the_rack(own: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(own)
    seen.go("/rack", "Forecast:")
    seen.page.get_by_role("button", name="Check").first.tap()
    seen.page.get_by_role("button", name="Not yet").tap()
    seen.settle("Check saved")
    coat = only_coat_of(own.folder, "Snare shell, maple")
    records = records_of(own.folder)
    try:
        assert coat is not None
        assert len(records.checks(coat.id)) == 1
    finally:
        records.close()


def test_a_link_to_a_coat_opens_it_and_one_to_nothing_says_so(steady: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(steady)
    seen.go("/coats?coat=1", "Air while spraying")
    expect(seen.page.locator("canvas").first).to_be_visible()
    seen.go("/coats?coat=77", "There is no coat 77.")
    seen.go("/?material=77", "which is not there")


def test_old_values_are_marked_when_the_server_is_gone_and_not_when_it_is_back(
    own: Pages, visit: Callable[..., Visit]
) -> None:
    seen = visit(own)
    seen.go("/", "no gas detector")
    # The pages' policy lets a browser evaluate functions, but no text, hence the whole function each time.
    banner = "getComputedStyle(document.querySelector('[data-testid=stApp]'), '::after').content"
    assert seen.page.evaluate(f"() => {banner}") == "none"
    stop(own)
    seen.page.wait_for_function(f"() => {banner}.includes('NOT CONNECTED')")
    back = start(own.folder, own.port)
    try:
        seen.page.wait_for_function(f"() => {banner} === 'none'", timeout=60_000)
    finally:
        stop(back)


def test_times_are_the_shops_whatever_the_browsers_zone(steady: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(steady, timezone_id="Asia/Tokyo")
    seen.go("/coats?coat=1", "Air while spraying")
    records = records_of(steady.folder)
    try:
        started = records.coat(1).started_at
    finally:
        records.close()
    expect(seen.page.locator(".tf-card .clock")).to_contain_text(
        f"{started.astimezone(ZoneInfo('Europe/Berlin')):%H:%M}"
    )
