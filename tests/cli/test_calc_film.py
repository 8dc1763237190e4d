"""Film build and sanding as commands."""

import json

import pytest
from click.testing import CliRunner

from collector.cli import main


def asked(*words):
    result = CliRunner().invoke(main, ["calc", *words])
    return result


def test_a_thinned_coat_dries_to_a_third_less():
    answer = json.loads(
        asked(
            "film", "--wet-um", "75", "--solids-volume-fraction", "0.2", "--thinner-per-paint", "0.5", "--json"
        ).output
    )
    assert answer["dry_um"] == pytest.approx(10.0)
    assert answer["coverage_m2_l"] == pytest.approx(1000 * 0.2 / 1.5 / 10.0)


def test_a_film_of_no_solids_has_no_coverage():
    answer = json.loads(asked("film", "--wet-um", "75", "--solids-volume-fraction", "0", "--json").output)
    assert (answer["dry_um"], answer["coverage_m2_l"]) == (0.0, None)


def test_the_sanding_budget_has_the_keys_and_a_row_for_each_step():
    answer = json.loads(
        asked("sanding", "--dry-um", "60", "--dry-sd-um", "10", "--grits", "P800,P1000,P1500,P2000",
              "--texture-um", "15", "--json").output
    )  # fmt: skip
    assert {"removed_um", "removed_sd_um", "left_um", "probability_through"} <= set(answer)
    assert [row["step"] for row in answer["steps"]] == ["P800", "P1000", "P1500", "P2000", "compound"]
    assert answer["left_um"] == pytest.approx(60 - answer["removed_um"])
    assert answer["probability_through"] == answer["steps"][-1]["probability_through"]


@pytest.mark.parametrize(
    ("grits", "words"),
    [
        ("P1000,P800", "P800 after P1000; expected each finer than the one before"),
        ("P801", "grit 'P801' is not in the table"),
        (",", "grits is empty"),
    ],
)
def test_a_wrong_sequence_is_one_line(grits, words):
    result = asked("sanding", "--dry-um", "60", "--dry-sd-um", "10", "--grits", grits, "--texture-um", "15")
    assert result.exit_code == 1
    assert words in result.output


def test_a_wet_film_out_of_range_is_named():
    result = asked("film", "--wet-um", "-1", "--solids-volume-fraction", "0.2")
    assert result.exit_code == 2
    assert "--wet-um -1 µm; expected 0 to 5000 µm" in result.output
