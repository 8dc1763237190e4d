"""The sanding budget: what must hold whatever the shop's cut, and the trade's own budget."""

import numpy as np
import pytest

from collector.errors import NotFound, RecordError
from collector.physics.sanding import Cut, removed_draws, sand
from collector.reference.abrasives import grade, grades, sequence

FINE = [each.grain_um for each in sequence(["P800", "P1000", "P1500", "P2000"])]


def test_grains_are_those_of_iso_6344_3():
    # ISO 6344-3 medians as published tables of the grades give them
    known = {"P240": 58.5, "P400": 35.0, "P800": 21.8, "P1000": 18.3, "P1500": 12.6, "P2000": 10.3, "P2500": 8.4}
    assert {name: grade(name).grain_um for name in known} == known
    sizes = [each.grain_um for each in grades()]
    assert sizes == sorted(sizes, reverse=True)


def test_levelling_orange_peel_takes_what_the_trade_budgets():
    # Common practice, no source: 15 to 30 µm, two or three coats of lacquer
    found = sand(100.0, 5.0, FINE, 15.0)
    assert 15.0 < found.removed_um[-1] < 30.0
    assert found.probability_through[-1] == 0.0


def test_just_what_must_go_goes_where_nobody_overdoes_it():
    exact = removed_draws(np.array(FINE), 15.0, Cut(excess=0.0, scratch_spread=0.0, texture_spread=0.0))
    # every finer scratch ends where the first grit's did, and the compound takes the last plane down to it
    assert exact == pytest.approx(15.0 + 0.25 * 21.8, rel=1e-9)


def test_every_step_takes_more_and_the_chance_only_grows():
    found = sand(35.0, 8.0, FINE, 12.0)
    assert np.all(np.diff(found.removed_um) > 0)
    assert np.all(np.diff(found.left_um) < 0)
    assert np.all(np.diff(found.probability_through) >= 0)


def test_a_coarser_start_a_rougher_film_and_a_thinner_film_are_each_riskier():
    base = sand(32.0, 6.0, FINE, 12.0).probability_through[-1]
    assert sand(32.0, 6.0, [grade("P400").grain_um, *FINE], 12.0).probability_through[-1] > base
    assert sand(32.0, 6.0, FINE, 20.0).probability_through[-1] > base
    assert sand(26.0, 6.0, FINE, 12.0).probability_through[-1] > base


def test_more_thin_spots_make_it_likelier_to_go_through_one():
    one = sand(40.0, 4.0, FINE, 12.0, spots=1, spot_sd_um=6.0).probability_through[-1]
    many = sand(40.0, 4.0, FINE, 12.0, spots=20, spot_sd_um=6.0).probability_through[-1]
    assert many > 3 * one > 0


def test_the_thinnest_of_spots_is_that_of_so_many_drawn_one_by_one():
    # The least of 20 normals, drawn in another way
    drawn = np.random.default_rng(5).normal(60.0, 8.0, (40_000, 20)).min(axis=1)
    found = sand(60.0, 0.0, FINE, 0.0, spots=20, spot_sd_um=8.0, cut=Cut(scratch_per_grain=38.0 / 21.8, excess=0.0,
                 scratch_spread=0.0, texture_spread=0.0))  # fmt: skip
    assert found.probability_through[-1] == pytest.approx((drawn <= 38.0).mean(), abs=0.01)


def test_a_film_thinner_than_its_texture_is_gone():
    assert sand(10.0, 1.0, FINE, 15.0).probability_through[0] > 0.99


@pytest.mark.parametrize(
    ("names", "error", "words"),
    [
        (["P1000", "P800"], RecordError, "P800 after P1000; expected each finer"),
        ([], RecordError, "grits is empty"),
        (["P801"], NotFound, "grit 'P801' is not in the table"),
    ],
)
def test_a_sequence_that_makes_no_sense_is_refused(names, error, words):
    with pytest.raises(error, match=words):
        sequence(names)


def test_a_film_out_of_range_is_named():
    with pytest.raises(ValueError, match="dry_um -1; expected 0 to 5000"):
        sand(-1.0, 1.0, FINE, 10.0)
