"""The calc commands: keys fixed, numbers unrounded, mistakes named."""

import json
import math

import pytest
from click.testing import CliRunner

from collector.cli import main


def run(*arguments: str):
    return CliRunner().invoke(main, ["calc", *arguments])


def test_dew_point_has_its_keys_and_values():
    answer = json.loads(run("dew-point", "--air-c", "20", "--relative-humidity-pct", "60", "--json").output)
    assert set(answer) == {
        "dew_point_c",
        "frost_point_c",
        "wet_bulb_c",
        "vapour_pressure_pa",
        "absolute_humidity_g_m3",
        "humidity_ratio",
        "vapour_pressure_deficit_pa",
    }
    # IAPWS-95: 12.008 °C; PsychroLib 2.5.0: 12.007 °C
    assert answer["dew_point_c"] == pytest.approx(12.008, abs=0.011)
    assert answer["frost_point_c"] == answer["dew_point_c"]


MARGIN = (
    "margin", "--air-c", "23", "--relative-humidity-pct", "50", "--surface-c", "16", "--air-accuracy-k", "0.2",
    "--relative-humidity-accuracy-pct", "1.8", "--surface-accuracy-k", "0.5",
)  # fmt: skip


def test_margin_reads_accuracies_as_rectangular_half_widths():
    answer = json.loads(run(*MARGIN, "--json").output)
    # Worked example A of the uncertainty checks: Monte Carlo with 4e6 draws gives 0.440 K
    assert answer["margin_k"] == pytest.approx(3.973, abs=0.01)
    assert answer["standard_uncertainty_k"] == pytest.approx(0.440, rel=0.01)
    assert answer["guarded_limit_k"] == pytest.approx(3.72, abs=0.01)
    assert answer["verdict"] == "go"


@pytest.mark.parametrize(("limit_k", "verdict"), [("3", "go"), ("3.5", "marginal"), ("4", "hold")])
def test_the_verdict_follows_the_guard_band(limit_k, verdict):
    assert json.loads(run(*MARGIN, "--limit-k", limit_k, "--json").output)["verdict"] == verdict


def test_without_json_every_number_has_its_unit():
    lines = run(*MARGIN).output
    assert "3.97 K" in lines
    assert "marginal" not in lines


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--relative-humidity-pct", "140", "--relative-humidity-pct 140 %; expected 0.01 to 100 %"),
        ("--relative-humidity-pct", "0", "--relative-humidity-pct 0 %; expected 0.01 to 100 %"),
        ("--relative-humidity-pct", "1e-320", "expected 0.01 to 100 %"),
        ("--air-c", "-300", "--air-c -300 °C; expected -60 to 90 °C"),
        ("--air-c", "nan", "--air-c nan °C; expected -60 to 90 °C"),
        ("--surface-c", "inf", "--surface-c inf °C; expected -60 to 200 °C"),
        ("--air-c", "warm", "'warm' is not a valid float"),
        ("--air-accuracy-k", "-1", "--air-accuracy-k -1 K; expected 0 to 50 K"),
        ("--surface-accuracy-k", "5000", "--surface-accuracy-k 5000 K; expected 0 to 50 K"),
        ("--limit-k", "1e308", "--limit-k 1e+308 K; expected 0 to 100 K"),
        ("--correlation", "2", "--correlation 2; expected -1 to 1"),
    ],
)
def test_a_mistake_ends_with_one_line_that_names_it(option, value, told):
    result = run(*MARGIN, option, value)
    assert result.exit_code == 2
    assert told in result.output
    assert "Traceback" not in result.output


def test_a_pressure_below_the_vapour_pressure_is_named():
    result = run("dew-point", "--air-c", "20", "--relative-humidity-pct", "60", "--pressure", "100")
    assert result.exit_code == 2
    assert "--pressure 100 Pa; expected 30000 to 110000 Pa" in result.output


@pytest.mark.parametrize("air_c", ["-40", "0", "60"])
@pytest.mark.parametrize("damp", ["0.01", "100"])
@pytest.mark.parametrize("pressure", ["30000", "110000"])
def test_the_ends_of_every_range_give_finite_numbers(air_c, damp, pressure):
    options = ("--air-c", air_c, "--relative-humidity-pct", damp, "--pressure", pressure)
    answer = json.loads(run("dew-point", *options, "--json").output)
    assert all(math.isfinite(value) for value in answer.values())
    assert answer["dew_point_c"] <= answer["frost_point_c"] <= float(air_c) + 1e-9 or float(air_c) < 0
