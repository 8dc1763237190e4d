"""The Rack in a real Chromium: the answer in the first screenful, a check in two taps, nothing needing a mouse."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import expect

from collector.records.model import Check, Coat, Mix, Piece
from collector.records.repository import Records, open_records
from tests.browser.conftest import LAPTOP, TABLET, TOO_SMALL, Visit
from tests.dashboard import seeding
from tests.dashboard.serving import Pages, serving

pytestmark = pytest.mark.browser

SIZES = [pytest.param(LAPTOP, id="laptop"), pytest.param(TABLET, id="tablet")]
STILL = "Forecast:"


def records_of(folder: Path) -> Records:
    return open_records(f"sqlite:///{folder / 'records.sqlite'}")


def shop(folder: Path) -> None:
    """A fortnight's log, coats of lacquer, urethane and a waterborne, of hours and of minutes ago, and a bare piece."""
    now = datetime.now(UTC).replace(microsecond=0)
    seeding.shop(folder, now)
    before = seeding.every(900, now - timedelta(days=14), now - timedelta(hours=2))
    seeding.put(folder, "air-1", seeding.AIR, *before)
    records = records_of(folder)
    try:
        for name, material, hours in (
            ("Lap steel, eight string", "Two-component urethane, clear", 7.0),
            ("Cigar-box guitar 1", "Waterborne acrylic, clear", 1.5),
            ("Drum shell 13 x 7", "Nitrocellulose lacquer, clear", 0.1),
        ):
            piece = records.add_piece(Piece(name=name, due=now + timedelta(days=2)))
            mix = records.add_mix(Mix(material=records.material(material)))
            ended = now - timedelta(hours=hours)
            coat = records.log_coat(
                Coat(
                    piece_id=piece.id,
                    mix=mix,
                    booth=seeding.BOOTH,
                    started_at=ended - timedelta(minutes=5),
                    ended_at=ended,
                )
            )
            records.add_check(Check(coat_id=coat.id, at=now, stage="set_to_touch", method="finger", passed=True))
    finally:
        records.close()


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """Pages over a rack that no test changes."""
    folder = tmp_path_factory.mktemp("rack")
    shop(folder)
    with serving(folder) as pages:
        yield pages


@pytest.fixture
def own_rack(tmp_path: Path) -> Iterator[Pages]:
    """Pages over a rack of this test's own."""
    shop(tmp_path)
    with serving(tmp_path) as pages:
        yield pages


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_what_can_be_done_now_is_in_the_first_screenful(
    rack: Pages, visit: Callable[..., Visit], size: tuple[int, int], theme: str
) -> None:
    seen = visit(rack, size, theme)
    seen.go("/rack", STILL)
    answers = seen.page.locator(".tf-next.now")
    assert answers.count() >= 3
    for index in range(3):
        box = answers.nth(index).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= size[1]
    assert seen.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]
    assert seen.outside == []
    assert seen.complaints == []


@pytest.mark.parametrize("size", SIZES)
def test_every_control_takes_a_gloved_finger(rack: Pages, visit: Callable[..., Visit], size: tuple[int, int]) -> None:
    seen = visit(rack, size)
    seen.go("/rack", STILL)
    assert seen.page.evaluate(TOO_SMALL) == []
    seen.page.get_by_role("button", name="Check").first.tap()
    seen.settle("Not yet")
    seen.page.get_by_role("button", name="More").first.tap()
    seen.settle("What it has learned")
    assert seen.page.evaluate(TOO_SMALL) == []


@pytest.mark.parametrize("size", SIZES)
def test_no_card_cuts_its_words(rack: Pages, visit: Callable[..., Visit], size: tuple[int, int]) -> None:
    seen = visit(rack, size)
    seen.go("/rack", STILL)
    assert seen.page.locator(".tf-rack").count() >= 4
    cut = """() => [...document.querySelectorAll('.tf-rack, .tf-next, .tf-mark, .tf-lane .say')]
      .filter(part => part.scrollWidth > part.clientWidth + 1).map(part => part.textContent)"""
    assert seen.page.evaluate(cut) == []


@pytest.mark.parametrize("size", SIZES)
def test_the_marks_of_a_time_scale_do_not_run_into_each_other(
    rack: Pages, visit: Callable[..., Visit], size: tuple[int, int]
) -> None:
    seen = visit(rack, size)
    seen.go("/rack", STILL)
    assert seen.page.locator(".tf-axis").count() >= 2
    touching = """() => [...document.querySelectorAll('.tf-axis')].flatMap(axis => {
      const boxes = [...axis.querySelectorAll('b')].map(b => [b.textContent, b.getBoundingClientRect()])
        .sort((one, other) => one[1].left - other[1].left);
      return boxes.slice(1).filter(([, box], i) => box.left < boxes[i][1].right).map(([text]) => text);
    })"""
    assert seen.page.evaluate(touching) == []


def test_a_state_is_a_word_a_shape_and_a_colour(rack: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(rack)
    seen.go("/rack", STILL)
    for state in seen.page.locator(".tf-next, .tf-mark").all():
        assert state.inner_text().strip()
        assert state.locator("img").first.evaluate("image => image.naturalWidth") > 0
    colours = {
        kind: seen.page.locator(f".tf-next.{kind}").first.evaluate("part => getComputedStyle(part).backgroundColor")
        for kind in ("now", "wait")
    }
    assert len(set(colours.values())) == 2


def test_a_check_is_two_taps_and_undone_by_a_third(own_rack: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(own_rack)
    seen.go("/rack?piece=4", STILL)
    card = seen.page.locator(".st-key-rack-card-4")
    card.get_by_role("button", name="Check").tap()
    card.get_by_role("button", name="Not yet").tap()
    seen.settle("Check saved")
    records = records_of(own_rack.folder)
    try:
        coat = records.coats(piece_id=4)[0]
        assert [check.passed for check in records.checks(coat.id)] == [True, False]
        seen.page.get_by_role("button", name="Undo").tap()
        seen.settle("Taken back")
        assert [check.passed for check in records.checks(coat.id)] == [True]
    finally:
        records.close()


def test_a_line_of_a_waiting_piece_leads_to_its_card(rack: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(rack)
    seen.go("/week?piece=3", STILL)
    seen.page.get_by_role("link", name="Lap steel, eight string").tap()
    seen.settle("Chosen")
    assert "piece=3" in seen.page.url
    expect(seen.page.locator(".tf-rack").first).to_have_attribute("data-piece", "3")


def test_what_can_take_a_sealer_is_one_tap_away(rack: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(rack)
    seen.go("/rack", STILL)
    seen.page.get_by_role("radio", name="Sealer").tap()
    seen.settle("By the order of a finish")
    expect(seen.page.locator(".tf-rack")).to_have_count(1)
    expect(seen.page.locator(".tf-rack")).to_contain_text("Lap steel 1")
