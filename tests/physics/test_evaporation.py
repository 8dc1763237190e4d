"""A drying coat held against a reference solver, wet bulbs, published evaporation rates and its own balances.

Where a figure is said to be the reference solver's, it comes from a program of the project's own written separately:
48 cells in the piece, error-controlled steps, mixture properties of the gas.
"""

from __future__ import annotations

import csv
import dataclasses
import math
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks import evaporation_rates
from collector.physics import boundary_layer, conduction, evaporation
from collector.physics.boundary_layer import BoundaryLayer, shrinking
from collector.physics.conduction import STEFAN_BOLTZMANN, Ahead, cell_widths
from collector.physics.evaporation import Air, Part, WetCoat, dry, steady_film_c
from collector.physics.humidity import ATMOSPHERE, ZERO_C, humidity_ratio, vapour_pressure
from collector.physics.volatiles import WATER
from collector.physics.volatiles import vapour_pressure as liquid_pressure
from collector.reference.solvents import blend, find, parse_blend
from collector.reference.substrates import substrate

unhurried = settings(deadline=None, max_examples=8)

FAST = {"acetone": 0.35, "toluene": 0.30, "isopropanol": 0.15, "n-butyl acetate": 0.20}
HOT = {"acetone": 0.60, "methyl ethyl ketone": 0.20, "toluene": 0.20}
LACQUER = {"isobutyl acetate": 0.35, "toluene": 0.20, "ethanol": 0.15, "methyl ethyl ketone": 0.20,
           "n-butyl acetate": 0.10}  # fmt: skip
RETARDED = {"acetone": 0.10, "toluene": 0.30, "isopropanol": 0.10, "n-butyl acetate": 0.30, "pm acetate": 0.10,
            "2-butoxyethanol": 0.10}  # fmt: skip
SLOW = {"xylene": 0.30, "n-butyl acetate": 0.40, "pm acetate": 0.20, "2-butoxyethanol": 0.10}

MAPLE = substrate("maple").solid


def coat(mix, **changes):
    made = blend(mix)
    usual = WetCoat(volatiles=made.volatiles, mass_fractions=made.mass_fractions, wet_film_um=100.0,
                    solids_mass_fraction=0.2, coat_c=25.0)  # fmt: skip
    return dataclasses.replace(usual, **changes)


def air(damp=60.0, speed=0.3, air_c=25.0, **changes):
    return Air(air_c=air_c, relative_humidity_pct=damp, air_speed_m_s=speed, **changes)


def part(solid=MAPLE, part_c=25.0, **changes):
    return Part(solid=solid, part_c=part_c, **changes)


def dried(mix=FAST, damp=60.0, speed=0.3, seconds=600.0, **changes):
    return dry(coat(mix), air(damp, speed), part(**changes), seconds=seconds)


def with_more(mix, **extra):
    """The same blend with some of another solvent, the rest drawn back to make room."""
    room = 1 - sum(extra.values())
    return {**{name: share * room for name, share in mix.items()}, **extra}


# The reference solver

CASES = Path(__file__).with_name("evaporation_cases.csv")
with CASES.open(encoding="utf-8") as lines:
    ROWS = list(csv.DictReader(line for line in lines if not line.startswith("#")))
VERY_FAST = ("ethyl acetate alone",)


def case(row):
    made = parse_blend(row["blend"].replace(";", ","))
    wet = WetCoat(volatiles=made.volatiles, mass_fractions=made.mass_fractions, wet_film_um=100.0,
                  solids_mass_fraction=0.2, coat_c=float(row["air_c"]))  # fmt: skip
    blown = air(float(row["relative_humidity_pct"]), float(row["air_speed_m_s"]), float(row["air_c"]))
    under = part(substrate(row["substrate"]).solid if row["substrate"] else None, float(row["part_c"]),
                 thickness_mm=float(row["thickness_mm"] or 42))  # fmt: skip
    return wet, blown, under


@pytest.fixture(scope="module", params=ROWS, ids=lambda row: row["case"])
def run(request):
    wet, blown, under = case(request.param)
    return request.param, dry(wet, blown, under), (wet, blown, under)


def test_the_coldest_film_is_the_reference_solvers(run):
    row, drying, _ = run
    within = 0.3 if row["case"] in VERY_FAST else 0.15
    assert float(drying.min_film_c[0]) == pytest.approx(float(row["min_film_c"]), abs=within)


def test_the_dew_point_and_the_side_of_it_are_the_reference_solvers(run):
    row, drying, _ = run
    assert float(drying.dew_point_c[0]) == pytest.approx(float(row["dew_point_c"]), abs=0.02)
    margin = float(row["min_film_c"]) - float(row["dew_point_c"])
    assert abs(margin) <= 0.15 or np.sign(drying.min_margin_k[0]) == np.sign(margin)


def test_the_time_below_the_dew_point_is_the_reference_solvers(run):
    row, drying, _ = run
    seconds = float(row["seconds_below_dew_point"])
    margin = float(row["min_film_c"]) - float(row["dew_point_c"])
    # nearer than 0.3 K the time hangs on hundredths of a kelvin
    within = max(15.0, 0.10 * seconds) if abs(margin) > 0.3 else math.inf
    assert float(drying.seconds_below_dew_point[0]) == pytest.approx(seconds, abs=within)


def test_the_water_on_the_film_is_the_reference_solvers(run):
    row, drying, _ = run
    water = float(row["most_condensed_g_m2"])
    assert float(1e3 * drying.most_condensed_kg_m2[0]) == pytest.approx(water, abs=max(0.05, 0.12 * water))


def test_the_flash_off_times_are_the_reference_solvers(run):
    row, drying, _ = run
    half, most = float(row["flash_off_50_s"]), float(row["flash_off_90_s"] or "nan")
    assert float(drying.flash_off_s(0.5)[0]) == pytest.approx(half, abs=max(2.0, 0.08 * half))
    assert float(drying.flash_off_s(0.9)[0]) == pytest.approx(most, abs=max(2.0, 0.08 * most), nan_ok=True)


def test_the_balances_it_reports_close_to_a_millionth(run):
    _, drying, _ = run
    assert float(drying.mass_closure[0]) < 1e-6
    assert float(drying.energy_closure[0]) < 1e-6


# Balances reckoned again from what it returns


def reckoned_again(drying, wet, blown, under):
    """Boundary layer and film state of every returned time, the times in place of draws."""
    volatiles = list(wet.volatiles)
    index = next((i for i, liquid in enumerate(volatiles) if liquid.name == "water"), None)
    times = np.ones_like(drying.time_s)
    far_water = float(vapour_pressure(blown.air_c, blown.relative_humidity_pct)) / blown.pressure
    layer = BoundaryLayer(
        volatiles, air_c=blown.air_c * times, far_water=far_water * times, speed=blown.air_speed_m_s * times,
        factor=blown.transfer_factor * times, pressure=blown.pressure, length=under.length_m,
        vertical=under.orientation == "vertical", water_index=index,
    )  # fmt: skip
    film_c = drying.film_c[:, 0]
    moles = drying.liquid_kg_m2[:, :, 0].T / np.array([[liquid.molar_mass] for liquid in volatiles])
    share = moles / (moles.sum(axis=0) + 1e-5 * moles[:, :1].sum())
    at_film = share * np.array([liquid_pressure(liquid, film_c) for liquid in volatiles]) / blown.pressure
    passes = layer.coefficients(film_c, at_film)
    flux = np.zeros_like(at_film)
    for _ in range(40):
        flux = layer.solvent_flux(at_film, passes, flux)
    out, into = layer.water_flux(flux, at_film, passes)
    if index is not None:
        flux[index] = out * at_film[index] - into
    return volatiles, film_c, moles, flux, passes, (out, into)


def test_the_first_film_is_the_coat_laid_down(run):
    _, drying, (wet, _, _) = run
    shares = np.asarray(wet.mass_fractions)
    litre_per_kg = 0.8 * sum(x / liquid.density for x, liquid in zip(shares, wet.volatiles, strict=True)) + 0.2 / 1200
    assert drying.liquid_kg_m2[0, :, 0] == pytest.approx(0.8 * 100e-6 / litre_per_kg * shares, rel=1e-12)
    assert float(drying.condensed_kg_m2[0, 0]) == 0.0


def test_what_the_film_lost_is_what_the_boundary_layer_passed(run):
    _, drying, inputs = run
    _, _, moles, flux, _, _ = reckoned_again(drying, *inputs)
    passed = np.trapezoid(flux, drying.time_s, axis=1)
    # the trapezoid over the returned times is a rougher sum than the model's own
    assert passed == pytest.approx(moles[:, 0] - moles[:, -1], rel=0.035)


def test_the_water_on_the_film_is_what_the_boundary_layer_passed():
    inputs = (coat(FAST), air(88.0), part())
    drying = dry(*inputs, seconds=60.0)
    _, film_c, _, _, _, (out, into) = reckoned_again(drying, *inputs)
    net = into - out * liquid_pressure(WATER, film_c) / ATMOSPHERE
    caught = np.cumsum(np.diff(drying.time_s) * 0.5 * (net[1:] + net[:-1])) * WATER.molar_mass
    before_it_turns = float(drying.condensed_kg_m2[-1, 0])
    assert before_it_turns > 1e-4
    lying = caught - np.minimum.accumulate(np.minimum(caught, 0.0))
    assert before_it_turns == pytest.approx(float(lying[-1]), rel=0.04)


def test_the_heat_the_solvent_took_is_what_film_and_piece_and_air_gave():
    inputs = (coat(FAST), air(40.0), part())
    drying = dry(*inputs, seconds=240.0)
    volatiles, film_c, moles, flux, passes, _ = reckoned_again(drying, *inputs)
    vapour = sum(flux[i] * liquid.vapour_heat for i, liquid in enumerate(volatiles))
    radiated = 0.9 * STEFAN_BOLTZMANN * ((25.0 + ZERO_C) ** 4 - (film_c + ZERO_C) ** 4)
    gained = passes.heat * shrinking(vapour / passes.heat) * (25.0 - film_c) + radiated
    from_air = float(np.trapezoid(gained, drying.time_s))
    # four minutes are too few for the back of 42 mm of maple to feel anything
    widths = cell_widths(0.042)
    from_piece = MAPLE.density * MAPLE.heat_capacity * float((widths * (25.0 - drying.part_c[:, 0])).sum())
    lost = moles[:, :-1] - moles[:, 1:]
    middle_c = 0.5 * (film_c[1:] + film_c[:-1])
    taken = sum(
        float((lost[i] * (liquid.latent_heat + (liquid.vapour_heat - liquid.molar_mass * liquid.liquid_heat)
                          * (middle_c - 20.0))).sum())
        for i, liquid in enumerate(volatiles)
    )  # fmt: skip
    from_film = float((0.2 / 0.8 * drying.liquid_kg_m2[0].sum()) * 1500.0 * (25.0 - film_c[-1]))
    assert from_air + from_piece + from_film == pytest.approx(taken, rel=0.025)


# Wet bulbs


@pytest.fixture(scope="module")
def grid():
    """15 to 35 °C by 10 to 90 % and the thermodynamic wet bulb, computed with PsychroLib 2.5.0."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    air_c, damp = (axis.ravel() for axis in np.meshgrid(np.arange(15.0, 36.0, 5.0), [10.0, 30.0, 50.0, 70.0, 90.0]))
    wet = [psychrolib.GetTWetBulbFromRelHum(t, rh / 100, ATMOSPHERE) for t, rh in zip(air_c, damp, strict=True)]
    return air_c, damp, np.array(wet)


def wet_bulb(air_c, damp, speed, length_m, emissivity):
    blown = air(damp, speed, air_c)
    return steady_film_c(WATER, blown, Part(solid=None, length_m=length_m, emissivity=emissivity))


def test_without_radiation_water_settles_a_little_below_the_thermodynamic_wet_bulb(grid):
    # Heat and vapour travel unequally (Lewis number 0.85): 0.0 to -0.6 K, most in dry heat; the reference solver has
    # -0.03 to -0.63 K and -0.22 K at 25 °C and 50 %
    air_c, damp, thermodynamic = grid
    off = wet_bulb(air_c, damp, 5.0, 0.01, 0.0) - thermodynamic
    assert np.all(off < 0.05)
    assert float(off.max()) == pytest.approx(-0.03, abs=0.1)
    assert float(off.min()) == pytest.approx(-0.63, abs=0.12)
    assert float(off[(air_c == 25) & (damp == 50)][0]) == pytest.approx(-0.22, abs=0.1)


def test_a_psychrometers_wick_settles_on_the_thermodynamic_wet_bulb(grid):
    # 8 mm, 4 m/s, with radiation: the reference solver is -0.01 to -0.29 K off
    air_c, damp, thermodynamic = grid
    off = wet_bulb(air_c, damp, 4.0, 0.008, 0.9) - thermodynamic
    assert np.all((off > -0.35) & (off < 0.05))


def test_a_psychrometers_coefficient_is_the_published_one(grid):
    # A of e = E(Tw) - A p (T - Tw): 6.21e-4 /K (MetPy's documentation, after Fan 1987); WMO has 6.5e-4 (from memory)
    air_c, damp, _ = grid
    wet = wet_bulb(air_c, damp, 4.0, 0.008, 0.9)
    saturated = np.array([psychrolib.GetSatVapPres(each) for each in wet])
    present = np.array([psychrolib.GetVapPresFromRelHum(t, rh / 100) for t, rh in zip(air_c, damp, strict=True)])
    found = (saturated - present) / (ATMOSPHERE * (air_c - wet))
    assert np.all((found > 6.0e-4) & (found < 6.6e-4))


@pytest.mark.parametrize(("speed", "above"), [(0.1, 2.2), (0.3, 1.6), (0.5, 1.2), (1.0, 0.8), (3.0, 0.3)])
def test_a_panel_in_a_slow_stream_stays_above_the_wet_bulb_by_what_it_receives_as_radiation(speed, above):
    # the reference solver's, 0.35 m upright, 25 °C and 50 %
    psychrolib.SetUnitSystem(psychrolib.SI)
    thermodynamic = psychrolib.GetTWetBulbFromRelHum(25.0, 0.5, ATMOSPHERE)
    assert float(wet_bulb(25.0, 50.0, speed, 0.35, 0.9)[0]) - thermodynamic == pytest.approx(above, abs=0.12)


def test_with_heat_and_vapour_travelling_alike_the_wet_bulb_is_the_thermodynamic_one(grid, monkeypatch):
    # A Lewis factor of 1 is the assumption that makes the two the same; with Stefan flow 0.007 to 0.12 K remain
    monkeypatch.setattr(boundary_layer, "CHILTON_COLBURN", 0.0)
    air_c, damp, thermodynamic = grid
    off = wet_bulb(air_c, damp, 5.0, 0.01, 0.0) - thermodynamic
    assert np.all((off > -0.02) & (off < 0.12))


PURE = {
    # liquid: (air 20 °C, air 25 °C, both without radiation, and 25 °C with it at 0.3 m/s), dry air [°C]; the
    # reference solver's, which has the mixture's properties in the gas where this model has those of dry air
    "acetone": (-13.01, -11.39, -5.34),
    "methyl acetate": (-11.43, -9.77, -3.99),
    "methyl ethyl ketone": (-1.38, 0.75, 6.35),
    "ethyl acetate": (-1.53, 0.59, 6.03),
    "methanol": (-7.52, -5.83, 0.06),
    "ethanol": (1.61, 3.72, 8.94),
    "isopropanol": (5.08, 7.39, 12.10),
    "n-propyl acetate": (7.72, 10.53, 14.99),
    "isobutyl acetate": (12.27, 15.56, 18.99),
    "n-butyl acetate": (13.82, 17.39, 20.40),
    "methyl isobutyl ketone": (11.61, 14.83, 18.48),
    "n-butanol": (15.42, 19.02, 21.51),
    "benzene": (-1.87, 0.27, 5.92),
    "toluene": (9.08, 12.05, 16.33),
    "xylene": (15.49, 19.32, 21.75),
    "n-heptane": (6.24, 8.94, 13.63),
    "cyclohexanone": (17.43, 21.64, 23.22),
    "pm acetate": (17.53, 21.72, 23.24),
    "2-butoxyethanol": (19.32, 24.03, 24.53),
    "water": (5.16, 7.54, 12.58),
}


@pytest.mark.parametrize("name", PURE)
def test_pure_liquids_in_dry_air_settle_at_the_reference_solvers_wet_bulbs(name):
    liquid = find(name).volatile
    bare = steady_film_c(liquid, air(0.0, air_c=np.array([20.0, 25.0])), Part(solid=None, emissivity=0.0))
    radiated = steady_film_c(liquid, air(0.0), Part(solid=None, emissivity=0.9))
    assert np.append(bare, radiated) == pytest.approx(np.array(PURE[name]), abs=0.15)


def test_textbook_psychrometric_ratios_lie_on_the_side_the_exponent_predicts():
    # Measured h/k of organic vapours in air: benzene 0.41, ethyl acetate 0.42, toluene 0.44 Btu/(lb °F), from memory.
    # The exponent 2/3 is 6 to 7 % above them, which makes the wet bulb 3 % too mild; 0.56 is as much below.
    for name, measured in {"benzene": 0.41, "ethyl acetate": 0.42, "toluene": 0.44}.items():
        layer = BoundaryLayer(
            [find(name).volatile], air_c=np.array([25.0]), far_water=np.zeros(1), speed=np.ones(1), factor=np.ones(1),
            pressure=ATMOSPHERE, length=0.1, vertical=True, water_index=None,
        )  # fmt: skip
        found = layer.coefficients(np.array([25.0]), np.zeros((1, 1)))
        ratio = float(found.heat[0] / (found.vapours[0, 0] * 0.0289652)) / 4186.8
        assert 1.03 < ratio / measured < 1.10


def test_the_wet_bulb_never_drains_its_film():
    # 200 µm of acetone would be gone in two minutes, and the film back at 25 °C
    found = steady_film_c(find("acetone").volatile, air(0.0), Part(solid=None))
    assert float(found[0]) < 0


# Published evaporation rates

EXPLAINED = {
    # ratio of model to published: what is known of the miss (docs/evaporation.md)
    "methanol": "published figures reach from 2.1 to 5.9",
    "water": "near the upper of the published figures; hangs on the room's radiation and its humidity",
    "p-chlorobenzotrifluoride": "dense: a rate by mass in place of volume would fit",
    "dimethyl carbonate": "dense: a rate by mass in place of volume would fit",
    "ethyl 3-ethoxypropionate": "no measured vapour pressure; within the published range",
    "diacetone alcohol": "vapour pressure curves differ by a quarter",
    "mineral spirits": "a mixture, of which the table has one stand-in",
    "dipropylene glycol methyl ether": "no measured vapour pressure",
}


@pytest.fixture(scope="module")
def rates():
    return evaporation_rates.rates()


def test_the_one_fitted_figure_gives_n_butyl_acetate_its_470_seconds():
    assert evaporation_rates.disc_seconds(find("n-butyl acetate").volatile)[0] == pytest.approx(470.0, rel=0.005)


def test_evaporation_rates_are_the_published_ones_within_15_per_cent_or_the_miss_is_explained(rates):
    assert len(rates) > 25
    assert {rate.name for rate in rates if not 0.85 <= rate.ratio <= 1.15} == set(EXPLAINED)


def test_no_evaporation_rate_is_out_by_more_than_30_per_cent_but_four_that_are_explained(rates):
    far = {rate.name: rate.ratio for rate in rates if not 0.7 <= rate.ratio <= 1.3}
    assert far == pytest.approx({"methanol": 0.69, "p-chlorobenzotrifluoride": 0.69, "ethyl 3-ethoxypropionate": 1.33,
                                 "mineral spirits": 1.51}, abs=0.03)  # fmt: skip


def test_evaporation_rates_scatter_by_six_per_cent_about_the_published_ones_and_by_a_fifth_with_the_explained(rates):
    assert evaporation_rates.rms_factor([rate for rate in rates if rate.name not in EXPLAINED]) < 1.08
    assert evaporation_rates.rms_factor(rates) < 1.20


def test_without_the_rooms_radiation_fast_liquids_would_come_out_too_slow(rates):
    # what makes the disc's figures come out: a cold disc draws from the room, and the fastest most of all
    published = next(rate for rate in rates if rate.name == "acetone").published
    seconds = {name: evaporation_rates.disc_seconds(find(name).volatile, emissivity=0.0)[0]
               for name in ("acetone", "n-butyl acetate")}  # fmt: skip
    assert seconds["n-butyl acetate"] / seconds["acetone"] < 0.85 * published


# Numerics


def test_halving_every_step_changes_the_coldest_film_by_less_than_a_twentieth_of_a_kelvin(monkeypatch):
    usual = [dried(mix, 80.0) for mix in (FAST, HOT, RETARDED)]
    for name in ("FIRST_STEP_S", "STEP_SHARE", "EARLY_STEP_S", "LATE_STEP_SHARE"):
        monkeypatch.setattr(evaporation, name, getattr(evaporation, name) / 2)
    finer = [dried(mix, 80.0) for mix in (FAST, HOT, RETARDED)]
    assert len(finer[0].time_s) > 1.7 * len(usual[0].time_s)
    for coarse, fine in zip(usual, finer, strict=True):
        assert coarse.min_film_c == pytest.approx(fine.min_film_c, abs=0.05)
        assert coarse.flash_off_s(0.5) == pytest.approx(fine.flash_off_s(0.5), rel=0.015)
        assert coarse.most_condensed_kg_m2 == pytest.approx(fine.most_condensed_kg_m2, abs=2e-5)


def test_twice_the_cells_change_the_coldest_film_by_less_than_a_twentieth_of_a_kelvin(monkeypatch):
    usual = dried(HOT)
    monkeypatch.setattr(conduction, "CELLS", 32)
    assert usual.min_film_c == pytest.approx(dried(HOT).min_film_c, abs=0.05)


@pytest.mark.parametrize("dissolve", [False, True])
def test_the_order_of_the_solvents_is_of_no_account(dissolve):
    turned = dict(reversed(FAST.items()))
    forward = dry(coat(FAST), air(80.0), part(), seconds=300.0, dissolve_water=dissolve)
    backward = dry(coat(turned), air(80.0), part(), seconds=300.0, dissolve_water=dissolve)
    assert forward.film_c == pytest.approx(backward.film_c, abs=1e-8)
    assert forward.liquid_kg_m2[:, :4] == pytest.approx(backward.liquid_kg_m2[:, :4][:, ::-1], abs=1e-12)


def test_a_solvent_given_in_two_halves_dries_as_the_whole():
    acetone = find("acetone").volatile
    one = WetCoat(volatiles=[acetone], mass_fractions=[1.0], wet_film_um=100.0, solids_mass_fraction=0.2, coat_c=25.0)
    two = dataclasses.replace(one, volatiles=[acetone, acetone], mass_fractions=[0.3, 0.7])
    whole, halves = (dry(wet, air(), part(), seconds=120.0) for wet in (one, two))
    assert whole.film_c == pytest.approx(halves.film_c, abs=1e-9)


def draws(count=5):
    rng = np.random.default_rng(7)
    shares = rng.dirichlet([7, 6, 3, 4], count).T
    wet = coat(FAST, mass_fractions=shares, wet_film_um=rng.uniform(50, 200, count),
               solids_mass_fraction=rng.uniform(0.1, 0.4, count), coat_c=rng.uniform(15, 28, count),
               activity_factor=rng.uniform(0.8, 1.2, count))  # fmt: skip
    blown = air(rng.uniform(30, 90, count), rng.uniform(0, 1, count), rng.uniform(18, 30, count),
                transfer_factor=rng.uniform(0.7, 1.4, count))  # fmt: skip
    return wet, blown, part(part_c=rng.uniform(15, 30, count))


def single(inputs, i):
    wet, blown, under = inputs
    pick = lambda value: value[..., [i]] if isinstance(value, np.ndarray) and value.ndim else value  # noqa: E731
    return tuple(
        dataclasses.replace(each, **{field.name: pick(getattr(each, field.name)) for field in dataclasses.fields(each)})
        for each in (wet, blown, under)
    )


def test_draws_run_together_are_what_they_are_alone():
    wet, blown, _ = draws()
    inputs = (wet, blown, part(None))
    together = dry(*inputs, seconds=600.0)
    for i in range(5):
        alone = dry(*single(inputs, i), seconds=600.0)
        for name in ("film_c", "liquid_kg_m2", "condensed_kg_m2", "dew_point_c"):
            assert getattr(together, name)[..., i] == pytest.approx(getattr(alone, name)[..., 0], rel=1e-9, abs=1e-12)
        assert together.flash_off_s(0.5)[i] == pytest.approx(alone.flash_off_s(0.5)[0], rel=1e-9)
        assert together.seconds_below_dew_point[i] == pytest.approx(alone.seconds_below_dew_point[0], abs=1e-6)


def test_draws_of_pieces_share_no_more_than_the_air_behind_them():
    # One heat transfer for all backs; the film on 42 mm of maple does not feel it, not even at 0.1 beside 1 m/s
    inputs = draws()
    together = dry(*inputs, seconds=600.0)
    for i in range(5):
        alone = dry(*single(inputs, i), seconds=600.0)
        assert together.min_film_c[i] == pytest.approx(alone.min_film_c[0], abs=1e-6)
        assert together.film_c[:, i] == pytest.approx(alone.film_c[:, 0], abs=0.01)
        assert together.flash_off_s(0.9)[i] == pytest.approx(alone.flash_off_s(0.9)[0], rel=1e-3)


def test_with_activities_draws_of_one_room_run_together_are_nearly_what_they_are_alone():
    # Activities are taken at the mean of the draws' film temperatures, which within one room costs hundredths
    wet, blown, _ = draws()
    blown = dataclasses.replace(blown, air_c=np.full(5, 25.0))
    inputs = (dataclasses.replace(wet, coat_c=25.0), blown, part())
    together = dry(*inputs, seconds=300.0, dissolve_water=True)
    for i in range(5):
        alone = dry(*single(inputs, i), seconds=300.0, dissolve_water=True)
        assert together.min_film_c[i] == pytest.approx(alone.min_film_c[0], abs=0.03)
        assert float(together.water_kg_m2[:, i].max()) == pytest.approx(float(alone.water_kg_m2.max()), rel=0.02)


def test_maple_of_6_and_of_42_mm_have_the_same_coldest_film():
    assert dried(thickness_mm=6.0).min_film_c == pytest.approx(dried(thickness_mm=42.0).min_film_c, abs=0.05)


def test_a_second_coat_starts_from_the_profile_the_first_left():
    first = dry(coat(FAST), air(), part(), seconds=300.0)
    cold = float(25.0 - first.part_c[0, 0])
    second = dry(coat(FAST), air(), part(part_c=first.part_c), seconds=300.0)
    # the reference solver: 1.8 K after five minutes, and the minimum moves with the piece by some 0.7 K per K at most
    assert cold == pytest.approx(1.8, abs=0.3)
    assert 0.3 * cold < float(first.min_film_c[0] - second.min_film_c[0]) < cold


# What must not be simplified


class HalfSpace:
    """A piece in closed form, in the place of the conducting one."""

    share = 1 / math.sqrt(math.pi)
    """Of e/sqrt(t): as if the face had been cold all along (step), which is what gives a quarter less heat."""

    def __init__(self, solid, thickness_mm, start_c, emissivity, air_c):
        self.effusivity, self.time_s = solid.effusivity, 0.0
        self.start_c = np.broadcast_to(np.asarray(start_c, dtype=float), air_c.shape)
        self.cells_c, self.back_in_j = np.empty((0, len(air_c))), np.zeros(len(air_c))

    def energy_j(self, reference_c):
        return np.zeros_like(reference_c)

    def look_ahead(self, step, air_c):
        self.time_s += step
        return Ahead(self.start_c[None], np.zeros(1), self.start_c, step)

    def link(self, ahead, film_resistance):
        return 1 / (film_resistance + math.sqrt(self.time_s) / (self.share * self.effusivity))

    def settle(self, ahead, flux):
        pass


class ConstantFlux(HalfSpace):
    share = math.sqrt(math.pi) / 2


@pytest.mark.parametrize("mix", [FAST, HOT, RETARDED], ids=["fast", "hot", "retarded"])
def test_a_half_space_in_closed_form_would_be_wrong_either_way(monkeypatch, mix):
    # by some 0.8 K too cold as a step, some 0.7 K too warm as a constant flux, over the reference solver's cases
    true = float(dried(mix, 75.0).min_film_c[0])
    monkeypatch.setattr(evaporation, "Slab", HalfSpace)
    step = float(dried(mix, 75.0).min_film_c[0])
    monkeypatch.setattr(evaporation, "Slab", ConstantFlux)
    constant = float(dried(mix, 75.0).min_film_c[0])
    assert -1.3 < step - true < -0.3
    assert 0.3 < constant - true < 1.2


def test_a_thin_panel_ends_colder_than_the_half_space_its_effusivity_promises():
    thin, thick = (dried(SLOW, thickness_mm=each, seconds=900.0) for each in (1.0, 42.0))
    assert float(thin.min_film_c[0]) < float(thick.min_film_c[0]) - 0.3


def test_without_natural_convection_coats_would_dry_far_too_slowly(monkeypatch):
    speeds = np.array([0.1, 0.3])
    with_weight = dried(FAST, 75.0, speeds, 900.0)
    monkeypatch.setattr(boundary_layer, "GRAVITY", 0.0)
    without = dried(FAST, 75.0, speeds, 900.0)
    slower = without.flash_off_s(0.5) / with_weight.flash_off_s(0.5)
    assert np.all(slower > [1.6, 1.2])
    assert np.all(without.min_film_c - with_weight.min_film_c > 0.3)


def test_in_still_air_a_coat_dries_nearly_as_fast_as_at_a_tenth_of_a_metre_a_second():
    # the cold and heavy vapour runs down an upright face by itself
    found = dried(FAST, speed=np.array([0.0, 0.1])).flash_off_s(0.5)
    assert found[1] < found[0] < 1.1 * found[1]


def log_mean(layer, flux, at_film, coefficients):
    """Water by its own difference, the vapours' mean share of the layer taken out: what one might write first."""
    solvent = at_film[layer.solvents].sum(axis=0)
    mean = np.where(solvent > 1e-9, -np.log1p(-np.maximum(solvent, 1e-12)) / np.maximum(solvent, 1e-12), 1.0)
    return coefficients.water * mean, coefficients.water * mean * layer.far_water


@pytest.mark.parametrize(("mix", "damp"), [(FAST, 80.0), (HOT, 75.0), (LACQUER, 85.0)], ids=["fast", "hot", "lacquer"])
def test_a_log_mean_for_water_would_condense_two_to_four_times_too_much(monkeypatch, mix, damp):
    true = float(dried(mix, damp).most_condensed_kg_m2[0])
    monkeypatch.setattr(BoundaryLayer, "water_flux", log_mean)
    assert float(dried(mix, damp).most_condensed_kg_m2[0]) > 1.7 * true > 1e-4


# Condensation, and water kept within


def onset_pct(judged, damp):
    """Lowest relative humidity at which something is so. [%]"""
    assert judged.any()
    return float(damp[judged][0])


DAMP = np.arange(35.0, 101.0)
TEMPERATURES = [21.0, 25.0, 30.0, 35.0]


def swept(mix, room_c, solid=MAPLE, thickness_mm=42.0, **how):
    return dry(coat(mix, coat_c=room_c), air(DAMP, air_c=room_c), part(solid, room_c, thickness_mm=thickness_mm),
               seconds=900.0, **how)  # fmt: skip


@pytest.mark.parametrize(
    ("mix", "onsets"),
    # relative humidity at which the film on maple reaches the dew point, the reference solver's
    [(FAST, (75, 73, 71, 69)), (HOT, (62, 60, 57, 54)), (LACQUER, (81, 79, 77, 75)), (RETARDED, (87, 86, 85, 83)),
     (SLOW, (93, 93, 91, 90))],
    ids=["fast", "hot", "lacquer", "retarded", "slow"],
)  # fmt: skip
def test_condensation_begins_at_the_reference_solvers_humidity(mix, onsets):
    found = [onset_pct(swept(mix, room_c).min_margin_k < 0, DAMP) for room_c in TEMPERATURES]
    assert found == pytest.approx(onsets, abs=1.5)


def separates(drying):
    """Whether water leaves the film's solution while more than 5 % of the solvent is there."""
    solvent = drying.liquid_kg_m2[:, :-1].sum(axis=1)
    return np.any((drying.water_activity[1:] > 1) & (solvent[1:] > 0.05 * solvent[0]), axis=0)


@pytest.mark.parametrize(
    ("mix", "onsets"),
    # relative humidity at which water kept in the film separates, with activities by UNIFAC; the reference solver's
    [(FAST, (64, 63, 61, 60)), (HOT, (46, 46, 45, 45)), (LACQUER, (67, 66, 66, 65)), (RETARDED, (94, 93, 92, 91)),
     (SLOW, (98, 98, 95, 92))],
    ids=["fast", "hot", "lacquer", "retarded", "slow"],
)  # fmt: skip
def test_kept_water_separates_within_five_points_of_the_reference_solvers_humidity(mix, onsets):
    found = [onset_pct(separates(swept(mix, room_c, dissolve_water=True)), DAMP) for room_c in TEMPERATURES]
    assert found == pytest.approx(onsets, abs=5.0)


def at_75(mix):
    return dry(coat(mix), air(75.0), part(), seconds=900.0, dissolve_water=True)


def seconds_above(drying):
    return float(np.diff(drying.time_s)[drying.water_activity[1:, 0] > 1].sum())


def test_a_slow_solvent_that_takes_water_cures_separation_and_a_hydrocarbon_does_not():
    plain, xylene = at_75(FAST), at_75(with_more(FAST, xylene=0.1))
    glycol = at_75(with_more(FAST, **{"2-butoxyethanol": 0.1}))
    acetate = at_75(with_more(FAST, **{"pm acetate": 0.1}))
    assert bool(separates(plain)[0]) and bool(separates(xylene)[0])
    assert seconds_above(xylene) > 0.6 * seconds_above(plain) > 30
    # the reference solver: 0.96 at the most with a tenth of 2-butoxyethanol, 1.09 with a tenth of the acetate
    assert float(np.nanmax(glycol.water_activity)) == pytest.approx(0.96, abs=0.05)
    assert seconds_above(glycol) == 0.0
    assert float(np.nanmax(acetate.water_activity[1:])) == pytest.approx(1.09, abs=0.08)


def test_a_film_takes_up_a_gram_of_water_or_so_above_the_dew_point():
    # the reference solver: 0.7 to 1.4 g/m² between 60 and 80 %
    for mix in (FAST, LACQUER):
        drying = dry(coat(mix), air(70.0), part(), seconds=600.0, dissolve_water=True)
        assert 0.5e-3 < float(drying.water_kg_m2.max()) < 1.6e-3
        assert float(drying.most_condensed_kg_m2[0]) == 0.0


def test_a_waterborne_coat_never_condenses_water_on_itself():
    drying = dried({"water": 0.9, "2-butoxyethanol": 0.1}, 90.0)
    assert float(drying.most_condensed_kg_m2[0]) == 0.0
    assert np.all(np.isfinite(drying.water_activity[1:]))


# What the piece, the air and the room do


def test_the_piece_decides_how_cold_the_film_gets():
    # depression at 0.3 m/s, 25 °C, 50 %, the reference solver's: maple 5.1, alder 6.7, steel 5.3, acrylic 4.2,
    # a film on nothing 17.7 K
    found = {
        name: 25.0 - float(dried(FAST, 50.0, solid=substrate(name).solid, thickness_mm=mm).min_film_c[0])
        for name, mm in {"maple": 42.0, "alder": 42.0, "steel": 0.8, "acrylic sheet": 3.0}.items()
    }
    found["nothing"] = 25.0 - float(dried(FAST, 50.0, solid=None).min_film_c[0])
    expected = {"maple": 5.1, "alder": 6.7, "steel": 5.3, "acrylic sheet": 4.2, "nothing": 17.7}
    assert found == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize(
    ("changed", "shift_k"),
    # the reference solver's shifts of the coldest film: fast thinner on maple, 25 °C, 70 %
    [({"part_c": 23.0}, -1.4), ({"part_c": 20.0}, -3.4), ({"transfer_factor": 1.5}, -0.9),
     ({"transfer_factor": 1 / 1.5}, 0.8), ({"wet_film_um": 200.0}, -1.4), ({"wet_film_um": 50.0}, 1.2),
     ({"length_m": 0.1}, -0.8), ({"length_m": 1.0}, 0.4), ({"orientation": "horizontal"}, 0.5),
     ({"emissivity": 0.0}, -0.3), ({"coat_c": 20.0}, -0.15)],
    ids=str,
)  # fmt: skip
def test_the_coldest_film_answers_to_each_input_as_the_reference_solver_does(changed, shift_k):
    def apply(to):
        return dataclasses.replace(to, **{name: value for name, value in changed.items() if hasattr(to, name)})

    usual = dried(FAST, 70.0)
    found = dry(apply(coat(FAST)), apply(air(70.0)), apply(part()), seconds=600.0)
    assert float(found.min_film_c[0] - usual.min_film_c[0]) == pytest.approx(shift_k, abs=0.2)


LIQUIDS = ["acetone", "methyl ethyl ketone", "toluene", "isopropanol", "n-butyl acetate", "2-butoxyethanol", "ethanol"]
WORLD = {
    "shares": st.lists(st.floats(0.0, 1.0), min_size=7, max_size=7).filter(lambda shares: sum(shares) > 0.1),
    "damp": st.floats(0.0, 100.0),
    "speed": st.floats(0.0, 3.0),
    "air_c": st.floats(5.0, 40.0),
    "colder": st.floats(-5.0, 5.0),
    "wet_um": st.floats(20.0, 300.0),
    "solids": st.floats(0.0, 0.7),
    "name": st.sampled_from(["maple", "alder", "steel", "acrylic sheet", None]),
}


@unhurried
@given(**WORLD)
def test_films_stay_between_the_coldest_wet_bulb_and_the_warmest_start(
    shares, damp, speed, air_c, colder, wet_um, solids, name
):
    liquids = [find(each).volatile for each in LIQUIDS]
    wet = WetCoat(volatiles=liquids, mass_fractions=np.array(shares) / sum(shares), wet_film_um=wet_um,
                  solids_mass_fraction=solids, coat_c=air_c)  # fmt: skip
    blown = air(damp, speed, air_c)
    under = part(None if name is None else substrate(name).solid, air_c + colder, thickness_mm=3.0)
    drying = dry(wet, blown, under, seconds=900.0)
    acetone = steady_film_c(liquids[0], air(0.0, speed, air_c), Part(solid=None, emissivity=0.0))
    coldest = min(air_c, air_c + colder, float(acetone[0]))
    assert np.all(drying.film_c <= max(air_c, air_c + colder) + 0.1)
    assert np.all(drying.film_c >= coldest - 0.3)
    assert np.all(np.isfinite(drying.film_c))
    assert np.all(drying.liquid_kg_m2 >= 0)
    assert np.all(np.diff(drying.liquid_kg_m2, axis=0) <= 1e-15)
    assert np.all(drying.condensed_kg_m2 >= 0)
    assert float(drying.mass_closure[0]) < 1e-6
    # what a step owes is paid in the next: a run that ends as its film runs dry is some ten-thousandths short
    assert float(drying.energy_closure[0]) < 2e-3


@unhurried
@given(st.floats(15.0, 32.0), st.floats(0.05, 1.0))
def test_damper_air_puts_more_water_on_the_film_and_never_cools_it(air_c, speed):
    drying = dry(coat(FAST, coat_c=air_c), air(np.array([40.0, 60.0, 75.0, 85.0, 95.0]), speed, air_c),
                 part(part_c=air_c), seconds=300.0)  # fmt: skip
    assert np.all(np.diff(drying.most_condensed_kg_m2) >= 0)
    assert np.all(np.diff(drying.min_margin_k) < 0)
    assert np.all(np.diff(drying.seconds_below_dew_point) >= 0)
    # hundredths of a kelvin: damp air is lighter and stirs less than dry air does
    assert np.all(np.diff(drying.min_film_c) > -0.05)


@unhurried
@given(st.floats(15.0, 32.0), st.floats(20.0, 80.0))
def test_more_air_and_thinner_coats_flash_off_sooner(air_c, damp):
    faster = dry(coat(FAST, coat_c=air_c), air(damp, np.array([0.05, 0.2, 0.5, 1.5]), air_c), part(part_c=air_c),
                 seconds=1_200.0)  # fmt: skip
    thinner = dry(coat(FAST, coat_c=air_c, wet_film_um=np.array([200.0, 100.0, 50.0])), air(damp, 0.3, air_c),
                  part(part_c=air_c), seconds=1_200.0)  # fmt: skip
    for drying in (faster, thinner):
        assert np.all(np.diff(drying.flash_off_s(0.5)) < 0)
        assert np.all(np.diff(drying.flash_off_s(0.9)) < 0)
    assert np.all(np.diff(faster.min_film_c) < 0)
    assert np.all(np.diff(thinner.min_film_c) > 0)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_flash_off_times_read_back_the_share_that_is_gone(share):
    drying = dried(seconds=900.0)
    left = np.interp(drying.flash_off_s(share)[0], drying.time_s, drying.liquid_kg_m2.sum(axis=1)[:, 0])
    assert 1 - left / drying.liquid_kg_m2[0].sum() == pytest.approx(share, abs=1e-6)


def test_a_share_that_never_leaves_has_no_time():
    assert np.isnan(dried(SLOW, seconds=60.0).flash_off_s(0.9)[0])


# Bad input


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"wet_film_um": 0.0}, r"wet_film_um 0; expected 1 to 2000 µm"),
        ({"wet_film_um": math.nan}, r"wet_film_um nan; expected"),
        ({"solids_mass_fraction": 1.0}, r"solids_mass_fraction 1; expected 0 to 0.95"),
        ({"coat_c": 90.0}, r"coat_c 90; expected -20 to 60 °C"),
        ({"activity_factor": 0.0}, r"activity_factor 0; expected"),
        ({"mass_fractions": [0.5, 0.5]}, r"mass_fractions has .* rows; expected one for each volatile"),
        ({"mass_fractions": [0.5, -0.1, 0.3, 0.3]}, r"mass_fractions; expected none below 0"),
        ({"mass_fractions": [0.0, 0.0, 0.0, 0.0]}, r"mass_fractions; expected none below 0 and a sum above 0"),
        ({"air_c": np.array([25.0, 70.0])}, r"air_c 70; expected -20 to 50 °C"),
        ({"relative_humidity_pct": 104.0}, r"relative_humidity_pct 104; expected 0 to 100 %"),
        ({"air_speed_m_s": -0.1}, r"air_speed_m_s -0.1; expected 0 to 20 m/s"),
        ({"pressure": 1013.25}, r"pressure 1013.25; expected 50000 to 110000 Pa"),
        ({"transfer_factor": 0.0}, r"transfer_factor 0; expected"),
        ({"part_c": -40.0}, r"part_c -40; expected -20 to 60 °C"),
        ({"thickness_mm": 0.0}, r"thickness_mm 0; expected 0.05 to 500 mm"),
        ({"length_m": 0.0}, r"length_m 0; expected 0.005 to 5 m"),
        ({"emissivity": 1.2}, r"emissivity 1.2; expected 0 to 1"),
        ({"orientation": "upside down"}, r"orientation 'upside down'; expected vertical or horizontal"),
    ],
    ids=str,
)
def test_what_cannot_be_is_refused_by_name(change, message):
    inputs = [
        dataclasses.replace(each, **{name: value for name, value in change.items() if hasattr(each, name)})
        for each in (coat(FAST), air(), part())
    ]
    with pytest.raises(ValueError, match=message):
        dry(*inputs)


def test_activities_of_a_liquid_without_groups_are_refused():
    with pytest.raises(ValueError, match="liquid 0 has no groups"):
        dry(coat({"p-chlorobenzotrifluoride": 1.0}), air(), part(), dissolve_water=True)


def test_humidity_and_film_agree_on_what_saturated_means():
    # 100 % at 25 °C: Buck's form of the humidity module and the liquid's own curve differ by less than a thousandth
    assert float(vapour_pressure(25.0, 100.0)) == pytest.approx(float(liquid_pressure(WATER, 25.0)), rel=1e-3)
    assert float(humidity_ratio(vapour_pressure(25.0, 100.0))) == pytest.approx(0.0201, abs=2e-4)
