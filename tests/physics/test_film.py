"""Film build held against the trade's published examples and the constants of its units."""

import math

import numpy as np
import pytest

from collector.physics import film


@pytest.mark.parametrize(
    ("solids", "dry_mil", "published", "within"),
    [
        (1.0, 10.0, 160.417, 1e-5),  # coverage at 10 mil, a coating distributor's table
        (0.35, 1.0, 561.0, 1e-3),  # an estimating sheet's example
        (0.35, 2.0, 281.0, 2e-3),  # the same sheet
    ],
)
def test_coverage_in_us_units_is_the_published_one(solids, dry_mil, published, within):
    assert film.coverage_ft2_gal(solids, dry_mil) == pytest.approx(published, rel=within)


def test_the_us_constant_follows_from_the_gallon():
    assert pytest.approx(1604.1667, abs=1e-4) == film.FT2_MIL_PER_GAL  # 231 in³ over 144 in² and a thousandth


def test_wet_film_for_a_dry_one_is_the_published_example():
    # A paint question column, 2003: 1.5 mil dry at 42 % solids by volume needs 3.57 mil wet
    assert film.wet_film_um(1.5 * 25.4, 0.42) / 25.4 == pytest.approx(3.57, abs=0.005)


def test_metric_coverage_is_the_us_one_in_other_units():
    gallon_l, ft2 = 3.785411784, 0.3048**2
    us = film.coverage_ft2_gal(0.35, 25.0 / 25.4)
    assert film.coverage_m2_l(0.35, 25.0) == pytest.approx(us * ft2 / gallon_l, rel=1e-9)
    assert film.coverage_m2_l(0.35, 25.0) == pytest.approx(14.0, rel=1e-9)


def test_thinning_by_half_takes_a_third_of_the_solids():
    assert film.dry_film_um(75.0, film.solids_as_applied(0.2, 0.5)) == pytest.approx(10.0, rel=1e-12)


def test_a_catalyst_brings_its_own_solids():
    assert film.solids_as_applied(0.4, 0.2, 0.5, 0.6) == pytest.approx((0.4 + 0.3) / 1.7, rel=1e-12)


def test_a_comb_gauge_is_an_interval_and_a_wider_one_tells_less():
    narrow, wide = film.gauged(100.0, 125.0), film.gauged(75.0, 150.0)
    assert narrow.um == wide.um == 112.5
    assert narrow.standard_uncertainty_um == pytest.approx(math.hypot(25 / math.sqrt(12), 0.05 * 112.5))
    assert wide.standard_uncertainty_um > 2 * narrow.standard_uncertainty_um


def test_millilitres_tell_much_less_than_a_gauge():
    by_volume = film.sprayed(60.0, 0.3, 0.5)
    assert by_volume.um == pytest.approx(100.0)
    assert by_volume.standard_uncertainty_um > 3 * film.gauged(90.0, 110.0).standard_uncertainty_um


def test_dry_film_keeps_the_relative_uncertainty_of_the_wet_one():
    dry = film.dried(film.gauged(90.0, 110.0), 0.25)
    wet = film.gauged(90.0, 110.0)
    assert dry.um == pytest.approx(25.0)
    expected = math.hypot(wet.standard_uncertainty_um / 100.0, 0.05) * 25.0
    assert dry.standard_uncertainty_um == pytest.approx(expected)


def test_arrays_are_taken_whole():
    assert film.dry_film_um(np.array([50.0, 100.0]), 0.2).tolist() == [10.0, 20.0]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: film.dry_film_um(-1.0, 0.2), "wet_um -1; expected 0 to 5000"),
        (lambda: film.dry_film_um(float("nan"), 0.2), "wet_um nan"),
        (lambda: film.solids_as_applied(1.2), "solids_volume_fraction 1.2; expected 0 to 1"),
        (lambda: film.wet_film_um(10.0, 0.0), "solids 0"),
        (lambda: film.gauged(125.0, 100.0), "high_um 100 µm; expected at least low_um, 125 µm"),
        (lambda: film.sprayed(10.0, 0.0, 0.5), "area_m2 0"),
    ],
)
def test_a_value_out_of_range_is_named(call, words):
    with pytest.raises(ValueError, match=words.replace("(", r"\(")):
        call()
