"""Drying drivers: what each answers to, in closed limits and against the psychrometric law."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import cure, drying_drivers, humidity
from collector.physics.age_curve import age_curve
from collector.physics.drying_drivers import DriverParameters, Leg, SheetConditions

unhurried = settings(deadline=None)

SHEET = SheetConditions(at_c=20.0, at_relative_humidity_pct=50.0, air_speed_m_s=0.0, dry_film_um=25.0)

PARAMETERS = (
    DriverParameters(driver="water_evaporation", film_exponent=1.0, air_exponent=0.65, self_cooling=0.7),
    DriverParameters(driver="solvent_evaporation", activation_energy_kj_mol=30.0, film_exponent=1.0, air_exponent=0.65),
    DriverParameters(driver="diffusion", activation_energy_kj_mol=85.0, film_exponent=2.0),
    DriverParameters(driver="reaction", activation_energy_kj_mol=55.0),
    DriverParameters(driver="oxidation", activation_energy_kj_mol=57.0, film_exponent=1.5, humidity_slope=-0.5),
)
every_driver = pytest.mark.parametrize("parameters", PARAMETERS, ids=lambda found: found.driver)


# Water


@pytest.mark.parametrize(
    ("damp", "expected"),
    # Wet-bulb depression at 20 °C relative to 50 %, from the psychrometric law T - Tw
    [(20, 1.737), (30, 1.477), (40, 1.232), (60, 0.780), (70, 0.571), (80, 0.372), (85, 0.275), (90, 0.182)],
)
def test_a_film_at_the_wet_bulb_dries_with_the_wet_bulb_depression(damp, expected):
    found = drying_drivers.water_evaporation_rate(20.0, damp, SHEET, self_cooling=1.0)
    assert found == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("air_c", "expected"), [(10, 0.726), (15, 0.862), (25, 1.138), (30, 1.274)])
def test_a_film_at_the_wet_bulb_dries_slower_in_the_cold_by_the_same_law(air_c, expected):
    found = drying_drivers.water_evaporation_rate(air_c, 50.0, SHEET, self_cooling=1.0)
    assert found == pytest.approx(expected, rel=0.015)


@pytest.mark.parametrize("damp", [0.0, 20.0, 65.0, 95.0])
def test_a_film_at_air_temperature_dries_with_the_deficit_of_the_air(damp):
    found = drying_drivers.water_evaporation_rate(27.0, damp, SHEET, self_cooling=0.0)
    air = humidity.vapour_pressure_deficit(27.0, damp) / humidity.vapour_pressure_deficit(20.0, 50.0)
    assert found == pytest.approx(air, rel=1e-12)


@given(air_c=st.floats(2, 40), cooling=st.floats(0, 1))
@unhurried
def test_saturated_air_takes_no_water(air_c, cooling):
    found = drying_drivers.water_evaporation_rate(air_c, 100.0, SHEET, self_cooling=cooling)
    assert found == pytest.approx(0.0, abs=1e-6)


# All drivers


@every_driver
def test_at_the_sheets_conditions_every_rate_is_one(parameters):
    assert drying_drivers.climate_rate(parameters, 20.0, 50.0, 0.0, SHEET) == pytest.approx(1.0, rel=1e-12)


@every_driver
@given(air_c=st.floats(5, 30), damp=st.floats(5, 90), warmer=st.floats(0.5, 10))
@unhurried
def test_warmer_is_faster_at_the_same_humidity(parameters, air_c, damp, warmer):
    cool = drying_drivers.climate_rate(parameters, air_c, damp, 0.2, SHEET)
    assert drying_drivers.climate_rate(parameters, air_c + warmer, damp, 0.2, SHEET) > cool


def rates(parameters, **changed):
    at = {"temperature_c": 20.0, "relative_humidity_pct": 50.0, "air_speed_m_s": 0.0, **changed}
    return float(drying_drivers.climate_rate(parameters, **at, sheet=SHEET))


def test_only_water_and_oxidation_answer_to_humidity():
    changed = [found.driver for found in PARAMETERS if rates(found, relative_humidity_pct=80.0) != rates(found)]
    assert changed == ["water_evaporation", "oxidation"]
    assert rates(PARAMETERS[4], relative_humidity_pct=80.0) == pytest.approx(math.exp(-0.5 * 0.3))


def test_only_evaporation_answers_to_air():
    changed = [found.driver for found in PARAMETERS if rates(found, air_speed_m_s=0.5) != rates(found)]
    assert changed == ["water_evaporation", "solvent_evaporation"]


def test_air_works_by_its_power_and_still_air_is_stirred_by_buoyancy():
    fast, faster = rates(PARAMETERS[1], air_speed_m_s=5.0), rates(PARAMETERS[1], air_speed_m_s=10.0)
    assert faster / fast == pytest.approx(2**0.65, rel=1e-3)
    assert rates(PARAMETERS[1], air_speed_m_s=0.01) == pytest.approx(1.0, rel=5e-3)


def test_twice_the_film_takes_twice_four_times_or_no_longer():
    factors = [drying_drivers.film_factor(50.0, SHEET, film_exponent=found.film_exponent) for found in PARAMETERS]
    assert factors == pytest.approx([2.0, 2.0, 4.0, 1.0, 2**1.5])


def test_the_reaction_is_plain_arrhenius():
    assert rates(PARAMETERS[3], temperature_c=13.0) == cure.rate(13.0, 55.0, 20.0)


def test_draws_lead_and_the_series_comes_last():
    drawn = DriverParameters(
        driver="water_evaporation", self_cooling=np.array([0.2, 0.9]), air_exponent=np.array([0.5, 0.8])
    )
    series = drying_drivers.climate_rate(drawn, np.array([15.0, 20, 25]), np.array([40.0, 50, 60]), 0.3, SHEET)
    assert series.shape == (2, 3)
    moment = drying_drivers.climate_rate(drawn, 25.0, 60.0, 0.3, SHEET)
    assert moment == pytest.approx(series[:, 2], rel=1e-12)


def test_a_missing_value_leaves_a_gap_where_the_driver_answers_to_it():
    damp = np.array([50.0, math.nan])
    assert np.isnan(drying_drivers.climate_rate(PARAMETERS[0], 20.0, damp, 0.0, SHEET)).tolist() == [False, True]
    assert not np.isnan(drying_drivers.climate_rate(PARAMETERS[2], 20.0, damp, 0.0, SHEET)).any()


def test_influences_say_what_holds_the_coat_up():
    found = drying_drivers.influences(PARAMETERS[2], 13.0, 80.0, 0.5, SHEET)
    assert found["temperature"] == pytest.approx(cure.rate(13.0, 85.0, 20.0))
    assert found["humidity"] == found["air"] == 1.0
    wet = drying_drivers.influences(PARAMETERS[0], 20.0, 80.0, 0.5, SHEET)
    assert wet["humidity"] < 0.5 < 1.0 < wet["air"]


def test_saturated_air_names_humidity_and_nothing_else():
    found = drying_drivers.influences(PARAMETERS[0], 18.0, 100.0, 0.0, SHEET)
    assert found["humidity"] == pytest.approx(0.0, abs=1e-6)
    assert found["air"] == 1.0


# Stages


def legs(temperature_c=20.0, hours=100.0):
    first = age_curve([0, hours], np.full(2, rates(PARAMETERS[1], temperature_c=temperature_c)))
    second = age_curve([0, hours], np.full(2, rates(PARAMETERS[2], temperature_c=temperature_c)))
    return [
        Leg(curve=first, needed_h=drying_drivers.needed_hours(10.0, 0.3, PARAMETERS[1], 50.0, SHEET)),
        Leg(curve=second, needed_h=drying_drivers.needed_hours(10.0, 0.7, PARAMETERS[2], 50.0, SHEET)),
    ]


def test_legs_follow_each_other():
    # 10 h on the sheet at 25 µm; at 50 µm evaporation takes 2 x 3 h and diffusion 4 x 7 h
    assert drying_drivers.ready_h(5.0, legs()) == pytest.approx(5 + 6 + 28)


def test_the_cold_slows_each_leg_by_its_own_driver():
    slow = 6 / cure.rate(12.0, 30.0, 20.0) + 28 / cure.rate(12.0, 85.0, 20.0)
    assert drying_drivers.ready_h(0.0, legs(12.0)) == pytest.approx(slow)


def test_a_stage_the_series_does_not_reach_is_never_ready():
    assert drying_drivers.ready_h(0.0, legs(hours=30.0)) == math.inf
    assert drying_drivers.ready_h(0.0, legs(hours=4.0)) == math.inf


@pytest.mark.parametrize(
    ("now_h", "expected"), [(5.0, 0.0), (8.0, 3 / 34), (11.0, 6 / 34), (25.0, 20 / 34), (80.0, 1.0)]
)
def test_progress_counts_the_legs_in_order(now_h, expected):
    assert drying_drivers.progress(5.0, now_h, legs()) == pytest.approx(expected)


def test_progress_before_an_unreached_leg_is_that_of_the_first():
    assert drying_drivers.progress(0.0, 4.0, legs(hours=4.0)) == pytest.approx(4 / 34)


@given(start_h=st.floats(0, 20), share=st.floats(0, 1))
@unhurried
def test_progress_is_whole_when_the_stage_is_ready_and_not_before(start_h, share):
    ready = float(drying_drivers.ready_h(start_h, legs()))
    assert drying_drivers.progress(start_h, ready, legs()) == pytest.approx(1.0)
    before = drying_drivers.progress(start_h, start_h + share * (ready - start_h), legs())
    assert before == pytest.approx(share, abs=1e-9)  # at steady sheet conditions age and time run alike


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: DriverParameters(driver="wishing"), "driver 'wishing'; expected one of water_evaporation"),
        (lambda: rates(PARAMETERS[1], air_speed_m_s=-1.0), "air_speed_m_s -1 m/s; expected 0 or more"),
        (lambda: rates(PARAMETERS[0], relative_humidity_pct=120.0), "relative_humidity_pct 120 %; expected 0 to 100 %"),
        (lambda: drying_drivers.film_factor(0.0, SHEET, film_exponent=2.0), "dry_film_um 0 µm; expected above 0 µm"),
        (
            lambda: drying_drivers.water_evaporation_rate(20.0, 50.0, SHEET, self_cooling=1.2),
            "self_cooling 1.2 to 1.2; expected 0 to 1",
        ),
        (
            lambda: SheetConditions(at_c=20, at_relative_humidity_pct=100, air_speed_m_s=0, dry_film_um=25),
            "at_relative_humidity_pct 100 %; expected 0 to 99 %",
        ),
        (
            lambda: SheetConditions(at_c=20, at_relative_humidity_pct=50, air_speed_m_s=0, dry_film_um=0),
            "dry_film_um 0 µm; expected above 0 to 5000 µm",
        ),
    ],
)
def test_a_mistake_is_named_with_what_would_be_right(call, told):
    with pytest.raises(ValueError, match=told):
        call()
