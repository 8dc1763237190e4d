"""The Air page in a real Chromium: everything that matters in the first screenful, big enough, in both themes."""

from __future__ import annotations

import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import LAPTOP, TABLET, TOO_SMALL, Visit
from tests.dashboard import seeding
from tests.dashboard.serving import START_TIMEOUT_S, Pages, free_port, pages_environment, stop

pytestmark = pytest.mark.browser

SIZES = [pytest.param(LAPTOP, id="laptop"), pytest.param(TABLET, id="tablet")]
BOOTH = {"VOLUME_M3": "12", "FACE_OPENING_M2": "1.0", "MIXING_FACTOR": "1", "FACE_VELOCITY_MIN_M_S": "0.4"}


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """Pages over a steady booth of which volume and opening are set."""
    folder: Path = tmp_path_factory.mktemp("air")
    seeding.shop(folder)
    port = free_port()
    settings = {f"TACKFREE_VENTILATION_{key}": value for key, value in BOOTH.items()}
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.serve"],
        env={**pages_environment(folder, port), **settings},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    pages = Pages(folder=folder, port=port, process=process)
    deadline = time.monotonic() + START_TIMEOUT_S
    while not answers(pages) and time.monotonic() < deadline:
        time.sleep(0.1)
    yield pages
    stop(pages)


def answers(pages: Pages) -> bool:
    try:
        with urllib.request.urlopen(f"{pages.address}/_stcore/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_panels_and_cautions_are_in_the_first_screenful(
    known: Pages, visit: Callable[..., Visit], size: tuple[int, int], theme: str
) -> None:
    seen = visit(known, size, theme)
    # The two-component material, so that the isocyanate caution takes its room too
    seen.go("/air", "no gas detector")
    seen.page.get_by_role("combobox", name="Material").click()
    seen.page.get_by_role("option", name="Two-component urethane, clear").click()
    seen.settle("This mix contains isocyanates")
    for block in (".tf-caution", ".tf-air", ".tf-note"):
        box = seen.page.locator(block).first.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= size[1]
    assert seen.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]
    assert seen.outside == []
    assert seen.complaints == []


@pytest.mark.parametrize("size", SIZES)
def test_no_panel_cuts_its_words(known: Pages, visit: Callable[..., Visit], size: tuple[int, int]) -> None:
    seen = visit(known, size)
    seen.go("/air", "no gas detector")
    assert seen.page.locator(".tf-panel").count() == 5
    cut = "() => [...document.querySelectorAll('.tf-panel, .tf-panel .top')].filter(p => p.scrollWidth > p.clientWidth)"
    assert seen.page.evaluate(f"{cut}.length") == 0


@pytest.mark.parametrize("size", SIZES)
def test_every_control_takes_a_gloved_finger(known: Pages, visit: Callable[..., Visit], size: tuple[int, int]) -> None:
    seen = visit(known, size)
    seen.go("/air", "no gas detector")
    assert seen.page.evaluate(TOO_SMALL) == []


def test_every_panel_has_a_word_and_a_shape(known: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(known)
    seen.go("/air", "no gas detector")
    for panel in seen.page.locator(".tf-panel").all():
        assert panel.locator(".word").inner_text().strip()
        assert panel.locator(".top img").evaluate("image => image.naturalWidth") > 0


def test_a_burst_of_vapour_shows_by_itself(known: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(known)
    seen.go("/air", "no gas detector")
    panel = seen.page.locator('[data-panel="Breathing now"]')
    expect(panel).to_have_attribute("data-state", "go")
    seeding.put(known.folder, "hand", {"voc_ppm": 900.0}, datetime.now(UTC))
    expect(panel).to_have_attribute("data-state", "hold", timeout=15_000)
    expect(panel).to_contain_text("OVER")
    expect(seen.page.locator('[data-panel="Fire now"]')).to_contain_text("WITHIN")


def test_the_gun_and_the_time_change_the_prediction(known: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(known)
    seen.go("/air", "no gas detector")
    panel = seen.page.locator('[data-panel="Next coat at its peak"]')
    before = panel.locator(".big").inner_text()
    seen.page.get_by_role("radio", name="15 min").tap()
    expect(panel).to_contain_text("15 min at 120 ml/min")
    assert panel.locator(".big").inner_text() != before


def test_the_chart_is_painted(known: Pages, visit: Callable[..., Visit]) -> None:
    seen = visit(known)
    seen.go("/air", "no gas detector")
    seen.page.locator("canvas").first.wait_for()
    seen.page.wait_for_function(
        """() => { const c = document.querySelector('canvas');
        return new Set(c.getContext('2d').getImageData(0, 0, c.width, c.height).data).size > 20; }"""
    )
