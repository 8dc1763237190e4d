"""The Ledger page over real stores: what it counts, what it says it does not, and what a person can change."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from collector.advice import ledger
from collector.advice.display import Units
from collector.advice.voc_display import LedgerUnits
from collector.records.model import Coat, Material, Mix, Piece, SolventUse
from dashboard import data, ledger_parts

APP = Path(dashboard.__file__).with_name("app.py")
METRIC = LedgerUnits(Units("metric"))


def opened() -> AppTest:
    test = AppTest.from_file(str(APP), default_timeout=60)
    test.run()
    return test.switch_page("views/ledger.py").run()


def html(test: AppTest) -> str:
    return "\n".join(block.proto.body for block in test.get("html"))


def spray(millilitres: float | None, name: str = "Lacquer", **material: object) -> Coat:
    """One coat, ended a minute ago, of a material with 500 g/l unless told otherwise."""
    records, now = data.records(), datetime.now(UTC).replace(microsecond=0)
    known = {made.name: made for made in records.materials()}
    made = known.get(name) or records.add_material(
        Material(**{"name": name, "chemistry": "solvent_lacquer", "role": "clear", "voc_g_l": 500, **material})
    )
    pieces = records.pieces() or [records.add_piece(Piece(name="Drum <shell>"))]
    coat = Coat(
        piece_id=pieces[0].id,
        mix=records.add_mix(Mix(material=made)),
        booth="booth-1",
        started_at=now - timedelta(minutes=2),
        ended_at=now - timedelta(minutes=1),
        sprayed_ml=millilitres,
    )
    logged = records.log_coat(coat)
    data.changed()
    return logged


def test_an_empty_ledger_opens_and_says_that_no_limit_is_set(empty_shop: Path) -> None:
    test = opened()
    assert not test.exception
    assert "No limit is set for twelve months" in html(test)
    assert "your local rules and the product's safety data sheet take precedence" in html(test).replace("&#x27;", "'")


def test_the_months_kilograms_are_those_of_its_coats(empty_shop: Path) -> None:
    spray(2000.0)
    body = html(opened())
    assert '<div class="value">1.00<span>kg</span></div>' in body  # 2 l of 500 g/l
    assert "Drum &lt;shell&gt;" in body  # and what a person typed is no markup


@pytest.mark.parametrize(("limit", "stands"), [("5", "within"), ("1.02", "too close to tell"), ("0.5", "above")])
def test_twelve_months_stand_to_the_limit_the_shop_sets(
    empty_shop: Path, monkeypatch: pytest.MonkeyPatch, limit: str, stands: str
) -> None:
    monkeypatch.setenv("TACKFREE_LEDGER_VOC_LIMIT_KG_12_MONTHS", limit)
    spray(2000.0)
    assert f'data-limit="{stands}"' in html(opened())


def test_a_coat_without_volume_takes_the_plain_within_away_and_is_listed(
    empty_shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TACKFREE_LEDGER_VOC_LIMIT_KG_12_MONTHS", "5")
    spray(2000.0)
    spray(None)
    body = html(opened())
    assert 'data-limit="within so far"' in body
    assert "Not counted: 1 of 2 entries, so the total can only be higher." in body
    assert "no volume: its millilitres were not noted" in body


def test_each_coat_wears_the_word_of_its_limit(empty_shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TACKFREE_LEDGER_COATING_LIMIT_G_L", "275")
    spray(100.0, solvents={"toluene": 1.0})
    body = html(opened())
    assert "Limit you set" in body
    assert " above</span>" in body


def test_solvent_added_on_the_page_is_in_the_store_and_can_be_taken_back(empty_shop: Path) -> None:
    test = opened()
    test.selectbox(key="solvent-what").set_value("toluene")
    test.number_input(key="solvent-volume").set_value(0.5)
    next(button for button in test.button if button.label == "Add to the ledger").click()
    test.run()
    (stored,) = data.records().solvent_uses()
    assert (stored.what, stored.litres, stored.voc_g_l) == ("toluene", 0.5, None)
    assert [block.value for block in test.success] == ["In the ledger: 500 ml of toluene."]
    test.button(key="undo-button").click().run()
    assert data.records().solvent_uses() == []


def test_solvent_without_a_name_or_volume_is_refused_in_words(empty_shop: Path) -> None:
    test = opened()
    next(button for button in test.button if button.label == "Add to the ledger").click()
    test.run()
    assert [block.value for block in test.error] == [
        "Choose a solvent and give its volume: what was used, less what was collected."
    ]
    assert data.records().solvent_uses() == []


def test_solvent_is_deleted_with_a_way_back(empty_shop: Path) -> None:
    stored = data.records().add_solvent_use(SolventUse(at=datetime.now(UTC), what="acetone", litres=0.2))
    test = opened()
    test.button(key=f"delete-solvent-{stored.id}").click().run()
    assert data.records().solvent_uses() == []
    test.button(key="undo-button").click().run()
    assert [use.what for use in data.records().solvent_uses()] == ["acetone"]


def test_the_csv_of_the_page_is_the_ledgers(empty_shop: Path) -> None:
    spray(2000.0)
    today = datetime.now(data.zone()).date()
    head, row = data.ledger_csv(data.ledger(today)).decode("utf-8").splitlines()
    assert head.startswith("day,time_utc,kind")
    assert ",Lacquer,2.0,500.0," in row


# The chart


def totals(kilograms: dict[str, float], left_out: tuple[ledger.Entry, ...] = ()) -> ledger.Total:
    return ledger.Total(
        voc_kg=ledger.Figure(value=sum(kilograms.values()), standard_uncertainty=0.0),
        by_what_kg=kilograms,
        used_l={},
        counted=len(kilograms),
        left_out=left_out,
    )


def test_bars_stack_to_the_total_whatever_is_gathered_as_others() -> None:
    many = {f"material {index}": float(index + 1) for index in range(12)}
    spec = ledger_parts.chart([("1", totals(many)), ("2", totals({"material 3": 7.0}))], METRIC, dark=False)
    assert [one["name"] for one in spec["series"]][-1] == "6 others"
    assert len(spec["series"]) == 7
    assert sum(one["data"][0] for one in spec["series"]) == pytest.approx(sum(many.values()))
    assert sum(one["data"][1] for one in spec["series"]) == pytest.approx(7.0)


def test_bars_differ_by_pattern_and_not_by_colour_alone() -> None:
    assert ledger_parts.chart([("1", totals({"a": 1.0}))], METRIC, dark=True)["aria"]["decal"]["show"]


def test_every_day_of_the_month_has_its_place_and_a_star_where_something_is_left_out(empty_shop: Path) -> None:
    spray(None)
    today = datetime.now(data.zone()).date()
    bars = ledger_parts.day_bars(data.ledger(today), today.replace(day=1))
    assert [label for label, _ in bars][-1] == f"{today.day}*"
    assert len(bars) == today.day


def test_twelve_months_name_their_year_where_it_begins() -> None:
    found = ledger.Ledger(until=date(2026, 3, 5), first_day=date(2025, 3, 6), entries=())
    labels = [label for label, _ in ledger_parts.month_bars(found)]
    assert labels[0] == "Apr\n2025"
    assert [label for label in labels if "2026" in label] == ["Jan\n2026"]
    assert len(labels) == 12


@pytest.mark.parametrize(
    ("value", "spread", "shown"),
    [
        (1.2345, 0.0871, ("1.23", "0.09")),
        (1.2345, 0.123, ("1.23", "0.12")),
        (743.2, 35.1, ("743", "35")),
        (0.0, 0.0, ("0", "0")),
    ],
)
def test_a_number_ends_where_its_spread_stops_telling(value: float, spread: float, shown: tuple[str, str]) -> None:
    from collector.advice.voc_display import number_and_spread

    assert number_and_spread(value, spread) == shown
