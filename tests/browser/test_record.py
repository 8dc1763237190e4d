"""The record's buttons on the Coats page: large enough, and the file that comes down is the piece's."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.conftest import TABLET, TOO_SMALL, Visit
from tests.dashboard.serving import Pages

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(("label", "reader"), [("for the customer", "customer"), ("for the shop", "shop")])
def test_a_tap_brings_down_the_record(steady: Pages, visit: Callable[..., Visit], label: str, reader: str) -> None:
    seen = visit(steady, TABLET, "light")
    seen.go("/coats?coat=1", "Air while spraying")
    button = seen.page.get_by_role("button", name=f"Record (PDF), {label}")
    with seen.page.expect_download(timeout=60_000) as coming:
        button.click()
    file = coming.value
    assert file.suggested_filename.endswith(f"-{reader}.pdf")
    assert file.path().read_bytes().startswith(b"%PDF-")
    assert seen.page.evaluate(TOO_SMALL) == []
