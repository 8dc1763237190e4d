"""Every page runs over real stores, and says plainly what it cannot do."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import data
from tests.dashboard import seeding

APP = Path(dashboard.__file__).with_name("app.py")
PAGES = ("views/booth.py", "views/rack.py", "views/coats.py")


def opened(page: str, **query: str) -> AppTest:
    """A page as its link opens it."""
    test = AppTest.from_file(str(APP), default_timeout=60)
    test.run()
    for name, value in query.items():
        test.query_params[name] = value
    return test if page == PAGES[0] and not query else test.switch_page(page).run()


def html(test: AppTest) -> str:
    """All HTML blocks of a page."""
    return "\n".join(block.proto.body for block in test.get("html"))


def said(test: AppTest) -> list[str]:
    """What is shown as an error."""
    return [block.value for block in test.error]


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens(shop: Path, page: str) -> None:
    test = opened(page)
    assert not test.exception
    assert said(test) == []


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_on_an_empty_data_folder(empty_shop: Path, page: str) -> None:
    test = opened(page)
    assert not test.exception


def test_without_a_reading_store_the_booth_page_says_so(empty_shop: Path) -> None:
    assert any("does not exist" in text for text in said(opened(PAGES[0])))


def test_a_steady_booth_is_go_for_lacquer(shop: Path) -> None:
    body = html(opened(PAGES[0]))
    assert 'data-verdict="go"' in body
    assert "Nitrocellulose lacquer, clear" in body
    assert "no gas detector, no interlock" in body


def test_a_damp_reading_of_a_new_node_turns_the_verdict(shop: Path) -> None:
    seeding.put(shop, "hand", {"relative_humidity": 95.0}, datetime.now(UTC))
    body = html(opened(PAGES[0]))
    assert 'data-verdict="hold"' in body
    assert "(hand)" in body


def test_no_way_out_is_shown_where_blush_is_under_the_limit(shop: Path) -> None:
    assert "What would bring blush" not in html(opened(PAGES[0]))


def test_ways_out_are_being_worked_out_where_blush_is_over_the_limit(shop: Path) -> None:
    damp = {"air_temperature": 24.0, "relative_humidity": 80.0, "surface_temperature": 21.0}
    seeding.put(shop, "hand", damp, datetime.now(UTC))
    body = html(opened(PAGES[0]))
    assert "What would bring blush under your limit of 10 %" in body
    assert "Working it out" in body


def test_an_isocyanate_mix_always_wears_its_caution(shop: Path) -> None:
    urethane = data.records().material("Two-component urethane, clear")
    test = opened(PAGES[0], material=str(urethane.id))
    assert "contains isocyanates" in html(test)


def test_a_chart_is_drawn_of_the_day(shop: Path) -> None:
    assert len(opened(PAGES[0]).get("echarts_chart")) == 1


@pytest.mark.parametrize("number", ["9999", "-3", "lacquer", "<b>1</b>"])
def test_a_link_to_an_unknown_material_is_told_and_the_page_goes_on(shop: Path, number: str) -> None:
    test = opened(PAGES[0], material=number)
    assert not test.exception
    assert any("which is not there" in text for text in said(test))
    assert "data-verdict" in html(test)


@pytest.mark.parametrize("number", ["9999", "x", ""])
def test_a_link_to_an_unknown_coat_is_told(shop: Path, number: str) -> None:
    test = opened(PAGES[2], coat=number)
    assert not test.exception
    assert any("There is no coat" in text for text in said(test))


def test_a_coat_is_logged_in_three_taps_and_ended_in_one(shop: Path) -> None:
    test = opened(PAGES[2])
    records = data.records()
    piece = records.piece("Lap steel 1")
    test.get("button_group")[0].set_value(piece.id).run()
    test.get("button_group")[1].set_value("Nitrocellulose lacquer, clear + 50% reducer").run()
    test.button(key="start-coat").click().run()
    assert not test.exception
    coat = records.open_coat(piece.id)
    assert coat is not None
    test.button(key=f"done-{coat.id}").click().run()
    assert records.coat(coat.id).ended_at is not None


def test_a_deleted_coat_comes_back_by_undo(shop: Path) -> None:
    records = data.records()
    coat = records.coats()[0]
    test = opened(PAGES[2], coat=str(coat.id))
    test.button(key="delete-coat").click().run()
    assert records.coats() == []
    test.button(key="undo-button").click().run()
    assert records.coats() == [coat]


def test_a_piece_of_a_name_that_is_taken_is_refused_in_words(shop: Path) -> None:
    test = opened(PAGES[2])
    next(box for box in test.text_input if box.label == "Name").input("lap steel 1")
    next(button for button in test.button if button.label == "Add piece").click().run()
    assert not test.exception
    assert any("already" in text for text in said(test))


def test_a_coat_shows_its_conditions_and_takes_checks_and_outcomes(shop: Path) -> None:
    records = data.records()
    coat = records.coats()[0]
    test = opened(PAGES[2], coat=str(coat.id))
    assert "Air while spraying" in html(test)
    assert len(test.get("echarts_chart")) == 1
    next(button for button in test.button if button.label == "Save check").click().run()
    next(button for button in test.button if button.label == "Save outcome").click().run()
    assert len(records.checks(coat.id)) == 1
    assert len(records.outcomes(coat.id)) == 1
    assert not test.exception


def test_an_untouched_edit_form_changes_nothing(shop: Path) -> None:
    records = data.records()
    coat = records.coats()[0]
    test = opened(PAGES[2], coat=str(coat.id))
    next(button for button in test.button if button.label == "Save coat").click().run()
    assert not test.exception
    assert records.coat(coat.id) == coat


def test_button_and_lamp_follow_the_choice_after_one_tap(shop: Path) -> None:
    page = opened(PAGES[0], piece="1")
    assert "follow nothing yet" in html(page)
    page.button(key="hands-free").click().run()
    setup = data.records().booth_setups()[0]
    assert setup.piece_id == 1
    assert "Button and lamp of the nodes follow: Nitrocellulose lacquer, clear on" in html(page)
