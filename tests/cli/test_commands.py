"""The commands over real stores: what they print, and what they say to a mistake."""

import csv
import io
import json
import os
import sqlite3
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from collector import wire
from collector.cli import main
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import Piece
from collector.records.repository import open_records

LACQUER = "Nitrocellulose lacquer, clear"
GOOD = {"air_temperature": 21.0, "relative_humidity": 45.0, "surface_temperature": 20.5}


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    records = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    records.add_piece(Piece(name="Lap steel 3", substrate="maple"))
    records.close()
    return tmp_path


def run(*arguments: str):
    return CliRunner().invoke(main, list(arguments))


def store_now(folder, values, node="n1"):
    now_ms = round(datetime.now(UTC).timestamp() * 1000)
    store = SqliteReadingStore(folder / "readings.sqlite")
    payload = wire.encode_pack(node, now_ms, values)
    store.write(Batch(packs=[wire.decode_pack(f"tackfree/booth-1/{node}/readings", payload, now_ms)]))
    store.close()


def test_check_answers_with_every_limit(shop):
    store_now(shop, GOOD)
    answer = json.loads(run("check", "--material", LACQUER, "--piece", "lap steel 3", "--json").output)
    assert (answer["verdict"], answer["piece"]) == ("go", "Lap steel 3")
    assert all(limit["reason"] for limit in answer["limits"])


DAMP = {"air_temperature": 24.0, "relative_humidity": 80.0, "surface_temperature": 21.0, "face_velocity": 0.8}


def test_check_tells_the_ways_out_of_blush(shop):
    store_now(shop, DAMP)
    answer = json.loads(run("check", "--material", LACQUER, "--json").output)
    assert answer["blush"]["word"] == "likely"
    assert {"what", "value", "probability", "words"} == set(answer["ways_out"][0])
    told = run("check", "--material", LACQUER).output
    assert all(f"  way out: {way['words']}" in told for way in answer["ways_out"])


def test_check_has_no_way_out_where_none_is_needed(shop):
    store_now(shop, GOOD)
    assert json.loads(run("check", "--material", LACQUER, "--json").output)["ways_out"] == []


def test_check_holds_while_the_exhaust_stands(shop):
    store_now(shop, {**GOOD, "face_velocity": 0.0})
    assert run("check", "--material", LACQUER).output.splitlines()[1].startswith("The exhaust is not running")


def test_check_without_readings_cannot_tell(shop):
    result = run("check", "--material", LACQUER)
    assert result.exit_code == 0
    assert result.output.startswith("CANNOT TELL")


def test_check_shows_the_isocyanate_caution(shop):
    store_now(shop, GOOD)
    assert "No sensor here can detect them" in run("check", "--material", "Two-component urethane, clear").output


def test_starting_a_coat_shows_the_isocyanate_caution(shop):
    started = run("coat", "start", "Lap steel 3", "--material", "Two-component urethane, clear")
    assert "No sensor here can detect them" in started.output
    assert "No sensor here" not in run("coat", "end", "Lap steel 3").output


def test_a_material_not_known_is_said_with_near_names(shop):
    result = run("check", "--material", "nitro lacquer clear")
    assert result.exit_code == 1
    assert "did you mean" in result.output
    assert "Traceback" not in result.output


def test_a_coat_is_started_and_ended(shop):
    started = json.loads(run("coat", "start", "Lap steel 3", "--material", LACQUER, "--json").output)
    assert started["ended_at"] is None
    assert "being sprayed since" in run("pieces").output
    ended = json.loads(run("coat", "end", "Lap steel 3", "--passes", "2", "--wet-film-um", "75-100", "--json").output)
    assert (ended["coat_id"], ended["passes"]) == (started["coat_id"], 2)
    assert (ended["wet_film_low_um"], ended["wet_film_high_um"]) == (75, 100)


def test_a_time_without_a_zone_is_shop_time(shop):
    started = json.loads(
        run("coat", "start", "Lap steel 3", "--material", LACQUER, "--at", "2026-07-01T14:30", "--json").output
    )
    assert started["started_at"] == "2026-07-01T12:30:00+00:00"


def test_a_second_coat_makes_no_second_mix(shop):
    run("coat", "start", "Lap steel 3", "--material", LACQUER)
    result = run("coat", "start", "Lap steel 3", "--material", LACQUER)
    assert result.exit_code == 1
    assert "has coat 1 open since" in result.output
    records = open_records(f"sqlite:///{shop / 'records.sqlite'}")
    assert len(records.mixes()) == 1
    records.close()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["coat", "end", "Lap steel 3"], "no coat is open on 'Lap steel 3'"),
        (["coat", "start", "Lap steel 9", "--material", LACQUER], "there is no piece 'Lap steel 9'"),
        (["coat", "start", "Lap steel 3"], "give either --material or --mix"),
        (["coat", "start", "Lap steel 3", "--mix", "7"], "there is no mix 7"),
        (["coat", "start", "Lap steel 3", "--material", LACQUER, "--at", "noon"], "'noon'; expected a time such as"),
        (["coat", "end", "Lap steel 3", "--wet-film-um", "thick"], "'thick'; expected µm such as 75-100"),
        (["export", "readings", "--days", "-1"], "-1; expected more than 0"),
        (["export", "coats", "--out", "/proc/none/coats.csv"], "coats.csv"),
    ],
)
def test_a_mistake_is_said_in_one_line(shop, arguments, told):
    result = run(*arguments)
    assert result.exit_code in (1, 2)
    assert told in result.output
    assert "Traceback" not in result.output


def test_export_writes_readings_with_their_units(shop):
    store_now(shop, GOOD)
    rows = list(csv.DictReader(io.StringIO(run("export", "readings").output)))
    assert {(row["quantity"], row["unit"], float(row["value"])) for row in rows} == {
        ("air_temperature", "Cel", 21.0),
        ("relative_humidity", "%RH", 45.0),
        ("surface_temperature", "Cel", 20.5),
    }
    assert all(row["time_utc"].endswith("Z") for row in rows)


@pytest.mark.parametrize("table", ["coats", "checks", "outcomes", "dead-letters"])
def test_export_of_every_table_has_a_head(shop, table):
    run("coat", "start", "Lap steel 3", "--material", LACQUER)
    lines = run("export", table).output.splitlines()
    assert "_utc" in lines[0] or "_id" in lines[0]
    assert len(lines) == (2 if table == "coats" else 1)


def test_materials_go_out_and_come_in_again(shop, tmp_path):
    file = tmp_path / "materials.toml"
    assert run("export", "materials", "--out", str(file)).exit_code == 0
    assert "materials read from" in run("import-materials", str(file)).output


def test_doctor_says_how_to_mend_a_broker_that_does_not_answer(shop):
    result = CliRunner().invoke(main, ["doctor", "--json"], env={"TACKFREE_MQTT_PORT": "1"})
    assert result.exit_code == 1
    broker = next(item for item in json.loads(result.output) if item["subject"] == "broker")
    assert broker["state"] == "fault"
    assert "tackfree serve" in broker["mend"]


def test_doctor_names_a_store_of_a_newer_version(shop):
    store_now(shop, GOOD)
    raw = sqlite3.connect(shop / "readings.sqlite")
    raw.execute("PRAGMA user_version = 999")
    raw.close()
    result = run("doctor", "--json")
    readings = next(item for item in json.loads(result.output) if item["subject"] == "readings")
    assert readings["state"] == "fault"
    assert "999" in readings["seen"]


def test_a_data_folder_that_cannot_be_made_is_said(monkeypatch):
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", "/proc/none/tackfree")
    result = run("pieces")
    assert result.exit_code == 1
    assert "/proc/none/tackfree" in result.output


def test_a_wrong_setting_is_said(tmp_path):
    file = tmp_path / "tackfree.toml"
    file.write_text("[mqtt]\nprot = 1883\n", encoding="utf-8")
    result = run("--settings", str(file), "pieces")
    assert result.exit_code == 1
    assert "unknown key prot in [mqtt]" in result.output


def test_settings_prints_a_file_that_can_be_read(tmp_path):
    file = tmp_path / "tackfree.toml"
    file.write_text(run("settings").stdout, encoding="utf-8")
    assert run("--settings", str(file), "doctor").exit_code in (0, 1)


def test_us_units_are_shown_when_set(shop):
    store_now(shop, {**GOOD, "air_temperature": 10.0})
    result = CliRunner().invoke(main, ["check", "--material", LACQUER], env={**os.environ, "TACKFREE_SHOP_UNITS": "us"})
    assert "50.0 °F" in result.output
