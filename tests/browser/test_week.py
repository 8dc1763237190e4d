"""The week in a real Chromium: seven days readable on laptop and tablet, in both themes."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.browser.conftest import TOO_SMALL, Visit
from tests.browser.test_rack import SIZES, STILL, shop
from tests.dashboard.serving import Pages, serving

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """Pages over a rack that no test changes."""
    folder = tmp_path_factory.mktemp("week")
    shop(folder)
    with serving(folder) as pages:
        yield pages


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_every_piece_and_every_day_is_in_view(
    rack: Pages, visit: Callable[..., Visit], size: tuple[int, int], theme: str
) -> None:
    seen = visit(rack, size, theme)
    seen.go("/week", STILL)
    assert seen.page.locator("[data-row]").count() == 5
    assert seen.page.locator(".tf-week .head b").count() == 7
    assert seen.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]
    assert seen.page.evaluate(TOO_SMALL) == []
    assert seen.outside == []
    assert seen.complaints == []


@pytest.mark.parametrize("size", SIZES)
def test_words_on_a_row_neither_overlap_nor_leave_it(
    rack: Pages, visit: Callable[..., Visit], size: tuple[int, int]
) -> None:
    seen = visit(rack, size)
    seen.go("/week", STILL)
    assert seen.page.locator(".tf-week .sub span").count() >= 5
    wrong = """() => [...document.querySelectorAll('.tf-week .days:not(.head .days)')].flatMap(days => {
      const edge = days.getBoundingClientRect();
      const found = [];
      for (const sub of days.querySelectorAll('.sub')) {
        const boxes = [...sub.querySelectorAll('span')].map(s => [s.textContent, s.getBoundingClientRect()])
          .sort((one, other) => one[1].left - other[1].left);
        boxes.forEach(([text, box], i) => {
          if (box.left < edge.left - 1 || box.right > edge.right + 1) found.push(['outside', text]);
          if (i && box.left < boxes[i - 1][1].right) found.push(['overlap', text]);
        });
      }
      return found;
    })"""
    assert seen.page.evaluate(wrong) == []


def test_nights_are_shaded_and_now_is_where_it_is(rack: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(rack)
    seen.go("/week", STILL)
    days = seen.page.locator("[data-row] .days").first
    assert "linear-gradient" in days.evaluate("part => getComputedStyle(part).backgroundImage")
    box, line = days.bounding_box(), days.locator(".now").bounding_box()
    assert box is not None and line is not None
    # Somewhere on the first of seven days
    assert box["x"] <= line["x"] <= box["x"] + box["width"] / 7 + 2
