"""The Rack page over real stores: what can be done now in view, a check in two taps, and the way back from each."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from collector.records.model import BoothSetup, Check, Mix, Piece
from dashboard import data
from tests.dashboard import seeding
from tests.dashboard.test_pages import html, opened, said

PAGE = "views/rack.py"
SHELL, STEEL = 1, 2


@pytest.fixture
def shelf(shop: Path) -> Path:
    """The shop with a fortnight's log behind it, so that a forecast has a pattern to go by."""
    now = datetime.now(UTC).replace(microsecond=0)
    seeding.put(shop, "air-1", seeding.AIR, *seeding.every(900, now - timedelta(days=14), now - timedelta(hours=2)))
    return shop


def cards(test: AppTest) -> dict[int, str]:
    """Piece to its group."""
    return {int(piece): when for piece, when in re.findall(r'data-piece="(\d+)" data-when="(\w+)"', html(test))}


def test_every_piece_is_on_the_rack_with_what_can_be_done_next(shelf: Path) -> None:
    test = opened(PAGE)
    assert not test.exception
    assert said(test) == []
    body = html(test)
    assert "Snare shell, maple" in body and "Lap steel 1" in body
    assert "First coat now" in body and "No coat yet" in body
    assert "Nitrocellulose lacquer, clear, " in body


def test_a_coat_being_sprayed_is_now_and_can_be_ended(shelf: Path) -> None:
    records = data.records()
    coat = records.start_coat(STEEL, records.mixes()[0].id, seeding.BOOTH, data.now() - timedelta(minutes=3))
    test = opened(PAGE)
    assert cards(test)[STEEL] == "now"
    assert "Being sprayed" in html(test)
    test.button(key=f"end-{STEEL}").click().run()
    assert records.coat(coat.id).ended_at is not None
    assert any("Coat ended on Lap steel 1" in block.value for block in test.success)


@pytest.mark.parametrize(("word", "passed"), [("Yes", True), ("Not yet", False)])
def test_a_check_takes_two_taps_and_can_be_taken_back(shelf: Path, word: str, passed: bool) -> None:
    coat = data.coats(piece_id=SHELL)[0]
    test = opened(PAGE)
    test.button(key=f"check-{SHELL}").click().run()
    test.button(key=f"asked-{word}-{coat.id}").click().run()
    [saved] = data.records().checks(coat.id)
    assert saved.passed is passed
    assert saved.stage in {stage.stage for stage in coat.mix.material.stages}
    assert any("Snare shell, maple" in block.value and word.lower() in block.value for block in test.success)
    test.button(key="undo-button").click().run()
    assert data.records().checks(coat.id) == []


def test_the_stage_a_check_is_about_can_be_changed(shelf: Path) -> None:
    coat = data.coats(piece_id=SHELL)[0]
    test = opened(PAGE)
    test.button(key=f"check-{SHELL}").click().run()
    offered = test.get("button_group")[-1]
    other = "tack_free"
    offered.set_value(other).run()
    test.button(key=f"asked-Not yet-{coat.id}").click().run()
    assert [check.stage for check in data.records().checks(coat.id)] == [other]


def test_a_check_can_be_left_without_one(shelf: Path) -> None:
    test = opened(PAGE)
    test.button(key=f"check-{SHELL}").click().run()
    test.button(key=f"back-{SHELL}").click().run()
    assert [button.key for button in test.button if button.key == f"check-{SHELL}"]
    assert data.records().checks(data.coats(piece_id=SHELL)[0].id) == []


def test_what_can_take_a_role_now_is_all_that_is_left(shelf: Path) -> None:
    # Bare: takes a sealer; a clear lacquer of an hour ago does not
    test = opened(PAGE)
    test.get("button_group")[0].set_value("Sealer").run()
    assert set(cards(test)) == {STEEL}
    test.get("button_group")[0].set_value("All").run()
    assert SHELL in cards(test)
    test.get("button_group")[0].set_value("Crackle").run()
    assert cards(test) == {}
    assert any("Nothing can take a crackle topcoat now" in block.value for block in test.info)


def test_the_booths_own_material_is_asked_for_only_on_a_tap(shelf: Path) -> None:
    records = data.records()
    sealer = next(material for material in records.materials() if material.role == "sealer")
    records.set_up_booth(BoothSetup(booth=seeding.BOOTH, piece_id=None, material_id=sealer.id, changed_at=data.now()))
    test = opened(PAGE)
    assert SHELL in cards(test)
    test.get("button_group")[0].set_value("As booth").run()
    assert set(cards(test)) == {STEEL}
    assert f"set up for {sealer.name}" in html(test)


def test_a_booth_that_is_not_set_up_shows_everything_and_says_so(shelf: Path) -> None:
    test = opened(PAGE)
    test.get("button_group")[0].set_value("As booth").run()
    assert SHELL in cards(test)
    assert any("is not set up for a material" in block.value for block in test.info)


def test_a_heating_plan_goes_into_the_forecast_and_the_link(shelf: Path) -> None:
    test = opened(PAGE)
    test.text_input(key="heating-plan").set_value("24 °C").run()
    assert not test.exception
    assert said(test) == []
    assert "heating plan" in html(test).lower()
    assert test.query_params["plan"] == "24 °C"


def test_a_plan_that_cannot_be_read_is_refused_in_words_and_the_rack_stays(shelf: Path) -> None:
    test = opened(PAGE, plan="warm it up")
    assert any("warm it up" in text for text in said(test))
    assert SHELL in cards(test)


def test_a_link_to_a_piece_shows_it_first(shelf: Path) -> None:
    test = opened(PAGE, piece=str(SHELL))
    assert next(iter(cards(test))) == SHELL
    test.button(key="all-pieces").click().run()
    assert "piece" not in test.query_params


def test_a_link_to_a_piece_that_is_not_there_says_so(shelf: Path) -> None:
    test = opened(PAGE, piece="999")
    assert any("is not there" in text for text in said(test))
    assert SHELL in cards(test)


def test_the_rack_cautions_where_the_coat_holds_isocyanates(shelf: Path) -> None:
    caution = "No sensor here can detect them"
    assert caution not in html(opened(PAGE))
    urethane = data.records().material("Two-component urethane, clear")
    data.start_coat(data.records().piece("Lap steel 1"), Mix(material=urethane), seeding.BOOTH)
    assert caution in html(opened(PAGE))


def test_a_piece_moved_to_a_typed_warmth_says_where_it_stands(shelf: Path) -> None:
    test = opened(PAGE)
    test.button(key=f"more-of-{SHELL}").click().run()
    test.text_input(key=f"place-{SHELL}").set_value("heated room")
    test.number_input(key=f"place-warm-{SHELL}").set_value(25.0)
    next(button for button in test.button if button.label == "Move it").click().run()
    assert not test.exception
    [moved] = data.records().places(SHELL)
    assert (moved.place, moved.air_c, moved.booth) == ("heated room", 25.0, "")
    assert "Stands in: <b>heated room, 25" in html(test)
    test.button(key="undo-button").click().run()
    assert data.records().places(SHELL) == []


def test_a_move_without_warmth_or_booth_is_refused_in_words(shelf: Path) -> None:
    test = opened(PAGE)
    test.button(key=f"more-of-{SHELL}").click().run()
    next(button for button in test.button if button.label == "Move it").click().run()
    assert any("expected the temperature of the place" in text for text in said(test))
    assert data.records().places(SHELL) == []


def test_what_was_learned_names_its_checks_and_each_can_be_withdrawn(shelf: Path) -> None:
    coat = data.coats(piece_id=SHELL)[0]
    assert coat.ended_at is not None
    made = data.add_check(
        Check(
            coat_id=coat.id, at=coat.ended_at + timedelta(minutes=50), stage="tack_free", method="finger", passed=False
        )
    )
    test = opened(PAGE)
    test.button(key=f"more-of-{SHELL}").click().run()
    test.session_state[f"learned-of-{SHELL}"] = True
    test.run()
    body = html(test)
    assert "Tack-free: not yet" in body
    assert "the estimate" in body
    test.button(key=f"withdraw-{coat.id}-{made.id}").click().run()
    assert data.records().checks(coat.id) == []
    test.button(key="undo-button").click().run()
    assert [check.id for check in data.records().checks(coat.id)] == [made.id]


def test_two_hundred_pieces_are_paged_and_none_is_left_out(shelf: Path) -> None:
    records = data.records()
    for number in range(200):
        records.add_piece(Piece(name=f"Shell {number:03}"))
    data.changed()
    test = opened(PAGE)
    assert not test.exception
    assert len(cards(test)) == 24
    body = html(test)
    assert all(f"Shell {number:03}" in body for number in range(200))
    test.button(key="more-now").click().run()
    assert len(cards(test)) == 48


def test_an_empty_shop_says_what_to_do(shop: Path) -> None:
    data.delete("coat", data.coats()[0].id)
    for piece in data.pieces():
        data.delete("piece", piece.id)
    assert any("No piece is in hand" in block.value for block in opened(PAGE).info)
