"""The VOC ledger over a real record store: what is counted, what is left out and why, and how sure it is."""

import csv
import io
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.advice import ledger
from collector.advice.voc_content import content_of_mix, content_of_use
from collector.errors import NotFound
from collector.physics.voc import as_applied
from collector.records.model import Coat, Material, Mix, Piece, SolventUse
from collector.records.repository import open_records
from collector.settings import Ledger as LedgerSettings

BERLIN = ZoneInfo("Europe/Berlin")
NOON = datetime(2026, 11, 20, 11, 0, tzinfo=UTC)
TODAY = date(2026, 11, 25)
EXACT = {
    "data_sheet_accuracy_pct": 0.0,
    "blend_accuracy_pct": 0.0,
    "volume_accuracy_pct": 0.0,
    "mixing_accuracy_pct": 0.0,
    "thinner_accuracy_g_l": 0.0,
    "catalyst_accuracy_g_l": 0.0,
}


@pytest.fixture
def records(tmp_path):
    opened = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    yield opened
    opened.close()


def material(**more):
    return Material(**{"name": "Lacquer", "chemistry": "solvent_lacquer", "role": "clear", **more})


def spray(records, made, ml=100.0, at=NOON, minutes=5, **fractions):
    try:
        stored = records.material(made.name)
    except NotFound:
        stored = records.add_material(made)
    pieces = records.pieces() or [records.add_piece(Piece(name="Drum shell"))]
    mix = records.add_mix(Mix(material=stored, **fractions))
    ended = None if minutes is None else at + timedelta(minutes=minutes)
    return records.log_coat(
        Coat(piece_id=pieces[0].id, mix=mix, booth="booth-1", started_at=at, ended_at=ended, sprayed_ml=ml)
    )


def gathered(records, until=TODAY, **settings):
    return ledger.gather(records, until, BERLIN, LedgerSettings(**settings))


def applied(made, settings, **fractions):
    content = content_of_mix(Mix(material=made, **fractions), settings)
    return as_applied(content.parts), content


# What a mix holds


def test_reducer_and_catalyst_count_by_their_volume():
    # (500 + 0.5 x 850 + 0.25 x 400) / 1.75 g/l
    settings = LedgerSettings(**EXACT, catalyst_voc_g_l=400.0)
    mixed, _ = applied(material(voc_g_l=500), settings, reducer_fraction=0.5, catalyst_fraction=0.25)
    assert mixed.actual_g_l == pytest.approx((500 + 425 + 100) / 1.75)


def test_a_waterborne_material_is_reduced_with_water_and_that_is_said():
    made = material(
        chemistry="waterborne",
        voc_g_l=90,
        solids_volume_fraction=0.3,
        solvents={"water": 0.86, "2-butoxyethanol": 0.14},
    )
    dry, _ = applied(made, LedgerSettings(**EXACT))
    thinned, content = applied(made, LedgerSettings(**EXACT), reducer_fraction=0.2)
    assert thinned.actual_g_l == pytest.approx(90 / 1.2)
    assert thinned.regulatory_g_l == pytest.approx(dry.regulatory_g_l)  # water changes nothing less water
    assert "The reducer of a waterborne material is taken as water." in content.assumed


def test_acetone_is_left_out_of_voc_and_of_the_regulatory_volume():
    # 20 % solids; the volatile 80 % is half acetone (790.2 kg/m3), half toluene by mass
    made = material(solids_volume_fraction=0.2, solvents={"acetone": 0.5, "toluene": 0.5})
    mixed, content = applied(made, LedgerSettings(**EXACT))
    assert mixed.regulatory_g_l > 1.5 * mixed.actual_g_l
    assert "Acetone is on the exempt list and does not count as VOC." in content.assumed
    every, _ = applied(made, LedgerSettings(**EXACT, exempt_list="none"))
    assert every.actual_g_l == pytest.approx(2 * mixed.actual_g_l)
    assert every.regulatory_g_l == pytest.approx(every.actual_g_l)


def test_a_material_without_voc_is_worked_out_from_solids_and_blend_and_known_less_well():
    # Toluene alone at 866.8 +- 1 kg/m3 (20 C): 0.75 l of it in a litre
    made = material(solids_volume_fraction=0.25, solvents={"toluene": 1.0})
    mixed, content = applied(made, LedgerSettings())
    assert mixed.actual_g_l == pytest.approx(0.75 * 866.8, rel=2e-3)
    assert mixed.actual_uncertainty_g_l == pytest.approx(0.15 * mixed.actual_g_l / 3**0.5)
    assert any("worked out from its solids and blend" in text for text in content.assumed)


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({}, "its material has no voc_g_l, and its solvents are not named"),
        ({"solvents": {"toluene": 1.0}}, "and its solids by volume are not given"),
        ({"solids_volume_fraction": 0.2, "solvents": {"moonshine": 1.0}}, "solvent 'moonshine' is not in the table"),
    ],
)
def test_a_material_that_tells_too_little_is_unknown_and_not_zero(more, why):
    content = content_of_mix(Mix(material=material(**more)), LedgerSettings())
    assert content.parts == ()
    assert why in content.unknown


def test_a_sheet_that_is_less_water_and_exempt_is_brought_to_everything():
    made = material(
        chemistry="waterborne",
        voc_g_l=250,
        solids_volume_fraction=0.3,
        solvents={"water": 0.86, "2-butoxyethanol": 0.14},
    )
    mixed, _ = applied(made, LedgerSettings(**EXACT, data_sheet_voc="less_water_and_exempt"))
    assert mixed.regulatory_g_l == pytest.approx(250)
    assert mixed.actual_g_l == pytest.approx(250 * (1 - mixed.excluded_fraction))
    assert mixed.excluded_fraction > 0.5


def test_without_the_shares_a_sheet_less_water_and_exempt_tells_nothing_of_the_mass():
    content = content_of_mix(
        Mix(material=material(voc_g_l=250)), LedgerSettings(data_sheet_voc="less_water_and_exempt")
    )
    assert content.parts == ()
    assert "less water and exempt solvent, and its solvents are not named" in content.unknown


def test_without_the_blend_only_the_actual_figure_is_told():
    mixed, content = applied(material(voc_g_l=500), LedgerSettings())
    assert mixed.actual_g_l == pytest.approx(500)
    assert not content.regulatory_known


def test_a_sheet_and_a_blend_at_odds_are_said_and_give_no_regulatory_figure():
    made = material(voc_g_l=690, solids_volume_fraction=0.2, solvents={"acetone": 0.5, "toluene": 0.5})
    mixed, content = applied(made, LedgerSettings())
    assert mixed.actual_g_l == pytest.approx(690)
    assert not content.regulatory_known
    assert any("one of them wants mending" in text for text in content.assumed)


# Solvent beside the coats


@pytest.mark.parametrize(
    ("what", "voc_g_l", "expected"),
    [
        ("toluene", None, 866.8),  # its density, table: 866.8 +- 1
        ("acetone", None, 0.0),  # exempt
        ("acetone=0.5, toluene=0.5", None, 1 / (1 / 790.2 + 1 / 866.8)),  # half the mass over both volumes
        ("gun cleaner", 640.0, 640.0),
        ("toluene", 100.0, 100.0),  # what a person wrote goes before the table
    ],
)
def test_a_solvent_gives_off_what_its_sheet_or_the_table_says(what, voc_g_l, expected):
    content = content_of_use(SolventUse(at=NOON, what=what, litres=1, voc_g_l=voc_g_l), LedgerSettings())
    assert as_applied(content.parts).actual_g_l == pytest.approx(expected, rel=2e-3)


def test_a_cleaner_of_no_known_solvent_is_left_out_and_told_how_to_be_counted():
    content = content_of_use(SolventUse(at=NOON, what="gun cleaner", litres=1), LedgerSettings())
    assert content.parts == ()
    assert content.unknown == "VOC of gun cleaner not known: give its g/l, or name the solvents it is made of"


# Adding up


def test_a_coat_gives_off_its_voc_as_applied_times_its_volume(records):
    spray(records, material(voc_g_l=500), ml=150, reducer_fraction=1.0)
    (entry,) = gathered(records, **EXACT).entries
    assert entry.emission.kg == pytest.approx(0.150 * (500 + 850) / 2 / 1000)
    assert entry.used_l == pytest.approx({"Lacquer": 0.075, "reducer": 0.075})


def test_totals_of_month_and_twelve_months_take_coats_and_cleaning_together(records):
    spray(records, material(voc_g_l=500), ml=200)
    spray(records, material(voc_g_l=500), ml=100, at=NOON - timedelta(days=60))
    records.add_solvent_use(SolventUse(at=NOON, what="thinner", litres=0.5, voc_g_l=800))
    found = gathered(records, **EXACT)
    assert found.month.voc_kg.value == pytest.approx(0.1 + 0.4)
    assert found.twelve_months.voc_kg.value == pytest.approx(0.1 + 0.05 + 0.4)
    assert found.twelve_months.by_what_kg == pytest.approx({"thinner": 0.4, "Lacquer": 0.15})
    assert [(first, round(total.voc_kg.value, 6)) for first, total in found.months()][-3:] == [
        (date(2026, 9, 1), 0.05),
        (date(2026, 10, 1), 0.0),
        (date(2026, 11, 1), 0.5),
    ]


def test_months_and_days_are_the_shops_and_not_utcs(records):
    # 23:30 UTC on 31 October is 0:30 on 1 November in Berlin
    spray(records, material(voc_g_l=500), at=datetime(2026, 10, 31, 23, 30, tzinfo=UTC))
    found = gathered(records)
    assert [day for day, _ in found.days(date(2026, 10, 1), TODAY)] == [date(2026, 11, 1)]
    assert found.month.counted == 1


def test_twelve_months_end_with_the_day_and_begin_a_day_after_its_last_year(records):
    inside, outside = datetime(2025, 11, 26, 12, tzinfo=UTC), datetime(2025, 11, 25, 12, tzinfo=UTC)
    spray(records, material(voc_g_l=500), at=inside)
    spray(records, material(voc_g_l=500), at=outside)
    spray(records, material(voc_g_l=500), at=datetime(2026, 11, 26, 12, tzinfo=UTC))
    found = gathered(records)
    assert found.first_day == date(2025, 11, 26)
    assert found.twelve_months.counted == 1


def test_a_leap_day_has_twelve_months_before_it(records):
    assert gathered(records, until=date(2028, 2, 29)).first_day == date(2027, 3, 1)


def test_a_coat_without_volume_is_listed_with_its_reason_and_is_in_no_number(records):
    spray(records, material(voc_g_l=500), ml=None)
    spray(records, material(voc_g_l=500), ml=100)
    spray(records, material(name="Mystery"), ml=100)
    spray(records, material(voc_g_l=500), ml=None, minutes=None, at=NOON + timedelta(hours=2))
    found = gathered(records, **EXACT)
    assert found.month.voc_kg.value == pytest.approx(0.05)
    assert (found.month.counted, len(found.month.left_out)) == (1, 3)
    assert ledger.left_out_reasons(found.entries) == {
        "VOC of Mystery cannot be told: its material has no voc_g_l, and its solvents are not named": 1,
        "no volume: its millilitres were not noted": 1,
        "still being sprayed": 1,
    }
    assert found.month.used_l["Mystery"] == pytest.approx(0.1)  # its litres are known though its VOC is not


def test_a_deleted_coat_and_a_deleted_use_do_not_count(records):
    coat = spray(records, material(voc_g_l=500))
    use = records.add_solvent_use(SolventUse(at=NOON, what="toluene", litres=1))
    records.delete("coat", coat.id)
    records.delete("solvent_use", use.id)
    assert gathered(records).entries == ()


def test_a_coat_keeps_the_voc_of_the_material_it_was_sprayed_with(records):
    spray(records, material(voc_g_l=500))
    records.edit_material(replace(records.material("Lacquer"), voc_g_l=300))
    assert gathered(records, **EXACT).month.voc_kg.value == pytest.approx(0.05)


# How sure


def test_many_coats_of_one_material_are_no_better_known_than_one(records):
    for hours in range(10):
        spray(records, material(voc_g_l=500), at=NOON + timedelta(hours=hours))
    total = gathered(records).month
    # +- 5 % of the sheet and +- 5 % of the cup, both rectangular and the same for every coat
    assert total.voc_kg.standard_uncertainty == pytest.approx(0.5 * 0.05 / 3**0.5 * 2**0.5, rel=1e-9)


@pytest.mark.parametrize(
    ("kg", "u", "stands"),
    [
        (90, 5, "within"),
        (93, 5, "too close to tell"),
        (107, 5, "too close to tell"),
        (109, 5, "above"),
        (100, 0, "within"),
    ],
)
def test_a_limit_is_judged_beyond_its_guard_band_only(kg, u, stands):
    # 1.645 standard uncertainties on either side of 100: 91.8 to 108.2
    assert ledger.judged(ledger.Figure(value=kg, standard_uncertainty=u), 100) == stands


def test_a_total_that_leaves_something_out_is_within_so_far_at_best(records):
    spray(records, material(voc_g_l=500), ml=100)
    assert gathered(records).month.against(1.0) == "within"
    spray(records, material(voc_g_l=500), ml=None)
    assert gathered(records).month.against(1.0) == "within so far"
    assert gathered(records).month.against(0.01) == "above"
    assert gathered(records).month.against(0) == ""


def test_each_coat_stands_to_the_limit_the_shop_sets_on_the_basis_it_sets(records):
    made = material(
        chemistry="waterborne",
        voc_g_l=95,
        solids_volume_fraction=0.3,
        solvents={"water": 0.86, "2-butoxyethanol": 0.14},
    )
    spray(records, made)
    assert gathered(records).entries[0].limit == ""
    assert gathered(records, coating_limit_g_l=150.0).entries[0].limit == "above"  # about 240 less water
    assert gathered(records, coating_limit_g_l=150.0, coating_limit_basis="actual").entries[0].limit == "within"


def test_a_coating_whose_shares_are_not_known_cannot_be_judged_less_water(records):
    spray(records, material(voc_g_l=95))
    assert gathered(records, coating_limit_g_l=150.0).entries[0].limit == "cannot tell"


def test_cleaning_is_not_judged_by_the_limit_for_coatings(records):
    records.add_solvent_use(SolventUse(at=NOON, what="toluene", litres=1))
    assert gathered(records, coating_limit_g_l=150.0).entries[0].limit == ""


# The table


def test_the_csv_holds_every_entry_with_what_is_left_out(records):
    spray(records, material(voc_g_l=500), ml=100)
    spray(records, material(voc_g_l=500), ml=None, at=NOON + timedelta(hours=1))
    out = io.StringIO()
    assert ledger.write_csv(gathered(records, **EXACT).entries, out) == 2
    without, counted = csv.DictReader(io.StringIO(out.getvalue()))
    assert float(counted["voc_kg"]) == pytest.approx(0.05)
    assert (counted["day"], counted["piece"], counted["what"]) == ("2026-11-20", "Drum shell", "Lacquer")
    assert (without["voc_kg"], without["left_out"]) == ("", "no volume: its millilitres were not noted")
