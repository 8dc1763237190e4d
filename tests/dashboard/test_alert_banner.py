"""The banner above every page: what asks for somebody, and the buttons that put it off."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from collector.records.alerts import Alert
from collector.records.model import ISOCYANATE_CAUTION
from dashboard import data

APP = Path(dashboard.__file__).with_name("app.py")
PAGES = ("views/rack.py", "views/coats.py", "views/air.py", "views/ledger.py")


def raised(subject: str = "booth-1", **changed: object) -> Alert:
    now = datetime.now(UTC)
    told: dict[str, object] = {
        "kind": "vapour", "subject": subject, "booth": "booth-1", "level": "danger", "what": "Vapour <is> at 30 %",
        "why": "It reads 30 %.", "what_to_do": "Stop spraying.", "since": now - timedelta(minutes=4), "raised_at": now,
    }  # fmt: skip
    stored = data.records().alerts.raise_(Alert(**{**told, **changed}), ())  # type: ignore[arg-type]
    assert stored is not None
    data.open_alerts.clear()
    return stored


def opened(page: str | None = None) -> AppTest:
    test = AppTest.from_file(str(APP), default_timeout=60).run()
    return test if page is None else test.switch_page(page).run()


def banner(test: AppTest) -> str:
    return "\n".join(block.proto.body for block in test.get("html") if "data-alert" in block.proto.body)


def test_without_an_alert_there_is_no_banner(shop: Path) -> None:
    assert banner(opened()) == ""


@pytest.mark.parametrize("page", [None, *PAGES])
def test_every_page_shows_an_alert_with_what_since_why_and_what_to_do(shop: Path, page: str | None) -> None:
    raised(caution=ISOCYANATE_CAUTION)
    test = opened(page)
    assert not test.exception
    body = banner(test)
    assert 'data-level="danger"' in body
    assert "DANGER" in body
    assert "since today" in body
    assert "Vapour &lt;is&gt; at 30\u00a0%" in body
    assert "It reads 30\u00a0%." in body
    assert "To do: Stop spraying." in body
    assert "No sensor here can detect them" in body


def test_an_acknowledged_alert_leaves_the_banner_and_stays_open(shop: Path) -> None:
    alert = raised()
    test = opened()
    test.button(key=f"ack-{alert.id}").click().run()
    assert not test.exception
    assert banner(test) == ""
    assert [(each.cleared_at, each.acknowledged_at is None) for each in data.records().alerts.open()] == [(None, False)]


def test_a_snoozed_alert_leaves_the_banner_for_two_hours(shop: Path) -> None:
    alert = raised()
    test = opened()
    test.button(key=f"snooze-{alert.id}").click().run()
    assert banner(test) == ""
    (snoozed,) = data.records().alerts.open()
    assert snoozed.snoozed_until is not None
    assert timedelta(minutes=119) < snoozed.snoozed_until - datetime.now(UTC) <= timedelta(hours=2)


def test_what_is_over_when_it_is_tapped_is_said(shop: Path) -> None:
    alert = raised()
    test = opened()
    data.records().alerts.clear(alert.id, datetime.now(UTC))
    test.button(key=f"ack-{alert.id}").click().run()
    assert not test.exception
    assert any("is over since" in block.value for block in test.warning)


def test_danger_stands_first_and_of_many_notices_none_pushes_the_page_down(shop: Path) -> None:
    for number in range(3):
        raised(f"coat {number}", kind="ready", level="notice", what=f"Shell {number}: ready to recoat")
    raised()
    test = opened()
    blocks = [block.proto.body for block in test.get("html") if "data-alert" in block.proto.body]
    assert 'data-level="danger"' in blocks[0]
    assert sum("data-alert" in block.proto.body for block in test.get("html")) == 4
    strips = [block.proto.body for block in test.get("html") if "data-strip" in block.proto.body]
    assert len(strips) == 1
    assert "ready to recoat" in strips[0]
