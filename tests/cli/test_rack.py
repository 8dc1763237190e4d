"""`tackfree rack` over real stores in a folder of its own."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from collector.cli import main
from collector.records.model import ISOCYANATE_CAUTION
from tests.advice.rack_shop import TestShop, lacquer, steady, urethane


@pytest.fixture
def run(tmp_path: Path):
    def call(*arguments: str):
        environment = {"TACKFREE_DATA_FOLDER": str(tmp_path), "TACKFREE_SHOP_TIME_ZONE": "Europe/Berlin"}
        file = tmp_path / "empty.toml"
        file.touch()
        return CliRunner().invoke(main, ["--settings", str(file), "rack", *arguments], env=environment)

    return call


@pytest.fixture
def shop(tmp_path: Path):
    made = TestShop(tmp_path, now=datetime.now(UTC).replace(microsecond=0))
    made.climate(steady(21.0), days=3.0)
    made.coat(made.piece("Snare shell"), made.mix(lacquer()), 6.0)
    made.coat(made.piece("Lap steel"), made.mix(urethane(recoat=None)), 0.5)
    yield made
    made.close()


def test_an_empty_shop_is_told_what_to_do(run):
    result = run()
    assert result.exit_code == 0
    assert result.output.startswith("No pieces in hand. Add one on the Rack page.")


def test_pieces_are_listed_soonest_first_with_their_intervals(run, shop):
    result = run()
    assert result.exit_code == 0, result.output
    assert result.output.index("Snare shell (Test lacquer)") < result.output.index("Lap steel (Test urethane)")
    assert "now      recoat" in result.output
    assert "(8 in 10: " in result.output
    assert f"caution  {ISOCYANATE_CAUTION}" in result.output


def test_json_is_the_rack_itself(run, shop):
    told = json.loads(run("--json").output)
    assert told.keys() == shop.rack().to_dict().keys()
    assert [each["piece"] for each in told["pieces"]] == ["Snare shell", "Lap steel"]


def test_one_piece_shows_all_its_stages(run, shop):
    result = run("--piece", "snare SHELL")
    assert "Ready to level-sand: " in result.output
    assert "Lap steel" not in result.output
    assert [each["piece"] for each in json.loads(run("--piece", "Lap steel", "--json").output)["pieces"]] == [
        "Lap steel"
    ]


def test_a_heating_plan_is_taken_in(run, shop):
    def tape(*plan):
        (piece,) = json.loads(run("--piece", "Snare shell", "--json", *plan).output)["pieces"]
        return next(step for step in piece["steps"] if step["word"] == "tape")["ready"]["p50"]

    assert tape("--plan", "30 °C") < tape()


def test_mistakes_end_with_one_line_that_says_what_would_be_right(run, shop):
    wrong = run("--plan", "warm")
    assert wrong.exit_code == 1
    assert wrong.output.strip().startswith("Error: plan 'warm'; expected parts such as")
    unknown = run("--piece", "Snare shel")
    assert unknown.exit_code == 1
    assert "did you mean 'Snare shell'" in unknown.output
