"""Film forming and pot life: two gates that stay shut."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import cure
from collector.physics.age_curve import age_curve
from collector.physics.cure_gates import film_forming, pot_life

unhurried = settings(deadline=None)


def held(time_h, film_c, minimum_c=10.0, laid_h=0.0, formed_h=2.0, max_gap_h=1.5):
    return film_forming(time_h, film_c, minimum_c, laid_h=laid_h, formed_h=formed_h, max_gap_h=max_gap_h)


def test_a_film_that_stayed_above_is_not_flagged():
    found = held([0, 1, 2, 3], [12, 11, 10, 5])
    assert not found.below
    assert (found.first_below_h, found.below_h, found.lowest_c) == (None, 0.0, 10.0)


def test_a_film_that_dipped_below_is_flagged_with_the_moment_between_readings():
    found = held([0, 1, 2], [12, 8, 12])
    assert found.below
    assert found.first_below_h == pytest.approx(0.5)
    assert found.below_h == pytest.approx(1.0)
    assert found.lowest_c == 8.0


def test_a_coat_laid_cold_is_flagged_from_its_first_moment():
    found = held([0, 1, 2, 3], [6, 14, 20, 25], laid_h=0.25)
    assert found.first_below_h == 0.25
    assert found.lowest_c == pytest.approx(8.0)
    assert found.below_h == pytest.approx(0.25)


@given(later=st.lists(st.floats(10, 60), min_size=1, max_size=8))
@unhurried
def test_no_later_warmth_clears_the_flag(later):
    times = [0.0, 1.0, 2.0, *(3.0 + np.arange(len(later)))]
    assert held(times, [9.0, 12.0, 12.0, *later]) == held([0, 1, 2], [9.0, 12.0, 12.0])


def test_cold_after_the_film_has_formed_does_not_count():
    assert not held([0, 1, 2, 3], [15, 15, 15, -5]).below


def test_cold_before_the_coat_was_laid_does_not_count():
    assert not held([0, 1, 2, 3], [5, 15, 15, 15], laid_h=1.0).below


def test_a_stretch_without_readings_is_not_known_rather_than_warm():
    found = held([0, 0.5, 2, 2.5], [15, math.nan, math.nan, 15])
    assert not found.below
    assert (found.unknown_h, found.lowest_c) == (2.0, None)


def test_the_part_before_the_first_reading_is_not_known():
    assert held([1, 2], [15, 15]).unknown_h == pytest.approx(1.0)


def test_a_step_is_flagged_where_it_falls():
    found = held([0, 1, 1, 2], [15, 15, 8, 8])
    assert (found.first_below_h, found.below_h) == (1.0, 1.0)


@given(
    film_c=st.lists(st.floats(0, 20), min_size=3, max_size=20),
    laid_h=st.floats(0, 1),
    lasting=st.floats(0, 1),
)
@unhurried
def test_the_flag_agrees_with_a_dense_look(film_c, laid_h, lasting):
    times = np.linspace(0, 2, len(film_c))
    found = held(times, film_c, laid_h=laid_h, formed_h=laid_h + lasting)
    dense = np.interp(np.linspace(laid_h, laid_h + lasting, 5_001), times, film_c)
    assert found.lowest_c <= dense.min() + 1e-9
    assert found.below == (found.lowest_c < 10.0)
    assert found.below_h == pytest.approx((dense < 10.0).mean() * lasting, abs=0.01)


# Pot life


def test_pot_life_at_its_own_temperature_is_plain_hours():
    found = pot_life(age_curve([0, 3], np.ones(2)), 0.0, 3.0, 8.0)
    assert (found.share_used, found.ends_h, found.left_h) == (pytest.approx(0.375), 8.0, 5.0)


def test_pot_life_of_a_urethane_is_a_quarter_at_100_fahrenheit():
    # US Army PS Magazine 396: about 8 h at room temperature (here 23 °C), about 2 h at 100 °F
    energy = cure.activation_energy_kj_mol(4.0, 23.0, 37.78)
    warm = age_curve([0, 1], np.full(2, cure.rate(37.78, energy, 23.0)))
    found = pot_life(warm, 0.0, 1.0, 8.0)
    assert found.ends_h == pytest.approx(2.0, rel=1e-9)
    assert found.share_used == pytest.approx(0.5, rel=1e-9)


def test_a_pot_life_that_has_passed_says_when():
    found = pot_life(age_curve([0, 10], np.ones(2)), 1.0, 10.0, 6.0)
    assert (found.ends_h, found.left_h) == (7.0, 0.0)
    assert found.share_used == pytest.approx(1.5)


def test_a_forecast_beyond_now_shortens_what_is_left():
    found = pot_life(age_curve([0, 2, 2, 10], np.array([1.0, 1.0, 2.0, 2.0])), 0.0, 2.0, 8.0)
    assert found.share_used == pytest.approx(0.25)
    assert found.left_h == pytest.approx(3.0)


def test_pot_life_in_draws_gives_one_each():
    energies = np.array([40.0, 70.0])
    curve = age_curve([0, 1], cure.rate(np.array([30.0, 30.0]), energies[:, None], 23.0))
    found = pot_life(curve, 0.0, 1.0, np.array([8.0, 8.0]))
    assert found.left_h == pytest.approx(8 / cure.rate(30.0, energies, 23.0) - 1)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: held([0, 1], [15, 15], laid_h=2.0, formed_h=1.0), "formed_h 1 h is before laid_h 2 h"),
        (lambda: held([0, 1], [15, 15], max_gap_h=0.0), "max_gap_h 0 h; expected above 0 h"),
        (lambda: held([0, 1], [15, 900]), "film_c 15 to 900 °C; expected -60 to 200 °C"),
        (lambda: held([0, 1], [15]), "film_c has shape"),
        (lambda: pot_life(age_curve([0, 1], np.ones(2)), 0.0, 1.0, 0.0), "pot_life_h 0 h; expected above 0 h"),
        (lambda: pot_life(age_curve([0, 1], np.ones(2)), 1.0, 0.5, 8.0), "now_h 0.5 h is before mixed_h 1 h"),
    ],
)
def test_a_mistake_is_named_with_what_would_be_right(call, told):
    with pytest.raises(ValueError, match=told):
        call()
