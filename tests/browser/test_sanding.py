"""The Sanding page in a real browser: one screenful, both themes, gloved fingers, two taps."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.records.model import Coat, Mix, Piece
from collector.records.repository import open_records
from tests.browser.conftest import LAPTOP, TABLET, TOO_SMALL, Visit
from tests.dashboard.serving import Pages

pytestmark = pytest.mark.browser

SIZES = [pytest.param(LAPTOP, id="laptop"), pytest.param(TABLET, id="tablet")]
LAST = "What this rests on"


def coated(folder: Path) -> int:
    records = open_records(f"sqlite:///{folder / 'records.sqlite'}")
    try:
        piece = records.add_piece(Piece(name="Lap steel 8"))
        mix = records.add_mix(Mix(material=records.material("Nitrocellulose lacquer, clear"), reducer_fraction=0.5))
        for day in range(3):
            at = datetime.now(UTC) - timedelta(days=20 - day)
            records.log_coat(
                Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at, wet_film_low_um=75,
                     wet_film_high_um=100)
            )  # fmt: skip
        return piece.id
    finally:
        records.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_answer_film_and_buttons_are_in_one_screenful(
    own: Pages, visit: Callable[..., Visit], size: tuple[int, int], theme: str
) -> None:
    seen = visit(own, size, theme)
    seen.go(f"/sanding?piece={coated(own.folder)}", LAST)
    for part in ("[data-verdict]", ".tf-film", ".tf-steps"):
        box = seen.page.locator(part).first.bounding_box()
        assert box is not None and box["y"] + box["height"] <= size[1], part
    button = seen.page.get_by_role("button", name="Went through").bounding_box()
    assert button is not None and button["y"] + button["height"] <= size[1]
    assert seen.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]
    assert (seen.outside, seen.complaints) == ([], [])


@pytest.mark.parametrize("size", SIZES)
def test_every_control_takes_a_gloved_finger_and_two_taps_note_the_outcome(
    own: Pages, visit: Callable[..., Visit], size: tuple[int, int]
) -> None:
    number = coated(own.folder)
    seen = visit(own, size)
    seen.go(f"/sanding?piece={number}", LAST)
    assert seen.page.evaluate(TOO_SMALL) == []
    seen.page.get_by_role("button", name="Went through").click()
    seen.settle("Went through at which step?")
    assert seen.page.evaluate(TOO_SMALL) == []
    seen.page.locator(".st-key-sanding-at-P1500 button").click()
    seen.settle("Noted: Lap steel 8, P800 to P1500, through at P1500.")
    records = open_records(f"sqlite:///{own.folder / 'records.sqlite'}")
    try:
        (saved,) = records.sandings(number)
        assert saved.through_at == "P1500"
    finally:
        records.close()
