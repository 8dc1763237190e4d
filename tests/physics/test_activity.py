"""Activity coefficients held against a published implementation of the same method, and against how mixtures are."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermo.unifac import UFIP, UFSG, UNIFAC

from collector.physics import activity
from collector.physics.activity import Unifac
from collector.reference.solvents import blend, find, solvents

NUMBER = {subgroup.group: number for number, subgroup in UFSG.items()}
GROUPED = [solvent for solvent in solvents() if activity.known(solvent.groups)]
WATER = {"H2O": 1}

unhurried = settings(deadline=None, max_examples=25)


def thermos(groups, mole_fractions, temperature_k):
    """The same, computed with thermo 0.6.1."""
    numbered = [{NUMBER[name]: count for name, count in liquid.items()} for liquid in groups]
    there = UNIFAC.from_subgroups(
        T=temperature_k, xs=list(mole_fractions), chemgroups=numbered, interaction_data=UFIP, subgroups=UFSG
    )
    return np.array(there.gammas())


def in_water(share, liquid, temperature_k=298.15):
    """Coefficient of water at a mole fraction of it in a solvent."""
    found = Unifac([find(liquid).groups, WATER]).coefficients(np.array([[1 - share], [share]]), temperature_k)
    return float(found[1, 0])


BLENDS = [
    {"acetone": 0.35, "toluene": 0.30, "isopropanol": 0.15, "n-butyl acetate": 0.20},
    {"acetone": 0.60, "methyl ethyl ketone": 0.20, "toluene": 0.20},
    {"acetone": 0.10, "toluene": 0.30, "isopropanol": 0.10, "n-butyl acetate": 0.30, "pm acetate": 0.10,
     "2-butoxyethanol": 0.10},
    {"methanol": 0.30, "ethanol": 0.30, "water": 0.40},
    {"n-heptane": 0.40, "cyclohexanone": 0.30, "isobutyl isobutyrate": 0.30},
]  # fmt: skip


@pytest.mark.parametrize("temperature_k", [268.15, 283.15, 298.15, 313.15])
@pytest.mark.parametrize("mix", BLENDS, ids=lambda mix: "-".join(mix))
def test_blends_have_the_coefficients_of_thermo(mix, temperature_k):
    made = blend(mix)
    groups = [solvent.groups for solvent in made.solvents]
    found = Unifac(groups).coefficients(made.mole_fractions[:, None], temperature_k)[:, 0]
    assert found == pytest.approx(thermos(groups, made.mole_fractions, temperature_k), rel=1e-6)


def test_every_liquid_of_the_table_at_once_has_the_coefficients_of_thermo():
    # All groups and all pairs of them: no parameter of the table stays unread
    groups = [solvent.groups for solvent in GROUPED]
    assert len(groups) > 25
    for seed in range(3):
        shares = np.random.default_rng(seed).dirichlet(np.ones(len(groups)))
        found = Unifac(groups).coefficients(shares[:, None], 295.0)[:, 0]
        assert found == pytest.approx(thermos(groups, shares, 295.0), rel=1e-6)


@pytest.mark.parametrize(
    ("liquid", "expected"),
    # At infinite dilution and 25 °C; reference values of the project, from an implementation of its own of the method
    [("toluene", 646.0), ("n-butyl acetate", 13.5), ("acetone", 7.4), ("isopropanol", 3.3), ("2-butoxyethanol", 0.6)],
)
def test_a_trace_of_water_is_driven_out_of_hydrocarbons_and_held_by_glycol_ethers(liquid, expected):
    assert in_water(1e-9, liquid) == pytest.approx(expected, rel=0.06)
    # at 20 °C thermo is the judge
    theirs = thermos([find(liquid).groups, WATER], [1 - 1e-9, 1e-9], 293.15)[1]
    assert in_water(1e-9, liquid, 293.15) == pytest.approx(theirs, rel=1e-6)


@pytest.mark.parametrize("solvent", GROUPED, ids=lambda solvent: solvent.name)
def test_a_pure_liquid_has_a_coefficient_of_one(solvent):
    found = Unifac([solvent.groups, WATER]).coefficients(np.array([[1.0], [0.0]]), 298.15)
    assert found[0, 0] == pytest.approx(1.0, abs=1e-12)


@unhurried
@given(st.lists(st.floats(0.02, 1.0), min_size=4, max_size=4), st.floats(270, 315))
def test_coefficients_of_a_blend_change_together_as_gibbs_and_duhem_demand(shares, temperature_k):
    # sum x_i d(ln gamma_i) = 0 along any change of composition at one temperature
    x = np.array(shares) / sum(shares)
    away = np.array([1.0, -0.4, -0.5, -0.1]) * 1e-5
    model = Unifac([solvent.groups for solvent in blend(BLENDS[0]).solvents])
    up, down = (np.log(model.coefficients((x + sign * away)[:, None], temperature_k)[:, 0]) for sign in (1, -1))
    assert float(x @ (up - down)) == pytest.approx(0.0, abs=1e-8)


def test_draws_are_reckoned_each_for_itself():
    model = Unifac([solvent.groups for solvent in blend(BLENDS[0]).solvents])
    shares = np.random.default_rng(4).dirichlet(np.ones(4), 7).T
    together = model.coefficients(shares, 298.15)
    alone = np.hstack([model.coefficients(shares[:, [i]], 298.15) for i in range(7)])
    assert together == pytest.approx(alone, rel=1e-12)


def test_the_order_of_the_liquids_is_of_no_account():
    groups = [solvent.groups for solvent in blend(BLENDS[0]).solvents]
    shares = np.array([[0.1], [0.2], [0.3], [0.4]])
    forward = Unifac(groups).coefficients(shares, 298.15)
    backward = Unifac(groups[::-1]).coefficients(shares[::-1], 298.15)
    assert forward == pytest.approx(backward[::-1], rel=1e-12)


def test_an_unknown_group_is_named_with_those_there_are():
    with pytest.raises(ValueError, match=r"group 'CCl2'; expected one of CH3, CH2"):
        Unifac([{"CH3": 1, "CCl2": 1}])


def test_a_liquid_without_groups_is_refused():
    with pytest.raises(ValueError, match="liquid 1 has no groups"):
        Unifac([WATER, {}])
    assert not activity.known({})
    assert not activity.known({"CCl2": 1})
    assert activity.known({"CH3": 2})
