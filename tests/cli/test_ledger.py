"""`tackfree ledger` over a real record store."""

import csv
import io
import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from collector.cli import main
from collector.records.model import Coat, Material, Mix, Piece
from collector.records.repository import open_records

MARCH = datetime(2024, 3, 20, 11, 0, tzinfo=UTC)


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    piece = records.add_piece(Piece(name="Lap steel 3"))
    material = records.add_material(
        Material(name="Lacquer", chemistry="solvent_lacquer", role="clear", voc_g_l=500, solvents={"toluene": 1.0})
    )
    mix = records.add_mix(Mix(material=material))
    for at, millilitres in ((MARCH, 200), (MARCH - timedelta(days=40), 100), (MARCH, None)):
        records.log_coat(
            Coat(
                piece_id=piece.id,
                mix=mix,
                booth="booth-1",
                started_at=at,
                ended_at=at + timedelta(minutes=5),
                sprayed_ml=millilitres,
            )
        )
    records.close()
    return tmp_path


def run(*arguments: str):
    return CliRunner().invoke(main, ["ledger", *arguments])


def answer(*arguments: str):
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_a_month_is_told_with_its_twelve_months_and_what_is_left_out(shop):
    told = answer("--month", "2024-03")
    assert told["in_month"]["voc_kg"] == pytest.approx(0.1)
    assert told["in_twelve_months"]["voc_kg"] == pytest.approx(0.15)
    assert (told["until"], told["twelve_months_from"]) == ("2024-03-31", "2023-04-01")
    assert told["in_month"]["left_out"] == {"no volume: its millilitres were not noted": 1}
    assert [entry["left_out"] is None for entry in told["entries"]] == [False, True]
    assert told["limit"] is None


def test_a_month_that_holds_nothing_is_nothing(shop):
    told = answer("--month", "2022-01")
    assert (told["in_month"]["voc_kg"], told["entries"]) == (0.0, [])


def test_the_words_for_a_person_say_what_is_not_counted_and_whose_limits_they_are(shop, monkeypatch):
    monkeypatch.setenv("TACKFREE_LEDGER_VOC_LIMIT_KG_12_MONTHS", "0.05")
    told = run("--month", "2024-03").output
    assert "Above the limit you set (0.05 kg)" in told
    assert "Not counted: 1 of 3 entries" in told
    assert "your local rules and the product's safety data sheet take precedence" in told


def test_coats_stand_to_the_limit_the_shop_sets(shop, monkeypatch):
    monkeypatch.setenv("TACKFREE_LEDGER_COATING_LIMIT_G_L", "275")
    assert answer("--month", "2024-03")["entries"][1]["limit"] == "above"
    monkeypatch.setenv("TACKFREE_LEDGER_COATING_LIMIT_G_L", "600")
    assert answer("--month", "2024-03")["entries"][1]["limit"] == "within"


def test_a_us_shop_reads_pounds_and_gallons(shop, monkeypatch):
    monkeypatch.setenv("TACKFREE_SHOP_UNITS", "us")
    told = run("--month", "2024-03").output
    # 0.1 kg = 0.2205 lb; 500 g/l = 4.17 lb/gal
    assert "VOC in 2024-03: 0.220 ± 0.018 lb" in told
    assert "4.17 ± 0.24 lb/gal" in told


def test_solvent_is_added_removed_and_brought_back(shop):
    added = answer("add", "--what", "toluene", "--litres", "0.5", "--at", "2024-03-21T09:00", "--note", "guns")
    assert added["at"] == "2024-03-21T08:00:00+00:00"
    assert answer("--month", "2024-03")["in_month"]["voc_kg"] == pytest.approx(0.1 + 0.5 * 0.8668, rel=2e-3)
    assert run("remove", str(added["id"])).exit_code == 0
    assert answer("--month", "2024-03")["in_month"]["voc_kg"] == pytest.approx(0.1)
    assert run("restore", str(added["id"])).exit_code == 0
    assert answer("--month", "2024-03")["in_month"]["counted"] == 2


def test_solvent_of_unknown_voc_is_kept_and_said_not_to_count(shop):
    told = run("add", "--what", "gun cleaner", "--litres", "1")
    assert told.exit_code == 0
    assert "not counted: VOC of gun cleaner not known: give its g/l" in told.output
    counted = answer("add", "--what", "gun cleaner", "--litres", "1", "--voc-g-l", "700")
    assert counted["voc_kg"] == pytest.approx(0.7)


def test_the_csv_holds_the_entries_of_the_month(shop):
    run("--month", "2024-03", "--csv", str(shop / "month.csv"))
    with (shop / "month.csv").open(newline="", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert [row["voc_kg"] for row in rows] == ["", "0.1"]
    assert rows[1]["piece"] == "Lap steel 3"


def test_the_solvent_added_by_hand_is_exported_as_it_was_written(shop):
    run("add", "--what", "gun cleaner", "--litres", "0.25", "--at", "2024-03-21T09:00", "--note", "guns")
    out = CliRunner().invoke(main, ["export", "solvent-uses"]).output
    (row,) = csv.DictReader(io.StringIO(out))
    assert (row["what"], row["litres"], row["voc_g_l"], row["note"]) == ("gun cleaner", "0.25", "", "guns")
    assert row["at_utc"] == "2024-03-21T08:00:00Z"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--month", "2026-13"), "'2026-13'; expected a month such as 2026-11"),
        (("--month", "November"), "'November'; expected a month such as 2026-11"),
        (("remove", "77"), "there is no solvent 77 in the ledger"),
        (("restore", "77"), "there is no removed solvent 77"),
        (("add", "--what", "acetone", "--litres", "0"), "litres 0; expected 0.001 to 1000"),
        (("add", "--what", "acetone", "--litres", "1", "--at", "noon"), "'noon'; expected a time such as"),
        (("--json", "remove", "1"), "go with tackfree ledger alone"),
        (("--csv", "/nowhere/at/all.csv"), "No such file or directory"),
    ],
)
def test_a_mistake_ends_with_what_would_be_right(shop, arguments, words):
    result = run(*arguments)
    assert result.exit_code in (1, 2)
    assert words in result.output
    assert "Traceback" not in result.output
