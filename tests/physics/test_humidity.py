"""Humidity held against something outside the project: IAPWS, PsychroLib, CoolProp, a printed table, Monte Carlo."""

import csv
import math
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import humidity

CSV = Path(__file__).parents[1] / "data" / "dew_point.csv"
with CSV.open(encoding="utf-8") as lines:
    ROWS = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(x for x in lines if not x.startswith("#"))]

unhurried = settings(deadline=None)
temperatures = st.floats(-40, 60)
humidities = st.floats(1, 100)


@pytest.fixture(autouse=True)
def si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


# Saturation vapour pressure


# IAPWS-95 by the Maxwell construction, computed with iapws 1.5.5, chemicals 1.5.2 and CoolProp 8.0.0, all alike [Pa]
IAPWS_95 = {5: 872.5751, 10: 1228.1989, 15: 1705.7929, 20: 2339.3182, 25: 3169.9293, 30: 4246.9708, 40: 7384.9381}


@pytest.mark.parametrize(("air_c", "pressure"), IAPWS_95.items())
def test_saturation_pressure_is_within_five_parts_in_ten_thousand_of_iapws_95(air_c, pressure):
    assert humidity.saturation_pressure(air_c) == pytest.approx(pressure, rel=5e-4)


@pytest.mark.parametrize(
    ("air_c", "pressure"),
    # ASHRAE Handbook Fundamentals 2017, chapter 1, table 3, as quoted in PsychroLib's tests; the form's own error is
    # up to 0.044 %, and Buck's ice coefficients agree to 0.1 %.
    [(5, 872.6), (25, 3169.7), (50, 12351.3)],
)
def test_saturation_pressure_agrees_with_the_ashrae_table(air_c, pressure):
    assert humidity.saturation_pressure(air_c) == pytest.approx(pressure, rel=5e-4)


def test_saturation_pressure_over_ice_agrees_with_the_ashrae_table():
    # ASHRAE Handbook Fundamentals 2017, chapter 1, table 3: -5 °C, 401.74 Pa
    assert humidity.saturation_pressure_over_ice(-5.0) == pytest.approx(401.74, rel=1e-3)


@pytest.mark.parametrize("air_c", [-1.0, -10.0, -20.0, -40.0])
def test_saturation_pressure_over_ice_agrees_with_psychrolib_as_installed(air_c):
    assert humidity.saturation_pressure_over_ice(air_c) == pytest.approx(psychrolib.GetSatVapPres(air_c), rel=2e-3)


# Dew point


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['t_air_c']:g}C-{row['rh_pct']:g}")
def test_dew_point_agrees_with_iapws_psychrolib_and_coolprop(row):
    found = humidity.dew_point_c(row["t_air_c"], row["rh_pct"])
    assert found == pytest.approx(row["td_iapws95_c"], abs=0.011)
    assert found == pytest.approx(row["td_if97_c"], abs=0.011)
    assert found == pytest.approx(row["td_psychrolib_c"], abs=0.01)
    assert found == pytest.approx(row["td_coolprop_c"], abs=0.02)


@pytest.mark.parametrize(("air_c", "damp"), [(8, 70), (18, 45), (22, 60), (28, 80), (33, 50)])
def test_dew_point_agrees_with_psychrolib_and_coolprop_as_installed(air_c, damp):
    found = humidity.dew_point_c(air_c, damp)
    assert found == pytest.approx(psychrolib.GetTDewPointFromRelHum(air_c, damp / 100), abs=0.01)
    coolprop = HAPropsSI("D", "T", air_c + 273.15, "P", 101_325, "R", damp / 100) - 273.15
    assert found == pytest.approx(coolprop, abs=0.02)


# A printed German dew-point table ("Taupunkttabelle", expydoc.com/doc/12113599), rounded to 0.1 °C; its entries are
# within 0.125 °C of IAPWS-95 on these rows.
PRINTED = [
    (10, 50, 0.0), (10, 60, 2.5), (10, 70, 4.8), (10, 80, 6.8), (10, 85, 7.7), (10, 90, 8.5), (15, 50, 4.7),
    (15, 60, 7.4), (15, 70, 9.6), (15, 80, 11.7), (15, 85, 12.6), (15, 90, 13.5), (20, 40, 6.0), (20, 50, 9.3),
    (20, 60, 12.0), (20, 65, 13.2), (20, 70, 14.4), (20, 80, 16.5), (20, 85, 17.4), (20, 90, 18.4), (23, 50, 12.0),
    (25, 30, 6.2), (25, 40, 10.5), (25, 50, 13.8), (25, 60, 16.7), (25, 70, 19.1), (25, 80, 21.4), (25, 85, 22.3),
    (28, 60, 19.4), (30, 40, 14.9), (30, 50, 18.4), (30, 60, 21.4), (30, 70, 23.9), (30, 80, 26.1), (30, 90, 28.2),
]  # fmt: skip


@pytest.mark.parametrize(("air_c", "damp", "printed"), PRINTED)
def test_dew_point_agrees_with_the_printed_table(air_c, damp, printed):
    assert humidity.dew_point_c(air_c, damp) == pytest.approx(printed, abs=0.15)


@unhurried
@given(temperatures)
def test_saturated_air_has_its_dew_point_at_its_own_temperature(air_c):
    assert humidity.dew_point_c(air_c, 100.0) == pytest.approx(air_c, abs=1e-9)


@unhurried
@given(temperatures, st.floats(1, 99))
def test_dew_point_rises_with_temperature_and_with_humidity(air_c, damp):
    here = humidity.dew_point_c(air_c, damp)
    assert humidity.dew_point_c(air_c + 0.5, damp) > here
    assert humidity.dew_point_c(air_c, damp + 0.5) > here


@unhurried
@given(temperatures, humidities)
def test_an_array_gives_what_its_elements_give(air_c, damp):
    array = humidity.dew_point_c(np.array([air_c, 20.0]), np.array([damp, 50.0]))
    assert array.tolist() == [humidity.dew_point_c(air_c, damp), humidity.dew_point_c(20.0, 50.0)]


def test_a_long_array_gives_what_its_parts_give():
    air_c, damp = np.linspace(-40.0, 60.0, 100_003).reshape(1, -1), np.array([[20.0], [90.0]])
    whole = humidity.dew_point_c(air_c, damp)
    assert whole.shape == (2, 100_003)
    for row, value in enumerate((20.0, 90.0)):
        for start in (0, 32_700, 65_500, 99_990):
            part = slice(start, start + 100)
            assert np.array_equal(whole[row, part], humidity.dew_point_c(air_c[0, part], value))


@unhurried
@given(st.floats(-60, 90))
def test_the_inverse_is_exact(air_c):
    pressure = humidity.saturation_pressure(air_c)
    damp = 100.0 * pressure / humidity.saturation_pressure(90.0)
    assert humidity.dew_point_c(90.0, damp) == pytest.approx(air_c, abs=1e-9)


def test_nan_in_gives_nan_out():
    assert math.isnan(humidity.dew_point_c(math.nan, 50.0))
    assert math.isnan(humidity.wet_bulb_c(20.0, math.nan))
    assert np.isnan(humidity.frost_point_c(np.array([math.nan, 20.0]), 50.0)).tolist() == [True, False]


def test_dry_air_has_no_dew_point():
    assert humidity.dew_point_c(20.0, 0.0) == -math.inf


@pytest.mark.parametrize(
    ("air_c", "damp", "told"),
    [
        (-300.0, 50.0, "air_c -300 °C; expected -60 to 90 °C"),
        (20.0, 140.0, "relative_humidity_pct 140 %; expected 0 to 100 %"),
        (20.0, -1.0, "relative_humidity_pct -1 %"),
        (math.inf, 50.0, "air_c inf °C"),
    ],
)
def test_a_value_out_of_range_is_named(air_c, damp, told):
    with pytest.raises(ValueError, match=told):
        humidity.dew_point_c(air_c, damp)


# Below freezing


def test_below_freezing_dew_point_is_over_water_and_frost_point_over_ice():
    # IAPWS-95 extrapolated over supercooled water -2.112; PsychroLib 2.5.0 and CoolProp 8.0.0 over ice -1.867
    assert humidity.dew_point_c(5.0, 60.0) == pytest.approx(-2.112, abs=0.011)
    assert humidity.frost_point_c(5.0, 60.0) == pytest.approx(-1.867, abs=0.011)


@unhurried
@given(temperatures, humidities)
def test_frost_point_is_never_below_the_dew_point_and_equals_it_above_freezing(air_c, damp):
    dew, frost = humidity.dew_point_c(air_c, damp), humidity.frost_point_c(air_c, damp)
    assert frost >= dew
    assert frost == dew or dew < 0.0 >= frost


# Other measures


@unhurried
@given(st.floats(1, 45), st.floats(5, 100), st.sampled_from([85_000.0, 101_325.0]))
def test_wet_bulb_agrees_with_psychrolib(air_c, damp, pressure):
    # PsychroLib 2.5 stops its own search at 0.001 °C. It takes relative humidity of air below 0 °C over ice, we over
    # water, so only warmer air compares; around 0 °C both step from water to ice, each at its own point.
    ours = humidity.wet_bulb_c(air_c, damp, pressure)
    theirs = psychrolib.GetTWetBulbFromRelHum(air_c, damp / 100, pressure)
    near_freezing = abs(theirs) < 0.7
    assert ours == pytest.approx(theirs, abs=0.9 if near_freezing else 0.02)


def test_wet_bulb_gives_the_ashrae_example():
    # ASHRAE Handbook Fundamentals 2017, chapter 1, example 1, as quoted in PsychroLib's tests: 40 °C and a wet bulb
    # of 20 °C have a humidity ratio of 0.0065 and 14 %; the humidity that PsychroLib 2.5.0 finds is 13.98 %.
    assert humidity.wet_bulb_c(40.0, 13.98) == pytest.approx(20.0, abs=0.02)


@unhurried
@given(temperatures, st.floats(1, 99))
def test_wet_bulb_never_falls_as_the_air_grows_damper(air_c, damp):
    assert humidity.wet_bulb_c(air_c, damp + 1.0) >= humidity.wet_bulb_c(air_c, damp)


def test_wet_bulb_of_air_that_could_wet_or_freeze_is_the_wet_one():
    # At 8 °C and 9 % adiabatic saturation has a solution over ice, near -0.5 °C, and one over water, just above 0 °C.
    found = humidity.wet_bulb_c(np.full(3, 8.0), np.array([8.0, 9.0, 10.0]))
    assert found[0] < -0.5
    assert found[1] > 0.0
    assert found[2] > found[1]


@unhurried
@given(st.floats(-40, 60), humidities)
def test_wet_bulb_lies_between_frost_point_and_air(air_c, damp):
    wet = humidity.wet_bulb_c(air_c, damp)
    assert humidity.dew_point_c(air_c, damp) - 0.3 <= wet <= air_c + 1e-9


@pytest.mark.parametrize(("air_c", "damp"), [(5, 80), (20, 50), (30, 70), (38, 25)])
def test_humidity_ratio_and_absolute_humidity_agree_with_psychrolib(air_c, damp):
    pressure = humidity.vapour_pressure(air_c, damp)
    ratio = psychrolib.GetHumRatioFromRelHum(air_c, damp / 100, 101_325)
    assert humidity.humidity_ratio(pressure) == pytest.approx(ratio, rel=1e-3)
    absolute = 1000.0 * ratio / psychrolib.GetMoistAirVolume(air_c, ratio, 101_325)
    assert humidity.absolute_humidity_g_m3(air_c, damp) == pytest.approx(absolute, rel=2e-3)


@unhurried
@given(temperatures, humidities)
def test_deficit_and_vapour_pressure_add_up_to_saturation(air_c, damp):
    total = humidity.vapour_pressure(air_c, damp) + humidity.vapour_pressure_deficit(air_c, damp)
    assert total == pytest.approx(humidity.saturation_pressure(air_c))


@unhurried
@given(st.floats(0, 0.2))
def test_ratio_and_vapour_pressure_are_inverse(ratio):
    assert humidity.humidity_ratio(humidity.vapour_pressure_of_ratio(ratio)) == pytest.approx(ratio, abs=1e-12)


def test_a_warm_sensor_reads_the_same_dew_point():
    # Air of 20 °C and 70 % in a die 1 K warmer: the vapour pressure is the same, so the dew point must be.
    seen = humidity.relative_humidity_pct(21.0, humidity.vapour_pressure(20.0, 70.0))
    assert seen == pytest.approx(65.8115, abs=1e-3)
    assert humidity.dew_point_c(21.0, seen) == pytest.approx(humidity.dew_point_c(20.0, 70.0), abs=1e-9)


# Uncertainty


@unhurried
@given(st.floats(1, 45), st.floats(5, 99))
def test_sensitivities_are_the_slopes_of_the_dew_point(air_c, damp):
    ct, cr = humidity.dew_point_sensitivities(air_c, damp)
    step = 1e-4

    def slope(f):
        return (f(step) - f(-step)) / (2 * step)

    assert ct == pytest.approx(slope(lambda h: humidity.dew_point_c(air_c + h, damp)), rel=1e-6)
    assert cr == pytest.approx(slope(lambda h: humidity.dew_point_c(air_c, damp + h)), rel=1e-6)


# Sensor ± limits (t, RH, surface), conditions, and u(M) by Monte Carlo with 4e6 draws, all inputs rectangular
# (JCGM 101:2008; computed apart from this project with numpy 2.4.6).
WORKED = {
    "A": ((0.2, 1.8, 0.5), (23, 50, 16), 3.973, 0.440, 3.72),
    "B": ((1.0, 3.0, 0.5), (23, 50, 16), 3.973, 0.800, 4.32),
    "C": ((0.2, 1.8, 0.5), (20, 80, 20), 3.553, 0.371, 3.61),
    "D": ((1.0, 3.0, 1.0), (20, 80, 20), 3.553, 0.874, 4.44),
    "E": ((0.2, 1.8, 1.0), (10, 85, 11), 3.403, 0.615, 4.01),
    "F": ((1.0, 3.0, 1.0), (30, 70, 28), 4.072, 0.898, 4.48),
    "G": ((1.0, 3.0, 1.0), (25, 20, 22), 21.501, 1.416, 5.32),
}


def margin_of(accuracies, conditions, correlation=0.0):
    air_c, damp, surface_c = conditions
    u = [humidity.rectangular(half) for half in accuracies]
    return humidity.margin(
        air_c,
        damp,
        surface_c,
        air_uncertainty_k=u[0],
        relative_humidity_uncertainty_pct=u[1],
        surface_uncertainty_k=u[2],
        correlation=correlation,
    )


@pytest.mark.parametrize("name", WORKED)
def test_worked_margins_come_out(name):
    accuracies, conditions, margin_k, uncertainty_k, guarded_k = WORKED[name]
    found = margin_of(accuracies, conditions)
    assert found.margin_k == pytest.approx(margin_k, abs=0.01)
    assert found.standard_uncertainty_k == pytest.approx(uncertainty_k, rel=0.01)
    assert humidity.guarded(3.0, found.standard_uncertainty_k) == pytest.approx(guarded_k, abs=0.01)


@pytest.mark.parametrize("name", WORKED)
def test_first_order_agrees_with_monte_carlo_run_here(name):
    (a_t, a_rh, a_s), (air_c, damp, surface_c), *_ = WORKED[name]
    rng = np.random.default_rng(8502)
    draws = 400_000
    t = air_c + rng.uniform(-a_t, a_t, draws)
    rh = damp + rng.uniform(-a_rh, a_rh, draws)
    margins = surface_c + rng.uniform(-a_s, a_s, draws) - humidity.dew_point_c(t, rh)
    found = margin_of((a_t, a_rh, a_s), (air_c, damp, surface_c))
    assert found.standard_uncertainty_k == pytest.approx(margins.std(), rel=0.01)


@pytest.mark.parametrize(("correlation", "expected"), [(0.0, 0.527), (0.5, 0.444), (1.0, 0.340)])
def test_matched_sensors_gain_from_their_correlation(correlation, expected):
    # Computed apart from this project: 20 °C, 80 %, ±0.5 K on air and surface, ±3 %RH.
    found = margin_of((0.5, 3.0, 0.5), (20, 80, 20), correlation)
    assert found.standard_uncertainty_k == pytest.approx(expected, abs=0.002)


def test_below_freezing_the_margin_counts_from_the_frost_point():
    found = margin_of((0.2, 1.8, 0.5), (5, 60, 0))
    assert found.dew_point_c == humidity.frost_point_c(5, 60)
    assert found.margin_k == pytest.approx(1.867, abs=0.011)


def test_a_correlation_beyond_one_is_refused():
    with pytest.raises(ValueError, match="correlation 2"):
        margin_of((0.2, 1.8, 0.5), (20, 50, 20), 2)
