"""The priors of the drying drivers: complete, sourced, and drawn as they say."""

import tomllib
from importlib import resources

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics.drying_drivers import DRIVERS
from collector.records.model import CHEMISTRIES, STAGES
from collector.reference import drivers
from collector.reference.drivers import Distribution, Governing, Share

TABLE = tomllib.loads(resources.files("collector.reference").joinpath("drivers.toml").read_text(encoding="utf-8"))
ROWS = [*TABLE["distribution"], *TABLE["governs"], TABLE["air_speed_m_s"]]


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_of_every_chemistry_has_what_governs_it(chemistry, stage):
    found = drivers.governing(chemistry, stage)
    assert sum(part.share for part in found.parts) == pytest.approx(1.0)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: " ".join(str(row.get(k, "")) for k in ("driver", "quantity")))
def test_every_row_says_where_it_comes_from(row):
    assert len(row["source"]) > 10
    assert row["status"] in drivers.STATUSES


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_driver_has_a_factor_and_an_answer_to_thickness(driver):
    assert drivers.distribution(driver, "factor") is not None
    assert drivers.distribution(driver, "film_exponent") is not None


def test_every_driver_but_water_has_an_activation_energy():
    missing = [d for d in DRIVERS if drivers.distribution(d, "activation_energy_kj_mol") is None]
    assert missing == ["water_evaporation"]  # its temperature comes with the vapour pressure


def test_no_row_names_a_driver_quantity_or_chemistry_that_does_not_exist():
    assert {row["driver"] for row in TABLE["distribution"]} == set(DRIVERS)
    assert {row["quantity"] for row in TABLE["distribution"]} == set(drivers.QUANTITIES)
    assert {row.get("chemistry", "other") for row in TABLE["distribution"]} <= set(CHEMISTRIES)
    assert {row["chemistry"] for row in TABLE["governs"]} == set(CHEMISTRIES)


def test_the_general_prior_of_a_reaction_covers_the_published_range():
    # 90 % within 30 to 85 kJ/mol, any chemistry
    found = drivers.distribution("reaction", "activation_energy_kj_mol")
    assert found.at([-1.6449, 1.6449]) == pytest.approx([30, 85], rel=0.02)


@pytest.mark.parametrize(
    ("driver", "chemistry", "low", "high"),
    # The ranges the sources name: 60-120 for solvent in a stiff film, 40-80 for oil with drier, 50-90 for acid cure
    [("diffusion", "", 60, 120), ("oxidation", "", 40, 80), ("reaction", "conversion_varnish", 50, 90)],
)
def test_priors_cover_their_sources_ranges(driver, chemistry, low, high):
    inner, outer = drivers.distribution(driver, "activation_energy_kj_mol", chemistry).at([-1.6449, 1.6449])
    assert inner <= low
    assert outer >= high


def test_a_chemistry_of_its_own_goes_before_the_general_row():
    general = drivers.distribution("reaction", "activation_energy_kj_mol")
    assert drivers.distribution("reaction", "activation_energy_kj_mol", "two_component_urethane") != general
    assert drivers.distribution("reaction", "activation_energy_kj_mol", "waterborne") == general


def test_draws_have_the_median_and_the_spread_they_say():
    found = drivers.distribution("diffusion", "activation_energy_kj_mol")
    drawn = found.draw(np.random.default_rng(11), 40_000)
    assert np.median(drawn) == pytest.approx(found.median, rel=0.01)
    assert np.log(drawn).std() == pytest.approx(np.log(found.spread), rel=0.02)


@given(z=st.floats(-30, 30), quantity=st.sampled_from(drivers.QUANTITIES), driver=st.sampled_from(DRIVERS))
@settings(deadline=None)
def test_no_draw_leaves_its_bounds(z, quantity, driver):
    found = drivers.distribution(driver, quantity)
    assert found is None or found.low <= found.at(z) <= found.high


def test_the_same_generator_gives_the_same_draws():
    one = drivers.draw("oxidation", np.random.default_rng(5), 8)
    two = drivers.draw("oxidation", np.random.default_rng(5), 8)
    assert one.humidity_slope.tolist() == two.humidity_slope.tolist()
    assert one.activation_energy_kj_mol.shape == (8,)


def test_medians_come_as_plain_numbers_and_what_a_driver_does_not_answer_to_is_left_at_nothing():
    found = drivers.parameters("diffusion")
    assert (found.factor, found.activation_energy_kj_mol, found.film_exponent) == (1.0, 85.0, 2.0)
    assert (found.air_exponent, found.humidity_slope, found.self_cooling) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: drivers.distribution("wishing", "factor"), "driver 'wishing'; expected one of"),
        (lambda: drivers.distribution("diffusion", "luck"), "quantity 'luck'; expected one of"),
        (lambda: drivers.governing("fresco", "dry_hard"), "of 'fresco'; expected a stage of one of"),
        (lambda: drivers.parameters("diffusion", np.zeros((2, 5))), "expected 6 rows"),
        (lambda: Governing(parts=(Share(driver="diffusion", share=0.5),), source="x", status="trade"), "add up to 1"),
        (
            lambda: Distribution(shape="flat", median=1, spread=1, low=0, high=2, source="x", status="trade"),
            "shape 'flat'; expected log_normal or normal",
        ),
        (
            lambda: Distribution(shape="normal", median=1, spread=1, low=0, high=2, source="x", status="heard"),
            "status 'heard'; expected one of published",
        ),
        (
            lambda: Distribution(shape="normal", median=3, spread=1, low=0, high=2, source="x", status="trade"),
            "median 3; expected low 0 to high 2",
        ),
        (
            lambda: Distribution(shape="normal", median=1, spread=1, low=0, high=2, source=" ", status="trade"),
            "source is empty",
        ),
        (
            lambda: Distribution(shape="log_normal", median=1, spread=0.5, low=0, high=2, source="x", status="trade"),
            "expected above 0 and 1 or more",
        ),
    ],
)
def test_a_mistake_is_named_with_what_would_be_right(call, told):
    with pytest.raises(ValueError, match=told):
        call()
