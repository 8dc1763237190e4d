"""`tackfree sanding` over a real record store."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from collector.cli import main
from collector.records.model import Coat, Mix, Piece
from collector.records.repository import open_records


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    piece = records.add_piece(Piece(name="Lap steel 3"))
    mix = records.add_mix(Mix(material=records.material("Nitrocellulose lacquer, clear"), reducer_fraction=0.5))
    for day in range(4):
        at = datetime(2026, 3, 2, 9, tzinfo=UTC) + timedelta(days=day)
        records.log_coat(
            Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at, wet_film_low_um=75,
                 wet_film_high_um=100)
        )  # fmt: skip
    records.close()
    return tmp_path


def run(*arguments: str):
    return CliRunner().invoke(main, ["sanding", *arguments])


def answer(*arguments: str):
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_the_piece_may_be_the_first_word(shop):
    short, full = answer("Lap steel 3"), answer("budget", "Lap steel 3")
    assert short == full
    assert [step["step"] for step in full["steps"]] == ["P800", "P1000", "P1500", "P2000", "compound"]
    assert full["probability_through"] == full["steps"][-1]["probability_through"]
    assert len(full["film"]["coats"]) == 4


def test_an_outcome_is_logged_listed_withdrawn(shop):
    used = ("--grits", "P800,P1000", "--fresh", "P800")
    made = answer("log", "Lap steel 3", *used, "--texture", "3", "--through", "P1000")
    assert (made["through"], made["through_at"], made["compounded"]) == (True, "P1000", False)
    told = answer("list")
    assert told["learned"]["sandings"] == 1
    assert [(each["grit"], each["uses"]) for each in told["sheets"]] == [("P800", 1), ("P1000", 1)]
    assert "No clear to sand." in run("Lap steel 3").output
    assert run("withdraw", str(made["sanding_id"])).exit_code == 0
    assert answer("list")["learned"]["sandings"] == 0
    assert answer("Lap steel 3")["film"]["removed_um"] == 0


def test_sanding_back_takes_no_grits(shop):
    made = answer("log", "Lap steel 3", "--grits", "", "--sanded-back", "--at", "2026-03-10T12:00")
    assert (made["grits"], made["sanded_back"], made["at"]) == ([], True, "2026-03-10T11:00:00+00:00")
    assert answer("Lap steel 3")["verdict"] == "cannot tell"


def test_a_us_shop_reads_mil(shop, monkeypatch):
    metric = answer("Lap steel 3")["film"]["clear_um"]
    monkeypatch.setenv("TACKFREE_SHOP_UNITS", "us")
    assert f"{metric / 25.4:.2f} ±" in run("Lap steel 3").output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("Lap steel 33",), "did you mean 'Lap steel 3'"),
        (("Lap steel 3", "--grits", "P1000,P800"), "P800 after P1000"),
        (("Lap steel 3", "--grits", "P7"), "'P7' is not in the table"),
        (("Lap steel 3", "--texture", "3", "--texture-um", "10"), "give one of"),
        (("Lap steel 3", "--texture-um", "nan"), "texture_um nan"),
        (("Lap steel 3", "--area-m2", "-1"), "area_m2 -1; expected 0.001 to 100"),
        (("log", "Lap steel 3", "--through", "P400"), "through_at 'P400'; expected one of"),
        (("log", "Lap steel 3", "--at", "noon"), "'noon'; expected a time such as"),
        (("withdraw", "77"), "there is no sanding 77"),
    ],
)
def test_a_mistake_ends_with_what_would_be_right(shop, arguments, words):
    result = run(*arguments)
    assert result.exit_code in (1, 2)
    assert words in result.output
    assert "Traceback" not in result.output
