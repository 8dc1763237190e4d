"""`tackfree measure` and `tackfree marker-sheet` as typed."""

import json

import pytest
from click.testing import CliRunner

from collector.cli import main

KEYS = {
    "mean_intercept_mm", "mean_intercept_ci95_mm", "island_diameter_mm", "crack_width_mm", "crack_area_fraction",
    "unevenness", "anisotropy", "polarity", "mm_per_pixel", "islands",
}  # fmt: skip


def run(*arguments):
    return CliRunner().invoke(main, [str(each) for each in arguments])


def test_a_photo_is_measured_as_json_with_an_overlay(plain, plain_file, tmp_path):
    done = run("measure", plain_file, "--marker-mm", 30, "--json", "--overlay", tmp_path / "seen.png")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found.keys() >= KEYS
    assert set(found["island_diameter_mm"]) == {"p10", "p50", "p90"}
    low, high = found["mean_intercept_ci95_mm"]
    assert low < found["mean_intercept_mm"] < high
    assert found["mean_intercept_mm"] == pytest.approx(plain[1].mean_intercept_mm, rel=0.03)
    assert (tmp_path / "seen.png").read_bytes().startswith(b"\x89PNG")


def test_words_name_the_size_and_its_interval(plain_file):
    done = run("measure", plain_file)
    assert done.exit_code == 0
    assert "95 % between" in done.stdout
    assert "marker of 30 mm by its number" in done.stdout


def test_the_correction_is_part_of_the_answer(plain_file):
    done = run(
        "measure", plain_file, "--json", "--threshold-shift", 0.1, "--region", "520,60 1150,60 1150,850 520,850",
        "--mask", "700,300 900,300 900,500",
    )  # fmt: skip
    kept = json.loads(done.stdout)["correction"]
    assert kept["threshold_shift"] == 0.1
    assert kept["region"][1] == [1150.0, 60.0]
    assert kept["masked"] == [[[700.0, 300.0], [900.0, 300.0], [900.0, 500.0]]]


def test_two_clicks_stand_in_for_a_marker(plain_file):
    done = run("measure", plain_file, "--clicks", "100,100 1100,100", "--clicks-mm", 100, "--json")
    assert json.loads(done.stdout)["mm_per_pixel"] == pytest.approx(0.1)


def test_a_photo_without_scale_says_why_it_is_not_measured(tmp_path):
    import cv2
    import numpy as np

    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((600, 800, 3), 120, np.uint8))
    done = run("measure", blank)
    assert done.exit_code == 1
    assert "cannot measure: no marker found" in done.output
    as_json = run("measure", blank, "--json")
    assert as_json.exit_code == 1
    assert json.loads(as_json.stdout)["cannot_measure"] == "scale"
    given = run("measure", blank, "--mm-per-pixel", 0.1, "--json")
    assert given.exit_code == 1
    assert json.loads(given.stdout)["cannot_measure"] == "pattern"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--marker-mm", 30, "--mm-per-pixel", 0.1), "give one of"),
        (("--clicks", "1,1 500,500"), "go together"),
        (("--clicks", "1,1 500", "--clicks-mm", 5), "expected x and y"),
        (("--region", "here there"), "expected pixels such as"),
        (("--threshold-shift", 3), "expected -0.4 to 0.4"),
        (("--mm-per-pixel", -1), "expected 0.001 to 10"),
    ],
)
def test_a_mistake_is_one_line_that_says_what_would_be_right(plain_file, arguments, words):
    done = run("measure", plain_file, *arguments)
    assert done.exit_code == 2
    assert words in done.output


def test_the_marker_sheet_is_written(tmp_path):
    done = run("marker-sheet", tmp_path / "markers.pdf", "--paper", "letter")
    assert done.exit_code == 0
    assert (tmp_path / "markers.pdf").read_bytes().startswith(b"%PDF")
    assert run("marker-sheet", tmp_path / "no such folder" / "m.pdf").exit_code == 1
