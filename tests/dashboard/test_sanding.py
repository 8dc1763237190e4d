"""The Sanding page, run without a browser over a real record store."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from streamlit.testing.v1 import AppTest

from collector.advice.sanding import log_of
from collector.records.model import Coat, Mix, Piece
from dashboard import data

PAGE = str(Path(__file__).parents[2] / "dashboard" / "views" / "sanding.py")


def coated(name: str, coats: int, material: str = "Nitrocellulose lacquer, clear") -> Piece:
    store = data.records()
    piece = store.add_piece(Piece(name=name))
    mix = store.add_mix(Mix(material=store.material(material), reducer_fraction=0.5))
    for day in range(coats):
        at = data.now() - timedelta(days=coats - day, hours=1)
        store.log_coat(
            Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at, wet_film_low_um=75,
                 wet_film_high_um=100)
        )  # fmt: skip
    data.changed()
    return piece


def page_of(piece: Piece | None) -> AppTest:
    app = AppTest.from_file(PAGE, default_timeout=60)
    if piece is not None:
        app.query_params["piece"] = str(piece.id)
    app.run()
    assert not app.exception
    return app


def html(app: AppTest) -> str:
    return " ".join(str(part.proto.body) for part in app.get("html")).replace("\u00a0", " ")


def verdict(app: AppTest) -> str:
    return html(app).partition('data-verdict="')[2].partition('"')[0]


def test_an_empty_shop_is_told_where_to_begin(empty_shop: Path) -> None:
    app = page_of(None)
    assert [box.value for box in app.info] == ["No piece is in hand. Add one on the Coats page."]


def test_the_verdict_follows_the_clear(empty_shop: Path) -> None:
    assert verdict(page_of(coated("None", 0))) == "cannot tell"
    assert verdict(page_of(coated("One", 1))) == "hold"
    app = page_of(coated("Six", 6))
    assert verdict(app) == "go"
    assert "All the way: under 1 % to go through." in html(app)


def test_more_clear_is_asked_for_where_it_does(empty_shop: Path) -> None:
    assert "more coats of 100 µm wet" in html(page_of(coated("One", 1)))


def test_one_tap_notes_that_it_went_well_and_another_takes_it_back(empty_shop: Path) -> None:
    piece = coated("Six", 6)
    app = page_of(piece)
    app.button(key="sanding-well").click().run()
    (saved,) = data.records().sandings(piece.id)
    assert (saved.grits, saved.compounded, saved.through) == (("P800", "P1000", "P1500", "P2000"), True, False)
    assert saved.texture_grade == 3
    app.button(key="undo-button").click().run()
    assert data.records().sandings(piece.id) == []


def test_two_taps_note_at_which_grit_it_went_through(empty_shop: Path) -> None:
    piece = coated("Three", 3)
    app = page_of(piece)
    app.button(key="sanding-through").click().run()
    app.button(key="sanding-at-P1000").click().run()
    assert not app.exception
    (saved,) = data.records().sandings(piece.id)
    assert (saved.grits, saved.compounded) == (("P800", "P1000"), False)
    assert (saved.through, saved.through_at) == (True, "P1000")
    assert verdict(app) == "cannot tell"


def test_a_sanding_withdrawn_on_the_page_no_longer_counts(empty_shop: Path) -> None:
    piece = coated("Three", 3)
    saved = data.add_sanding(log_of(piece, data.now(), ("P800",), through_at="", texture_grade=3))
    app = page_of(piece)
    assert verdict(app) == "cannot tell"
    app.button(key=f"sanding-withdraw-{saved.id}").click().run()
    assert verdict(app) == "hold"


def test_a_sheet_that_has_had_its_uses_is_asked_to_be_changed(empty_shop: Path) -> None:
    piece, other = coated("Six", 6), coated("Other", 6)
    for day in range(3):
        data.add_sanding(log_of(other, data.now() - timedelta(hours=day), ("P1000",), through_at=None, texture_grade=1))
    app = page_of(piece)
    assert "Fresh P1000: the sheet has had its uses." in html(app)


def test_isocyanates_are_cautioned_of_beside_a_go(empty_shop: Path) -> None:
    name = next(each.name for each in data.materials() if each.isocyanate)
    assert "This mix contains isocyanates" in html(page_of(coated("Hard", 8, name)))


def test_a_name_with_markup_stays_a_name(empty_shop: Path) -> None:
    store = data.records()
    material = store.material("Nitrocellulose lacquer, clear")
    store.add_material(replace(material, name="<b>Clear</b>"))
    app = page_of(coated("<i>x</i>", 1, "<b>Clear</b>"))
    assert "<b>Clear</b>" not in html(app)
    assert "<i>x</i>" not in html(app)
