"""tackfree calc blush: its keys, its numbers those of one run of the wet film, and mistakes said in one line."""

import json

import pytest
from click.testing import CliRunner

from collector.advice.blush import NOT_THE_CLIMATE
from collector.calc.blush import blush_command
from collector.cli import main
from collector.physics import evaporation
from collector.reference import solvents, substrates

EXAMPLE = (
    "--blend", "acetone=0.35,toluene=0.35,isopropanol=0.15,n-butyl acetate=0.15", "--air-c", "25",
    "--relative-humidity-pct", "70", "--surface-c", "24", "--air-speed-m-s", "0.3", "--wet-film-um", "100",
    "--solids-mass-fraction", "0.2", "--substrate", "maple", "--thickness-mm", "42", "--part-length-m", "0.35",
    "--orientation", "vertical",
)  # fmt: skip
KEYS = {
    "min_film_c", "dew_point_c", "min_margin_k", "seconds_below_dew_point", "water_g_m2", "flash_off_50_s",
    "flash_off_90_s", "probability",
}  # fmt: skip


def run(*arguments: str):
    return CliRunner().invoke(main, ["calc", "blush", *arguments])


def answer(*arguments: str):
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_the_answer_has_every_key_and_the_intervals_beside():
    assert set(answer(*EXAMPLE)) == KEYS | {
        "probability_condensing", "probability_separating", "min_film_interval90_c", "min_margin_interval90_k",
        "water_taken_up_g_m2", "word",
    }  # fmt: skip


def test_its_numbers_are_those_of_one_run_of_the_wet_film():
    found = answer(*EXAMPLE, "--relative-humidity-pct", "80", "--coat-c", "22")
    blend = {"acetone": 0.35, "toluene": 0.35, "isopropanol": 0.15, "n-butyl acetate": 0.15}
    run_once = evaporation.dry(
        evaporation.WetCoat(
            volatiles=[solvents.find(name).volatile for name in blend],
            mass_fractions=list(blend.values()),
            wet_film_um=100.0,
            solids_mass_fraction=0.2,
            coat_c=22.0,
        ),
        evaporation.Air(air_c=25.0, relative_humidity_pct=80.0, air_speed_m_s=0.3),
        evaporation.Part(solid=substrates.substrate("maple").solid, thickness_mm=42.0, part_c=24.0),
        seconds=1800.0,
    )
    assert found["min_film_c"] == pytest.approx(float(run_once.min_film_c[0]), abs=1e-9)
    assert found["dew_point_c"] == pytest.approx(float(run_once.dew_point_c[0]), abs=1e-9)
    assert found["min_margin_k"] == pytest.approx(found["min_film_c"] - found["dew_point_c"], abs=1e-9)
    assert found["seconds_below_dew_point"] == pytest.approx(float(run_once.seconds_below_dew_point[0]))
    assert found["seconds_below_dew_point"] > 0
    assert found["water_g_m2"] == pytest.approx(1e3 * float(run_once.most_condensed_kg_m2[0]))
    assert found["flash_off_50_s"] == pytest.approx(float(run_once.flash_off_s(0.5)[0]))
    assert found["flash_off_90_s"] == pytest.approx(float(run_once.flash_off_s(0.9)[0]))


def test_the_dew_point_is_the_airs():
    # 25 °C and 70 %: 19.15 °C (PsychroLib 2.5.0)
    assert answer(*EXAMPLE)["dew_point_c"] == pytest.approx(19.15, abs=0.03)


def test_a_person_is_told_the_chance_both_ways_and_what_no_climate_cures():
    lines = run(*EXAMPLE).output
    assert lines.startswith("blush          likely, chance 9")
    assert "condensing" in lines and "separating" in lines
    assert "flash-off" in lines
    assert NOT_THE_CLIMATE in lines


def test_a_solvent_that_stays_longer_than_watched_has_no_time_of_leaving():
    slow = answer(*EXAMPLE, "--blend", "mineral spirits=1")
    assert slow["flash_off_90_s"] is None
    assert "more than half an hour" in run(*EXAMPLE, "--blend", "mineral spirits=1").output


def test_a_film_that_touches_nothing_gets_colder_than_one_on_maple():
    assert answer(*EXAMPLE, "--substrate", "none")["min_film_c"] < answer(*EXAMPLE)["min_film_c"] - 1


def test_the_usual_thickness_of_a_substrate_is_taken_where_none_is_given():
    at = EXAMPLE.index("--thickness-mm")
    without = (*EXAMPLE[:at], *EXAMPLE[at + 2 :])
    usual = substrates.substrate("maple").thickness_mm
    assert answer(*without) == answer(*EXAMPLE, "--thickness-mm", str(usual))


def test_its_help_shows_the_command_as_it_runs():
    example = " ".join(blush_command.help.split("Example: tackfree calc blush ")[1].split())
    assert example == " ".join(f'"{word}"' if "," in word else word for word in EXAMPLE)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("--blend", "tolune=1"), "did you mean toluene"),
        (("--blend", "toluene=0.4"), "blend adds up to 0.400; expected 1"),
        (("--substrate", "mapple"), "mapple"),
        (("--relative-humidity-pct", "140"), "--relative-humidity-pct 140 %; expected 0.01 to 100 %"),
        (("--wet-film-um", "nan"), "--wet-film-um nan µm; expected 1 to 2000 µm"),
        (("--thickness-mm", "-4"), "thickness_mm"),
        (("--orientation", "askew"), "askew"),
    ],
)
def test_a_mistake_ends_with_one_line_that_names_it(change, told):
    result = run(*EXAMPLE, *change)
    assert result.exit_code in (1, 2)
    assert told in result.output
    assert "Traceback" not in result.output
