"""What the record says: films with intervals, waits against gates, cures, and what a customer never sees."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from PIL import Image

from collector.cli import main
from collector.records.model import ISOCYANATE_CAUTION, Check, Coat, Mix, Outcome, Piece, RecoatWindow, Sanding
from collector.report import html, pdf
from collector.report.compose import compose
from collector.report.facts import ASSUMED, Measured, Picture
from collector.report.figures import spread_apart
from collector.report.gather import gate

START = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)


def lay(shop, piece, hours, *, material="Nitrocellulose lacquer, clear", mix=None, **more):
    """A coat of five minutes, so many hours after the start."""
    at = START + timedelta(hours=hours)
    found = shop.records.add_mix(mix or Mix(material=shop.records.material(material), reducer_fraction=0.5))
    given = {"wet_film_low_um": 75.0, "wet_film_high_um": 100.0, **more}
    return shop.records.log_coat(
        Coat(piece_id=piece.id, mix=found, booth="booth-1", started_at=at, ended_at=at + timedelta(minutes=5), **given)
    )


def with_solids(shop, solids):
    return replace(shop.records.material("Nitrocellulose lacquer, clear"), solids_volume_fraction=solids)


# -- films ---------------------------------------------------------------------------------------------------


def films_of(shop, *coats):
    """Dry films of a piece with these coats, of a material with 20 % solids."""
    piece = shop.records.add_piece(Piece(name="Films", substrate="maple"))
    material = shop.records.add_material(replace(with_solids(shop, 0.2), name="Twenty per cent", id=0))
    for i, (reducer, given) in enumerate(coats):
        lay(shop, piece, 24 * i, mix=shop.records.add_mix(Mix(material=material, reducer_fraction=reducer)), **given)
    return [each.film for each in shop.record("Films").coats]


def test_a_gauged_film_is_wet_film_times_solids_as_applied(own):
    (film,) = films_of(own, (0.5, {"wet_film_low_um": 75.0, "wet_film_high_um": 100.0}))
    assert film.um == pytest.approx(87.5 * 0.2 / 1.5)
    # By hand: 25/sqrt(12) of 87.5 is 8.25 %, with 5 % for the comb and 5 % for the solids 10.87 %.
    assert film.standard_uncertainty_um == pytest.approx(0.1087 * film.um, rel=0.01)
    assert film.low_um < 0.2 / 1.5 * 75 < film.um < film.high_um


def test_without_a_gauge_millilitres_count_against_the_gauged_coats_and_are_less_sure(own):
    first, second = films_of(
        own,
        (0.0, {"wet_film_low_um": 80.0, "wet_film_high_um": 80.0, "sprayed_ml": 100.0}),
        (0.0, {"wet_film_low_um": None, "wet_film_high_um": None, "sprayed_ml": 50.0}),
    )
    assert second.um == pytest.approx(first.um / 2)
    assert second.standard_uncertainty_um / second.um > 2 * first.standard_uncertainty_um / first.um


def test_a_film_nobody_measured_is_assumed_and_says_so(own):
    (film,) = films_of(own, (0.0, {"wet_film_low_um": None, "wet_film_high_um": None}))
    assert film.um == pytest.approx(own.settings.readiness.wet_film_um * 0.2)
    assert film.basis == ASSUMED and "assumed" in film.how
    assert "Dashed: film not measured" in html.write(compose(own.record("Films"), "customer"))


def test_what_was_sanded_back_is_no_longer_in_the_stack_and_what_was_levelled_is_taken_off(own):
    piece = own.records.add_piece(Piece(name="Sanded", substrate="maple"))
    lay(own, piece, 0)
    own.records.add_sanding(Sanding(piece_id=piece.id, at=START + timedelta(hours=10), sanded_back=True))
    for i in range(1, 4):
        lay(own, piece, 24 * i)
    own.records.add_sanding(
        Sanding(piece_id=piece.id, at=START + timedelta(hours=90), grits=("P1500", "P2000"), compounded=True,
                texture_grade=1, note="sand-secret")
    )  # fmt: skip
    record = own.record("Sanded")
    assert [each.number for each in record.standing] == [2, 3, 4]
    assert record.total.um == pytest.approx(sum(each.film.um for each in record.standing))
    assert 0 < record.left.um < record.total.um
    customer, shop = (html.write(compose(record, reader)) for reader in ("customer", "shop"))
    assert "level-sanded, P1500 to P2000, then compounded" in customer and "all finish sanded back" in customer
    assert "Clear coat left where most was taken off" in customer
    assert "sand-secret" in shop and "sand-secret" not in customer


def test_solids_nobody_knows_leave_the_film_unknown_and_out_of_the_sum(own):
    piece = own.records.add_piece(Piece(name="Half known", substrate="maple"))
    unknown = own.records.add_material(replace(with_solids(own, None), name="No data sheet", id=0))
    lay(own, piece, 0)
    lay(own, piece, 24, mix=Mix(material=unknown))
    record = own.record("Half known")
    assert record.coats[1].film is None and record.unknown_films == (2,)
    assert record.total.um == pytest.approx(record.coats[0].film.um)
    assert "film not known" in html.write(compose(record, "customer"))


def test_what_coats_share_adds_straight_and_what_is_their_own_in_squares(own):
    piece = own.records.add_piece(Piece(name="Four coats", substrate="maple"))
    for i in range(4):
        lay(own, piece, 24 * i)
    record = own.record("Four coats")
    one, total = record.coats[0].film, record.total
    own_part = (one.standard_uncertainty_um**2 - one.shared_uncertainty_um**2) ** 0.5
    assert total.um == pytest.approx(4 * one.um)
    assert total.standard_uncertainty_um == pytest.approx(
        ((4 * one.shared_uncertainty_um) ** 2 + (2 * own_part) ** 2) ** 0.5
    )


# -- waits and cures -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "verdict"),
    [(0.9, "early"), (1.0, "within"), (24.0, "within"), (24.1, "late"), (71.9, "late"), (72.0, "reopened")],
)
def test_a_wait_stands_against_its_window(hours, verdict):
    assert gate(hours, RecoatWindow(min_h=1, soft_end_h=24, reopen_h=72)) == verdict


def test_without_a_window_there_is_no_gate():
    assert gate(5.0, None) == "no gate"


def test_the_demos_blush_is_told_with_what_the_next_coat_had_otherwise(demo):
    defect = demo.record("Lap steel, six string, mahogany").coats[2].defects[0]
    assert defect.outcome.defect == "blushing"
    assert defect.changes == ("retarder 8% (none before)",)
    assert (defect.next_number, defect.came_right) == (4, True)


def test_a_coat_laid_after_the_moment_asked_about_is_not_in_the_record(own):
    piece = own.records.add_piece(Piece(name="Later", substrate="maple"))
    lay(own, piece, 0)
    lay(own, piece, 24 * 10)
    assert len(own.record("Later").coats) == 1


def test_conditions_come_from_the_booths_readings_while_it_was_sprayed(demo):
    coat = demo.record("Lap steel, six string, mahogany").coats[2]
    on = coat.spraying
    assert on.dew_point_c.high < on.surface_c.low
    assert on.margin_k.low <= on.margin_k.mean <= on.margin_k.high
    # That coat was laid just after the floor was rinsed; the one before it was not.
    before = demo.record("Lap steel, six string, mahogany").coats[1].spraying
    assert on.relative_humidity_pct.mean > before.relative_humidity_pct.mean + 10


# -- what a customer never sees ------------------------------------------------------------------------------

PRIVATE = {
    "owner_reference": "owner-secret", "piece_note": "piece-secret", "by": "hand-secret", "gun": "gun-secret",
    "coat_note": "coat-secret", "mix_note": "mix-secret", "check": "check-secret", "outcome": "outcome-secret",
}  # fmt: skip


@pytest.fixture
def talkative(own):
    piece = own.records.add_piece(
        Piece(
            name="Told all", substrate="maple", owner_reference=PRIVATE["owner_reference"], note=PRIVATE["piece_note"]
        )
    )
    urethane = next(m for m in own.records.materials() if m.isocyanate)
    coat = lay(
        own, piece, 0, mix=Mix(material=urethane, catalyst_fraction=0.5, note=PRIVATE["mix_note"]),
        gun_note=PRIVATE["gun"], sprayed_by=PRIVATE["by"], note=PRIVATE["coat_note"],
    )  # fmt: skip
    own.records.add_check(
        Check(coat_id=coat.id, at=START + timedelta(hours=9), stage="tack_free", method="finger", passed=True,
              note=PRIVATE["check"])
    )  # fmt: skip
    own.records.add_outcome(
        Outcome(
            coat_id=coat.id, seen_at=START + timedelta(hours=20), defect="sagging", degree=2, note=PRIVATE["outcome"]
        )
    )
    return own


def test_the_customers_copy_has_no_names_and_no_notes_and_the_shops_has_them_all(talkative):
    for kind in ("customer", "shop"):
        text = talkative.file("Told all", kind, "html").content.decode()
        told = {name for name, secret in PRIVATE.items() if secret in text}
        assert told == (set() if kind == "customer" else set(PRIVATE))


@pytest.mark.parametrize("reader", ["customer", "shop"])
def test_isocyanates_carry_their_caution_for_either_reader(talkative, reader):
    assert ISOCYANATE_CAUTION in talkative.file("Told all", reader, "html").content.decode()


@pytest.mark.parametrize("reader", ["customer", "shop"])
def test_a_mix_without_isocyanates_carries_none(demo, reader):
    text = demo.file("Lap steel, six string, mahogany", reader, "html").content.decode()
    assert "isocyanate" not in text


@pytest.mark.parametrize("reader", ["customer", "shop"])
def test_nothing_is_ever_called_safe(demo, reader):
    for piece in demo.records.pieces(include_done=True):
        text = demo.file(piece.name, reader, "html").content.decode()
        assert not re.search(r"\b(un)?safe(ly)?\b", text, re.IGNORECASE)


# -- HTML, photos, command -----------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", ["customer", "shop"])
def test_the_page_is_well_formed_and_needs_nothing_from_elsewhere(demo, reader):
    for piece in demo.records.pieces(include_done=True):
        text = demo.file(piece.name, reader, "html").content.decode()
        tree = ElementTree.fromstring(text.split("\n", 1)[1])
        assert tree.find("head/title").text.endswith(piece.name)
        assert len(tree.findall(".//h1")) == 1
        assert not any(each.tag in ("script", "link", "iframe", "object") for each in tree.iter())
        assert not re.search(r"https?:|url\(|@import|src=\"(?!data:)", text)


def test_what_is_typed_cannot_become_markup(own):
    name = 'A <b onload="x">piece</b> & more'
    own.records.add_piece(Piece(name=name, note="\x0b</p><script>"))
    text = own.file(name, "shop", "html").content.decode()
    tree = ElementTree.fromstring(text.split("\n", 1)[1])
    assert tree.find(".//h1").text == name
    assert not list(tree.iter("script"))


def test_photos_and_measured_crackle_are_shown_once_there_are_any(demo):
    image = BytesIO()
    Image.new("RGB", (60, 40), (120, 60, 30)).save(image, "PNG")
    record = replace(
        demo.record("Drum shell 13 x 7, crackle"),
        pictures=(Picture(image=image.getvalue(), caption="Front"),),
        crackle=(Measured(name="Middle island", value=6.1, low=5.2, high=7.0, unit="mm"),),
    )
    for reader in ("customer", "shop"):
        document = compose(record, reader)
        text = html.write(document)
        assert 'src="data:image/png;base64,' in text and "Middle island: 6.1 mm (5.2 to 7)" in text
        assert b"/Subtype /Image" in pdf.write(document, record.at)


def test_us_units_are_shown_in_mil_and_fahrenheit(demo):
    text = demo.file("Lap steel, six string, mahogany", "shop", "html", "us").content.decode()
    assert "mil (" in text and "°F" in text
    assert "°C" not in re.sub(r"at \d+ °C|10 °C|24–27 °C|24-27 °C", "", text)


def test_an_unknown_reader_is_named(own):
    own.records.add_piece(Piece(name="Plain"))
    with pytest.raises(ValueError, match="reader 'owner'; expected one of customer, shop"):
        compose(own.record("Plain"), "owner")


def test_labels_are_spread_apart_in_their_order():
    placed = spread_apart([10.0, 10.5, 11.0, 40.0], 5.0, 0.0, 50.0)
    assert placed == [10.0, 15.0, 20.0, 40.0]
    assert spread_apart([48.0, 49.0], 5.0, 0.0, 50.0) == [45.0, 50.0]


def test_the_command_writes_the_file_and_names_an_unknown_piece(own, tmp_path, monkeypatch):
    piece = own.records.add_piece(Piece(name="Lap steel 9", substrate="alder"))
    lay(own, piece, 0)
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["report", "Lap steel 9", "--for", "customer"])
    assert result.exit_code == 0, result.output
    assert (tmp_path / "lap-steel-9-customer.pdf").read_bytes().startswith(b"%PDF-")
    result = CliRunner().invoke(main, ["report", "Lap steel 9", "--for", "shop", "--out", str(tmp_path / "x.html")])
    assert (tmp_path / "x.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    result = CliRunner().invoke(main, ["report", "Lap stel 9", "--for", "shop"])
    assert result.exit_code == 1
    assert "there is no piece 'Lap stel 9'" in result.output and "Traceback" not in result.output
