"""The layer of air over a face held against textbook correlations, limiting cases and its own symmetries."""

import math

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from collector.physics.boundary_layer import BoundaryLayer, shrinking
from collector.physics.humidity import ATMOSPHERE
from collector.physics.volatiles import WATER, diffusivity, vapour_pressure
from collector.reference.solvents import find

ACETONE, TOLUENE = find("acetone").volatile, find("toluene").volatile


def layer(volatiles, speed=0.3, air_c=25.0, length=0.35, vertical=True, water=0.0, water_index=None, factor=1.0):
    speed = np.atleast_1d(np.asarray(speed, dtype=float))
    like = np.ones_like(speed)
    return BoundaryLayer(
        volatiles, air_c=air_c * like, far_water=water * like, speed=speed, factor=factor * like, pressure=ATMOSPHERE,
        length=length, vertical=vertical, water_index=water_index,
    )  # fmt: skip


def passes(over, film_c, at_film):
    draws = len(over.speed)
    return over.coefficients(
        np.full(draws, film_c), np.broadcast_to(np.atleast_2d(at_film).T, (len(over.molar_mass), draws))
    )


def settled(over, at_film, coefficients):
    """Flux of each solvent once the search has settled. [mol/(m²·s)]"""
    flux = np.zeros_like(at_film)
    for _ in range(60):
        flux = over.solvent_flux(at_film, coefficients, flux)
    return flux


# Heat


def test_a_slow_stream_over_a_short_plate_gives_the_laminar_textbook_value():
    # Nu = 0.664 Re^1/2 Pr^1/3 (any heat transfer text); air by CoolProp 8.0.0. At a Reynolds number of 1,600
    # the turbulent part, which the form of [4] adds at every speed, makes up a tenth.
    air = {key: PropsSI(key, "T", 298.15, "P", 101_325, "Air") for key in ("D", "V", "L", "Prandtl")}
    reynolds = 0.5 * 0.05 * air["D"] / air["V"]
    expected = 0.664 * math.sqrt(reynolds) * air["Prandtl"] ** (1 / 3) * air["L"] / 0.05
    found = float(passes(layer([ACETONE], 0.5, length=0.05), 25.0, 0.0).heat[0])
    assert 1.0 < found / expected < 1.15


def test_a_fast_stream_over_a_long_plate_gives_the_turbulent_textbook_value():
    # Nu = 0.037 Re^0.8 Pr^(1/3) (any heat transfer text) at a Reynolds number of a million
    air = {key: PropsSI(key, "T", 298.15, "P", 101_325, "Air") for key in ("D", "V", "L", "Prandtl")}
    reynolds = 16.0 * 1.0 * air["D"] / air["V"]
    expected = 0.037 * reynolds**0.8 * air["Prandtl"] ** (1 / 3) * air["L"] / 1.0
    assert float(passes(layer([ACETONE], 16.0, length=1.0), 25.0, 0.0).heat[0]) == pytest.approx(expected, rel=0.1)


def test_an_upright_plate_in_still_air_gives_the_correlation_of_churchill_and_chu():
    # [4] of collector.physics.evaporation, reckoned here with CoolProp 8.0.0; a plate 20 K warmer than the air
    mean = {key: PropsSI(key, "T", 308.15, "P", 101_325, "Air") for key in ("D", "V", "L", "C", "Prandtl")}
    heavier = 1 - PropsSI("D", "T", 318.15, "P", 101_325, "Air") / PropsSI("D", "T", 298.15, "P", 101_325, "Air")
    heavier *= PropsSI("D", "T", 298.15, "P", 101_325, "Air") / mean["D"]
    viscosity, spread = mean["V"] / mean["D"], mean["L"] / mean["D"] / mean["C"]
    rayleigh = 9.81 * heavier * 0.35**3 / viscosity / spread
    slope = (1 + (0.492 / mean["Prandtl"]) ** (9 / 16)) ** (8 / 27)
    expected = (0.825 + 0.387 * rayleigh ** (1 / 6) / slope) ** 2 * mean["L"] / 0.35
    assert float(passes(layer([ACETONE], 0.0), 45.0, 0.0).heat[0]) == pytest.approx(expected, rel=0.01)


def test_vapour_is_heavy_enough_to_stir_still_air():
    still = layer([ACETONE], 0.0)
    cold, heavy = passes(still, 20.0, 0.0), passes(still, 20.0, 0.2)
    # 0.2 of acetone weighs as much as 65 K of cold
    assert float(heavy.heat[0]) > 1.7 * float(cold.heat[0])


@pytest.mark.parametrize("vertical", [True, False])
def test_air_that_nothing_moves_still_conducts(vertical):
    found = passes(layer([ACETONE], 0.0, vertical=vertical), 25.0, 0.0)
    assert np.all(found.heat > 0.02)
    assert np.all(np.isfinite(found.vapours)) and np.all(found.vapours > 0)


def test_heat_transfer_grows_with_air_speed():
    heat = passes(
        layer([ACETONE], np.array([0.0, 0.001, 0.01, 0.05, 0.1, 0.3, 0.5, 1.0, 3.0, 10.0, 20.0])), 20.0, 0.1
    ).heat
    assert np.all(np.diff(heat) >= 0)
    assert heat[-1] > 10 * heat[0]


def test_the_transfer_factor_multiplies_heat_and_vapour_alike():
    one, two = passes(layer([ACETONE]), 20.0, 0.1), passes(layer([ACETONE], factor=2.0), 20.0, 0.1)
    assert two.heat == pytest.approx(2 * one.heat, rel=1e-12)
    assert two.vapours == pytest.approx(2 * one.vapours, rel=1e-12)
    assert two.water == pytest.approx(2 * one.water, rel=1e-12)


# Vapour


def test_heat_and_vapour_go_through_one_layer():
    # Chilton and Colburn: h / (k M cp) = (thermal over vapour diffusivity)^(2/3), air by CoolProp 8.0.0
    found = passes(layer([TOLUENE]), 25.0, 0.0)
    air = {key: PropsSI(key, "T", 298.15, "P", 101_325, "Air") for key in ("D", "L", "C")}
    lewis = air["L"] / air["D"] / air["C"] / float(diffusivity(TOLUENE, 25.0))
    ratio = float(found.heat[0] / (found.vapours[0, 0] * 0.0289652 * air["C"]))
    assert ratio == pytest.approx(lewis ** (2 / 3), rel=0.01)


def test_one_vapour_alone_leaves_by_stefans_logarithm():
    # N = k ln(1/(1 - y)): the exact film solution for one vapour through air at rest
    over = layer([ACETONE])
    at_film = np.array([[0.25]])
    coefficients = passes(over, 15.0, 0.25)
    flux = settled(over, at_film, coefficients)
    assert float(flux[0, 0]) == pytest.approx(float(coefficients.vapours[0, 0]) * -math.log(1 - 0.25), rel=1e-6)


def test_thin_vapour_leaves_in_proportion():
    over = layer([ACETONE, TOLUENE])
    at_film = np.array([[1e-6], [2e-6]])
    coefficients = passes(over, 25.0, at_film.ravel())
    assert settled(over, at_film, coefficients) == pytest.approx(coefficients.vapours * at_film, rel=1e-5)


def test_two_halves_of_one_vapour_leave_as_the_whole():
    whole, halves = layer([ACETONE]), layer([ACETONE, ACETONE])
    one = settled(whole, np.array([[0.2]]), passes(whole, 15.0, 0.2))
    two = settled(halves, np.array([[0.1], [0.1]]), passes(halves, 15.0, [0.1, 0.1]))
    assert float(two.sum()) == pytest.approx(float(one[0, 0]), rel=1e-9)


# Water among the vapours


def test_without_solvent_water_goes_by_the_difference_of_its_shares():
    over = layer([ACETONE], water=0.02)
    coefficients = passes(over, 15.0, 0.0)
    out, into = over.water_flux(np.zeros((1, 1)), np.zeros((1, 1)), coefficients)
    assert float(out[0]) == pytest.approx(float(coefficients.water[0]), rel=1e-6)
    assert float(into[0]) == pytest.approx(float(coefficients.water[0]) * 0.02, rel=1e-6)


def test_solvent_leaving_drives_water_back_and_lowers_the_dew_point_at_the_film():
    over = layer([ACETONE], water=0.02)
    at_film = np.array([[0.15]])
    coefficients = passes(over, 15.0, 0.15)
    out, into = over.water_flux(settled(over, at_film, coefficients), at_film, coefficients)
    quiet_out, quiet_in = over.water_flux(np.zeros((1, 1)), np.zeros((1, 1)), coefficients)
    assert into[0] < 0.95 * quiet_in[0]
    assert out[0] > quiet_out[0]
    # the share of water at the film at which none passes is below that of the air: its dew point is lower there
    assert float(into[0] / out[0]) < 0.9 * 0.02


def test_a_vapour_like_air_drags_water_as_ackermann_has_it():
    # With water as quick in the vapour as in air, Maxwell-Stefan becomes film theory: k a/(e^a - 1), a = N/k
    over = layer([ACETONE], water=0.02)
    over.drag_ratio = np.ones((1, 1))
    at_film = np.array([[0.15]])
    coefficients = passes(over, 15.0, 0.15)
    flux = settled(over, at_film, coefficients)
    _, into = over.water_flux(flux, at_film, coefficients)
    water = float(coefficients.water[0])
    a = float(flux[0, 0]) / water
    assert float(into[0]) == pytest.approx(water * 0.02 * a / math.expm1(a), rel=1e-9)


def test_water_within_the_film_is_no_solvent():
    over = layer([ACETONE, WATER], water=0.01, water_index=1)
    share = float(vapour_pressure(WATER, 20.0)) / ATMOSPHERE
    at_film = np.array([[0.1], [share]])
    assert float(settled(over, at_film, passes(over, 20.0, at_film.ravel()))[1, 0]) == 0.0


@pytest.mark.parametrize("a", [-5.0, -0.1, 0.1, 1.0, 5.0])
def test_ackermanns_correction_is_its_formula_and_smooth_at_nothing(a):
    assert float(shrinking(np.array([a]))[0]) == pytest.approx(a / math.expm1(a), rel=1e-12)
    assert shrinking(np.array([-1e-7, 0.0, 1e-7])) == pytest.approx(1.0, abs=1e-6)
