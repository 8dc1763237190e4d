"""Equivalent age held against published sums, closed integrals, and what must not change it."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import age_curve, cure, humidity
from collector.physics.volatiles import GAS_CONSTANT

unhurried = settings(deadline=None)
temperatures = st.floats(-10, 60)
energies = st.floats(1, 150)


def steps(temperatures_c, lengths):
    """A series of steady stretches: two samples at every step."""
    ends = np.cumsum([0.0, *lengths])
    return np.repeat(ends, 2)[1:-1], np.repeat(np.array(temperatures_c, dtype=float), 2)


# Published sums

CODE_KJ_MOL = 4000.0 * GAS_CONSTANT / 1000.0
# The codes write exp(13.65 - 4000/(273 + T)): zero at 273, not 273.15, and a reference of 4000/13.65 = 293.04 K.
CODE_REFERENCE_C = 4000.0 / 13.65 - 273.15


def test_equivalent_age_is_that_of_fib_model_code_2010():
    # fib Model Code 2010 eq. 5.1-85; value from the fib's own library (structuralcodes, test_mc2010)
    days, temperature_c = steps(np.array([20, 25]) - 0.15, [7, 7])
    found = cure.equivalent_hours(days, temperature_c, CODE_KJ_MOL, CODE_REFERENCE_C)
    assert found == pytest.approx(15.7723, rel=1e-5)


def test_equivalent_age_is_that_of_eurocode_2():
    # EN 1992-1-1:2004 eq. B.10; value from the fib's own library (structuralcodes, test_ec2_2004)
    days, temperature_c = steps(np.array([19, 20, 20, 21, 22, 23]) - 0.15, [1, 2, 1, 1, 1, 2])
    found = cure.equivalent_hours(days, temperature_c, CODE_KJ_MOL, CODE_REFERENCE_C)
    assert found == pytest.approx(8.37986781, rel=1e-8)


@pytest.mark.parametrize(
    ("temperature_c", "days", "expected"),
    # Form of ASTM C1074 with Q = 4000 K and exactly 20 °C; summed by hand, Σ Δt·exp(4000·(1/293.15 - 1/(T + 273.15)))
    [([20, 25], [7, 7], 15.799862567), ([19, 20, 20, 21, 22, 23], [1, 2, 1, 1, 1, 2], 8.395181774)],
)
def test_equivalent_age_with_a_reference_of_exactly_20_degrees(temperature_c, days, expected):
    assert cure.equivalent_hours(*steps(temperature_c, days), CODE_KJ_MOL, 20.0) == pytest.approx(expected, rel=1e-9)


def test_degree_hours_are_the_textbook_example_of_nurse_and_saul():
    # Worked example on civilmint.com: 28 days at 18 °C, datum -11 °C
    assert cure.degree_hours([0, 672], [18, 18], -11.0) == 19488.0


def test_degree_hours_reach_the_industry_example():
    # Trade text: 3500 °C·h at 23 °C over 0 °C take 152 h; 3500/23 = 152.173913
    curve = age_curve.age_curve([0, 200], np.full(2, 23.0))
    assert curve.reached_h(3500.0) == pytest.approx(152.173913, rel=1e-8)


def test_nothing_ages_below_the_datum():
    assert cure.degree_hours([0, 10], [-15, -15], -10.0) == 0.0


def test_the_rate_falls_as_the_worked_case_of_rpmodel_does():
    # The case in the help of CRAN rpmodel::ftemp_arrh (100 kJ/mol, 25 to 10 °C), which prints no result; closed form
    drop = 1.0 - cure.rate(10.0, 100.0, 25.0)
    assert 100.0 * drop == pytest.approx(88.19912093, rel=1e-5)  # R = 8.3145 there
    assert 100.0 * (1 - cure.rate(10.0, 100.0 * GAS_CONSTANT / 8.3145, 25.0)) == pytest.approx(88.19912093, rel=1e-8)


# Closed integrals, computed by adaptive quadrature; 60 kJ/mol, 23 °C


def test_a_step_needs_no_finer_sampling():
    assert cure.equivalent_hours(*steps([15, 25], [12, 12]), 60.0, 23.0) == pytest.approx(20.23151520783, rel=1e-11)


def test_a_ramp_converges_to_its_integral():
    time_h = np.linspace(0, 24, 20_001)
    assert cure.equivalent_hours(time_h, 15 + 10 * time_h / 24, 60.0, 23.0) == pytest.approx(19.21071053847, rel=1e-8)


def test_a_day_and_night_swing_converges_to_its_integral():
    time_h = np.linspace(0, 24, 2_001)
    temperature_c = 20 + 5 * np.sin(2 * np.pi * time_h / 24)
    assert cure.equivalent_hours(time_h, temperature_c, 60.0, 23.0) == pytest.approx(19.46556513382, rel=1e-8)
    assert cure.mean_kinetic_c(time_h, temperature_c, 60.0) == pytest.approx(20.47663005141, rel=1e-8)


def test_minute_samples_of_a_swing_at_irregular_times_are_within_a_second_a_day():
    time_h = np.sort(np.concatenate([[0.0, 24.0], np.random.default_rng(7).uniform(0, 24, 1_440)]))
    temperature_c = 20 + 5 * np.sin(2 * np.pi * time_h / 24)
    assert cure.equivalent_hours(time_h, temperature_c, 60.0, 23.0) == pytest.approx(19.46556513382, abs=1 / 3600)


def test_the_rate_between_samples_is_a_line_and_not_the_temperature():
    # Two samples: the trapezoid on the rate is the mean of the two rates; the rate at the mean temperature is 9 % less.
    found = cure.equivalent_hours([0, 1], [0, 40], 60.0, 23.0)
    assert found == pytest.approx((cure.rate(0.0, 60.0, 23.0) + cure.rate(40.0, 60.0, 23.0)) / 2, rel=1e-14)
    assert found > 1.5 * cure.rate(20.0, 60.0, 23.0)


@pytest.mark.parametrize(
    ("ratio", "cool_c", "warm_c", "expected", "tolerance"),
    # Doubling and tripling per 10 °C; pot life of a urethane, 8 h at 23 °C and 2 h at 37.78 °C
    # (US Army PS Magazine 396: room temperature and 100 °F)
    [(2, 20, 30, 51.22, 2e-4), (3, 20, 30, 81.18, 2e-4), (4, 23, 37.78, 71.8108, 1e-5)],
)
def test_activation_energy_from_two_times(ratio, cool_c, warm_c, expected, tolerance):
    found = cure.activation_energy_kj_mol(ratio, cool_c, warm_c)
    assert found == pytest.approx(expected, rel=tolerance)
    assert cure.rate(warm_c, found, cool_c) == pytest.approx(ratio, rel=1e-12)


@pytest.mark.parametrize(
    ("energy", "rates"),
    # The Arrhenius form by hand at 10, 20, 30 and 40 °C
    [
        (30, (0.5716, 0.8828, 1.3249, 1.9375)),
        (50, (0.3937, 0.8124, 1.5982, 3.0112)),
        (70, (0.2711, 0.7476, 1.9279, 4.6800)),
    ],
)
def test_rates_relative_to_23_degrees(energy, rates):
    assert cure.rate([10, 20, 30, 40], energy, 23.0) == pytest.approx(rates, abs=6e-5)


# Dew margins of trade rules for blushing, in Fahrenheit


def test_65_percent_at_80_fahrenheit_leaves_the_margin_that_contradicts_the_20_degree_rule():
    air_c = (80 - 32) / 1.8
    margin_f = 1.8 * (air_c - humidity.dew_point_c(air_c, 65.0))
    assert margin_f == pytest.approx(12.82, rel=2e-3)
    vapour = humidity.saturation_pressure((60 - 32) / 1.8)
    assert humidity.relative_humidity_pct(air_c, vapour) == pytest.approx(50.53, rel=2e-3)


# What must hold for any series


@given(temperature_c=temperatures, energy=energies, hours=st.floats(0.01, 2_000))
@unhurried
def test_steady_temperature_is_plain_hours_times_the_rate(temperature_c, energy, hours):
    found = cure.aging([0, hours / 3, hours], [temperature_c] * 3, energy, 23.0, max_gap_h=1e9)
    assert found.equivalent_hours == pytest.approx(hours * cure.rate(temperature_c, energy, 23.0), rel=1e-12)
    assert found.mean_kinetic_c == pytest.approx(temperature_c, abs=1e-9)


@given(energy=st.floats(0, 500), reference_c=temperatures)
@unhurried
def test_at_the_reference_an_hour_is_an_hour_whatever_the_activation_energy(energy, reference_c):
    assert cure.equivalent_hours([0, 5], [reference_c] * 2, energy, reference_c) == 5.0


series = st.lists(st.tuples(st.floats(0.01, 10), temperatures), min_size=2, max_size=30).map(
    lambda pairs: (np.cumsum([step for step, _ in pairs]), np.array([value for _, value in pairs]))
)


@given(series=series, energy=energies, where=st.data())
@unhurried
def test_a_series_split_anywhere_gives_the_same_age(series, energy, where):
    time_h, temperature_c = series
    curve = age_curve.age_curve(time_h, cure.rate(temperature_c, energy, 23.0))
    at_h = where.draw(st.floats(time_h[0], time_h[-1]))
    split_rate = np.interp(at_h, time_h, curve.rate)
    before, after = time_h < at_h, time_h > at_h
    first = age_curve.age_curve([*time_h[before], at_h], [*curve.rate[before], split_rate])
    second = age_curve.age_curve([at_h, *time_h[after]], [split_rate, *curve.rate[after]])
    assert first.age_h[-1] + second.age_h[-1] == pytest.approx(curve.age_h[-1], rel=1e-9)
    assert first.age_h[-1] == pytest.approx(curve.at(at_h), rel=1e-9, abs=1e-12)


@given(series=series, energy=energies, share=st.floats(0, 1))
@unhurried
def test_the_time_an_age_is_reached_is_the_inverse_of_the_age(series, energy, share):
    time_h, temperature_c = series
    curve = age_curve.age_curve(time_h, cure.rate(temperature_c, energy, 23.0))
    wanted = share * curve.age_h[-1]
    assert curve.at(curve.reached_h(wanted)) == pytest.approx(wanted, rel=1e-9, abs=1e-12)


@given(series=series, warmer=st.floats(0.1, 20))
@unhurried
def test_warmer_is_older_and_the_kinetic_mean_lies_within_the_readings(series, warmer):
    time_h, temperature_c = series
    cool = cure.aging(time_h, temperature_c, 60.0, 23.0, max_gap_h=1e9)
    warm = cure.aging(time_h, temperature_c + warmer, 60.0, 23.0, max_gap_h=1e9)
    assert warm.equivalent_hours > cool.equivalent_hours
    assert temperature_c.min() - 1e-9 <= cool.mean_kinetic_c <= temperature_c.max() + 1e-9
    gentle = cure.mean_kinetic_c(time_h, temperature_c, 1.0)
    assert gentle <= cool.mean_kinetic_c + 1e-9  # the higher the activation energy, the more the warm hours count


# Many at once


def test_many_activation_energies_give_one_result_each():
    time_h, temperature_c = np.array([0.0, 1, 3, 4]), np.array([15.0, 18, 25, 22])
    found = cure.equivalent_hours(time_h, temperature_c, np.array([[30.0, 60.0], [80.0, 100.0]]), 23.0)
    assert found.shape == (2, 2)
    assert found[1, 0] == cure.equivalent_hours(time_h, temperature_c, 80.0, 23.0)


def test_ready_times_of_many_coats_come_in_one_call():
    energies = np.array([40.0, 60.0, 80.0])
    time_h = np.array([0.0, 5, 10, 24])
    curve = age_curve.age_curve(time_h, cure.rate(np.array([16.0, 20, 24, 18]), energies[:, None], 23.0))
    wanted = np.array([[1.0], [8.0]]) * np.array([0.7, 1.0, 1.3])  # two coats, three draws of their factor
    found = curve.reached_h(wanted)
    assert found.shape == (2, 3)
    alone = age_curve.age_curve(time_h, curve.rate[2])
    assert found[1, 2] == alone.reached_h(8.0 * 1.3)


def test_an_age_the_series_does_not_reach_is_never_reached():
    curve = age_curve.age_curve([0, 10], np.array([1.0, 0.5]))
    assert curve.reached_h(7.5) == 10.0
    assert curve.reached_h(7.6) == math.inf
    assert curve.reached_h(8.0, beyond_at_last_rate=True) == pytest.approx(11.0)
    assert curve.at(math.inf) == math.inf


def test_an_age_that_stands_still_is_reached_when_it_first_was():
    curve = age_curve.age_curve([0, 1, 1, 5], np.array([1.0, 1.0, 0.0, 0.0]))
    assert curve.reached_h(1.0) == 1.0
    assert curve.reached_h(1.0 + 1e-9, beyond_at_last_rate=True) == math.inf


# Gaps


def test_a_missing_value_is_the_same_as_a_missing_sample():
    holed = cure.aging([0, 1, 2, 3], [20, math.nan, 25, 22], 60.0, 23.0, max_gap_h=3)
    bare = cure.aging([0, 2, 3], [20, 25, 22], 60.0, 23.0, max_gap_h=3)
    assert holed.equivalent_hours == pytest.approx(bare.equivalent_hours, rel=1e-14)
    assert holed.gaps == bare.gaps == ()
    assert holed.standard_uncertainty_h == 0.0


def test_an_outage_is_bridged_marked_and_less_certain():
    found = cure.aging([0, 1, 7, 8], [20, 20, 20, 20], 60.0, 20.0, max_gap_h=1)
    assert [(gap.start_h, gap.end_h) for gap in found.gaps] == [(1.0, 7.0)]
    assert found.equivalent_hours == pytest.approx(8.0)
    # Mean of a Brownian bridge over 6 h: 1.5 K/√h·√(6/12) = 1.06 K; 60 kJ/mol at 20 °C is 8.4 % a kelvin
    per_kelvin = 60_000 / GAS_CONSTANT / 293.15**2
    assert found.standard_uncertainty_h == pytest.approx(6 * per_kelvin * 1.5 * math.sqrt(0.5), rel=1e-9)


def test_a_bridge_is_as_uncertain_as_a_walk_tied_at_both_ends():
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.normal(0, math.sqrt(6 / 600), (4_000, 600)), axis=1)
    tied = walk - walk[:, -1:] * np.arange(1, 601) / 600
    _, (gap,) = age_curve.bridged([0, 6], [1.0, 1.0], max_gap_h=1, wander_k=1.0, spread_k=9.0)
    assert gap.mean_uncertainty_k == pytest.approx(tied.mean(axis=1).std(), rel=0.04)


def test_an_open_end_is_held_and_less_certain_than_a_bridge():
    nan = math.nan
    _, (bridge,) = age_curve.bridged([0, 4, 8], [1.0, nan, 1.0], max_gap_h=1)
    whole, (end,) = age_curve.bridged([0, 0, 8], [1.0, 2.0, nan], max_gap_h=1)
    assert whole[-1] == 2.0
    assert end.mean_uncertainty_k == pytest.approx(2 * bridge.mean_uncertainty_k)


def test_a_very_long_gap_is_no_less_certain_than_not_knowing_at_all():
    _, (gap,) = age_curve.bridged([0, 5_000], [1.0, 1.0], max_gap_h=1)
    assert gap.mean_uncertainty_k == age_curve.GAP_SPREAD_K


def test_a_step_keeps_both_its_values_when_something_else_is_missing():
    whole, _ = age_curve.bridged([0, 1, 1, 2, 3], [1.0, 1.0, 5.0, math.nan, 5.0], max_gap_h=9)
    assert whole.tolist() == [1.0, 1.0, 5.0, 5.0, 5.0]


# Mistakes


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: cure.rate(-300.0, 60.0, 23.0), "temperature_c -300 °C; expected -60 to 200 °C"),
        (lambda: cure.rate(20.0, -1.0, 23.0), "activation_energy_kj_mol -1 kJ/mol; expected 0 to 500 kJ/mol"),
        (lambda: cure.equivalent_hours([0, 2, 1], [20, 20, 20], 60.0, 23.0), "1 h comes after 2 h"),
        (lambda: cure.equivalent_hours([0, 1], [20, math.nan], 60.0, 23.0), "gaps bridged"),
        (lambda: cure.equivalent_hours([0, 1, 2], [20, 20], 60.0, 23.0), "expected 3 along the last axis"),
        (lambda: cure.equivalent_hours([], [], 60.0, 23.0), "expected one axis with at least one time"),
        (lambda: cure.equivalent_hours([0, math.inf], [20, 20], 60.0, 23.0), "missing or infinite times"),
        (lambda: cure.aging([0, 1], [math.nan] * 2, 60.0, 23.0, max_gap_h=1), "no value is there"),
        (lambda: cure.aging([0, 1], [20, 20], 0.0, 23.0, max_gap_h=1), "0 kJ/mol; expected 0.001"),
        (lambda: cure.aging([0, 1], [20, 20], 60.0, 23.0, max_gap_h=0), "max_gap_h 0 h; expected above 0 h"),
        (lambda: age_curve.age_curve([0, 1], [1.0, 1.0]).at(2.0), "at_h 2 to 2 h; expected 0 to 1 h"),
        (lambda: cure.activation_energy_kj_mol(2.0, 20.0, 20.0), "expected two different temperatures"),
        (lambda: cure.activation_energy_kj_mol(0.0, 20.0, 30.0), "ratio 0; expected above 0"),
    ],
)
def test_a_mistake_is_named_with_what_would_be_right(call, told):
    with pytest.raises(ValueError, match=told.replace("(", r"\(")):
        call()


def test_a_single_reading_is_no_time_at_its_own_temperature():
    found = cure.aging([3.0], [18.0], 60.0, 23.0, max_gap_h=1)
    assert (found.hours, found.equivalent_hours) == (0.0, 0.0)
    assert found.mean_kinetic_c == pytest.approx(18.0)
