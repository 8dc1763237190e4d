"""The equivalent-age command: a log in, hours out, and every wrong line named."""

import json
import time

import pytest
from click.testing import CliRunner

from collector.cli import main

OPTIONS = ("--activation-energy-kj-mol", "60", "--reference-c", "23")


@pytest.fixture
def run(tmp_path):
    def call(text: str | bytes, *more: str):
        file = tmp_path / "booth.csv"
        file.write_bytes(text.encode() if isinstance(text, str) else text)
        return CliRunner().invoke(main, ["calc", "equivalent-age", *OPTIONS, "--series", str(file), *more])

    return call


STEP = "2026-03-01T00:00:00Z,15\n2026-03-01T12:00:00Z,15\n2026-03-01T12:00:00Z,25\n2026-03-02T00:00:00Z,25\n"


def test_the_keys_and_values_of_a_step(run):
    answer = json.loads(run(STEP, "--json").output)
    assert list(answer) == [
        "equivalent_hours", "mean_kinetic_c", "rate_now", "hours", "standard_uncertainty_h", "gaps",
    ]  # fmt: skip
    # 12 h at 15 °C and 12 h at 25 °C, 60 kJ/mol, 23 °C: closed form
    assert answer["equivalent_hours"] == pytest.approx(20.23151520783, rel=1e-9)
    assert answer["rate_now"] == pytest.approx(1.177573, rel=1e-6)
    assert answer["hours"] == 24.0
    assert 15 < answer["mean_kinetic_c"] < 25


@pytest.mark.parametrize(
    "text",
    [
        "time,temperature_c\n" + STEP,
        "\ufeff" + STEP,
        STEP.replace("\n", "\r\n"),
        STEP.replace("Z,", ","),
        STEP.replace("T", " ").replace(",", " , "),
        STEP.replace("2026-03-01T12:00:00Z", "2026-03-01T04:00:00-08:00"),
        STEP + "\n\n",
        STEP.replace("\n2026-03-02", "\n2026-03-01T18:00:00Z,\n2026-03-02"),
    ],
    ids=["header", "byte order mark", "CRLF", "no zone is UTC", "spaces", "another zone", "empty lines", "no reading"],
)
def test_the_same_log_written_otherwise_gives_the_same_hours(run, text):
    answer = json.loads(run(text, "--max-gap-h", "24", "--json").output)
    assert answer["equivalent_hours"] == pytest.approx(20.23151520783, rel=1e-9)


def test_a_time_without_a_zone_is_utc_wherever_the_computer_stands(run, monkeypatch):
    with monkeypatch.context() as elsewhere:
        elsewhere.setenv("TZ", "America/New_York")
        time.tzset()
        answer = json.loads(run("2026-03-01T00:00:00,20\n2026-03-01T01:00:00Z,20\n", "--json").output)
    time.tzset()
    assert answer["hours"] == 1.0


def test_a_gap_is_listed_and_adds_to_the_uncertainty(run):
    text = "2026-03-01T00:00Z,20\n2026-03-01T00:30Z,20\n2026-03-01T06:30Z,20\n2026-03-01T07:00Z,20\n"
    answer = json.loads(run(text, "--json").output)
    assert answer["gaps"] == [{"start": "2026-03-01T00:30:00+00:00", "end": "2026-03-01T06:30:00+00:00", "hours": 6.0}]
    assert answer["standard_uncertainty_h"] > 0.3
    assert json.loads(run(text, "--max-gap-h", "6", "--json").output)["standard_uncertainty_h"] == 0.0


def test_without_json_every_number_has_its_unit(run):
    lines = run(STEP).output
    assert "equivalent age  20.23 h at 23 °C" in lines
    assert "mean kinetic    20.94 °C" in lines
    assert "gap bridged     12.00 h from 2026-03-01T00:00:00+00:00" in lines


def test_one_reading_is_no_time(run):
    answer = json.loads(run("2026-03-01T00:00:00Z,18\n", "--json").output)
    assert (answer["equivalent_hours"], answer["hours"]) == (0.0, 0.0)
    assert answer["mean_kinetic_c"] == pytest.approx(18.0)


FIRST = "2026-03-01T08:00:00Z,20\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            FIRST + "2026-03-01T09:00:00Z,warm\n",
            "line 2: temperature 'warm'; expected a temperature from -60 to 200 °C",
        ),
        (FIRST + "2026-03-01T09:00:00Z,2000\n", "line 2: temperature 2000 °C; expected"),
        (FIRST + "2026-03-01T09:00:00Z,inf\n", "line 2: temperature inf °C; expected"),
        (FIRST + '2026-03-01T09:00:00Z,"21,5"\n', "line 2: temperature '21,5'"),
        (FIRST + "yesterday,20\n", "line 2: time 'yesterday'; expected an ISO time such as 2026-03-01T08:00:00Z"),
        ("yesterday,20\n" + FIRST, "line 1: time 'yesterday'"),
        (FIRST + "1772352000,20\n", "line 2: time '1772352000'"),
        (FIRST + "2026-03-01T07:59:00Z,20\n", "line 2: time 2026-03-01T07:59:00Z is before the one above it"),
        (FIRST + "2026-03-01T09:00:00Z,20,50\n", "has 3 columns; expected two columns"),
        (FIRST + "2026-03-01T09:00:00Z\n", "has 1 columns; expected two columns"),
        (FIRST + "0001-01-01T00:00:00+14:00,20\n", "line 2: time '0001-01-01T00:00:00+14:00'"),
        ("", "holds no temperatures"),
        ("time,temperature\n", "holds no temperatures"),
        (FIRST.replace(",20", ","), "holds no temperatures"),
        (b"\xff\xfe2\x000\x00", "is no UTF-8 text"),
        (FIRST + "2026-03-01T09:00:00Z,2\x000\n", "line 2"),
    ],
)
def test_a_wrong_line_is_named_with_what_would_be_right(run, text, told):
    result = run(text)
    assert result.exit_code == 2
    assert told in " ".join(result.output.split())
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--activation-energy-kj-mol", "0"), "--activation-energy-kj-mol 0 kJ/mol; expected 0.1 to 500 kJ/mol"),
        (("--reference-c", "nan"), "--reference-c nan °C; expected -60 to 200 °C"),
        (("--max-gap-h", "0"), "--max-gap-h 0 h; expected 0.001 to 10000 h"),
        (("--series", "/nowhere/at/all.csv"), "does not exist"),
    ],
)
def test_a_mistake_ends_with_one_line_that_names_it(run, options, told):
    result = run(STEP, *options)
    assert result.exit_code == 2
    assert told in result.output
