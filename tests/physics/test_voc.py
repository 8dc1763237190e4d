"""VOC held against published worked examples, and against what must hold whatever is in the pot."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import voc
from collector.physics.voc import Emission, Part, as_applied, emission, from_blend, from_masses, solids_basis, total

unhurried = settings(deadline=None)
LB_GAL_OF_WATER = 8.33


def part(volume, voc_g_l, **more):
    return Part(name=more.pop("name", "coating"), volume=volume, voc_g_l=voc_g_l, **more)


# Published examples


def test_a_waterborne_coating_by_weight_gives_both_published_figures():
    # "Ask the Expert", paintcenter.org, March 2004: 53.0 % water, 20.8 % solids, 8.52 lb/gal; 2.23 and 4.87 lb/gal
    coating = from_masses(
        name="coating",
        volume=1.0,
        density_g_l=voc.g_l(8.52),
        solids_mass_fraction=0.208,
        water_mass_fraction=0.530,
        water_density_g_l=voc.g_l(LB_GAL_OF_WATER),
    )
    mixed = as_applied([coating])
    assert voc.lb_gal(mixed.actual_g_l) == pytest.approx(2.23, abs=0.005)
    assert voc.lb_gal(mixed.regulatory_g_l) == pytest.approx(4.87, abs=0.006)  # 4.875 before they cut it


def test_thinner_raises_the_voc_as_applied_as_published():
    # Metal Finishing Guidebook 2013, p. 815: 15.9 lb in 5.0 gal and thinner of 6.4 lb/gal; 3.47 lb/gal at half a gallon
    coating = part(5.0, voc.g_l(15.9 / 5.0))
    mixed = as_applied([coating, part(0.5, voc.g_l(6.4), name="thinner")])
    assert voc.lb_gal(mixed.actual_g_l) == pytest.approx(3.47, abs=0.005)


def test_thinned_by_as_much_as_published_the_limit_is_just_met():
    # Same place: 0.55 gal brings the coating to 3.5 lb/gal; 0.552 before they rounded
    mixed = as_applied([part(5.0, voc.g_l(15.9 / 5.0)), part(0.552, voc.g_l(6.4), name="thinner")])
    assert voc.lb_gal(mixed.actual_g_l) == pytest.approx(3.5, abs=0.0005)


def test_three_to_one_with_water_is_the_mean_of_the_other_two():
    # Metal Finishing Guidebook 2013, p. 817: 3 parts of 3.1 and 1 of 1.8 lb/gal, water ignored. The book prints 2.75
    # for 11.1/4, which is 2.775.
    base = part(3.0, voc.g_l(3.1))
    catalyst = part(1.0, voc.g_l(1.8), name="catalyst")
    mixed = as_applied([base, catalyst, part(2.0, 0.0, name="water", water_fraction=1.0)])
    assert voc.lb_gal(mixed.regulatory_g_l) == pytest.approx(2.775, abs=1e-9)


def test_a_label_with_actual_one_and_regulatory_three_and_a_half_is_mostly_exempt_solvent():
    # A ready-to-spray label (120 and 420 g/l): actual = regulatory x (1 - exempt share), so the share is 5/7.
    mixed = as_applied([part(1.0, 120.0, exempt_fraction=5 / 7)])
    assert mixed.actual_g_l == pytest.approx(120.0)
    assert mixed.regulatory_g_l == pytest.approx(420.0)


def test_solids_basis_is_the_texas_formula():
    # 30 TAC 115.423(1), S = C/(1 - C/D), D = 7.36 lb/gal: 3.5 lb/gal of coating is 6.67 of solids (computed by hand)
    solids = solids_basis(voc.g_l(3.5), voc.TEXAS_SOLVENT_DENSITY_G_L)
    assert voc.lb_gal(solids) == pytest.approx(6.67, abs=0.01)


def test_a_pound_a_gallon_is_119_8_grams_a_litre():
    # Metal Finishing Guidebook 2013
    assert voc.g_l(1.0) == pytest.approx(119.8, abs=0.05)
    assert voc.lb_gal(voc.g_l(3.5)) == pytest.approx(3.5, rel=1e-15)


# What must hold


contents = st.floats(0, 900)
volumes = st.floats(0.01, 100)
shares = st.floats(0, 0.45)


@unhurried
@given(st.lists(st.tuples(volumes, contents, shares, shares), min_size=1, max_size=4))
def test_regulatory_is_never_below_actual_and_equal_without_water_and_exempt(pots):
    wet = as_applied([part(v, c, water_fraction=w, exempt_fraction=e) for v, c, w, e in pots])
    dry = as_applied([part(v, c) for v, c, _w, _e in pots])
    assert wet.regulatory_g_l >= wet.actual_g_l * (1 - 1e-12)
    assert dry.regulatory_g_l == pytest.approx(dry.actual_g_l, rel=1e-12)
    assert wet.actual_g_l == pytest.approx(dry.actual_g_l, rel=1e-12)


@unhurried
@given(volumes, contents, shares, st.floats(0.1, 10))
def test_twice_the_pot_is_the_same_coating(volume, content, share, factor):
    thinner = part(0.3 * volume, 860.0, name="thinner")
    once = as_applied([part(volume, content, exempt_fraction=share), thinner])
    more = as_applied(
        [part(volume * factor, content, exempt_fraction=share), part(0.3 * volume * factor, 860.0, name="thinner")]
    )
    assert more.regulatory_g_l == pytest.approx(once.regulatory_g_l, rel=1e-9)


def test_a_blend_and_its_weights_tell_the_same():
    # 20 % solids by volume at 1200 g/l, volatile part 40 % acetone (exempt), 10 % water, 50 % toluene by mass
    masses, densities = np.array([0.4, 0.1, 0.5]), np.array([790.0, 998.2, 867.0])
    volatile = 0.8 / (masses / densities).sum()
    blend = from_blend(
        name="c",
        volume=1.0,
        solids_volume_fraction=0.2,
        mass_fractions=masses,
        densities_g_l=densities,
        water=[False, True, False],
        exempt=[True, False, False],
    )
    weighed = from_masses(
        name="c",
        volume=1.0,
        density_g_l=240.0 + volatile,
        solids_mass_fraction=240.0 / (240.0 + volatile),
        water_mass_fraction=0.1 * volatile / (240.0 + volatile),
        exempt_mass_fraction=0.4 * volatile / (240.0 + volatile),
    )
    assert blend.voc_g_l == pytest.approx(weighed.voc_g_l, rel=1e-12)
    assert blend.water_fraction == pytest.approx(weighed.water_fraction, rel=1e-12)
    assert blend.exempt_fraction == pytest.approx(weighed.exempt_fraction, rel=1e-12)


def test_a_pot_of_water_has_no_regulatory_figure():
    mixed = as_applied([part(1.0, 0.0, water_fraction=1.0)])
    assert mixed.actual_g_l == 0.0
    assert np.isnan(mixed.regulatory_g_l)


def test_arrays_go_through_as_numbers_do():
    thinner = np.array([0.0, 0.5, 1.0])
    many = as_applied([part(5.0, 381.0, water_fraction=0.2), part(thinner, 767.0, name="thinner")])
    one = as_applied([part(5.0, 381.0, water_fraction=0.2), part(0.5, 767.0, name="thinner")])
    assert many.regulatory_g_l[1] == pytest.approx(one.regulatory_g_l, rel=1e-14)
    assert many.actual_g_l.shape == (3,)


# Uncertainty


def test_uncertainties_agree_with_monte_carlo():
    coating = part(
        1.0, 480.0, water_fraction=0.25, voc_uncertainty_g_l=8.0, excluded_uncertainty=0.01, volume_uncertainty=0.04
    )
    thinner = part(0.4, 850.0, name="thinner", voc_uncertainty_g_l=15.0, volume_uncertainty=0.02)
    told = as_applied([coating, thinner])
    random, draws = np.random.default_rng(7), 200_000
    drawn = as_applied(
        [
            part(
                random.normal(1.0, 0.04, draws),
                random.normal(480.0, 8.0, draws),
                water_fraction=random.normal(0.25, 0.01, draws),
            ),
            part(random.normal(0.4, 0.02, draws), random.normal(850.0, 15.0, draws), name="thinner"),
        ]
    )
    # First order against draws: the inputs spread by 1 to 5 % of their values, so terms of second order are of the
    # order of 0.2 %, and 200,000 draws know a standard deviation to 0.2 %.
    assert told.actual_uncertainty_g_l == pytest.approx(drawn.actual_g_l.std(), rel=0.01)
    assert told.regulatory_uncertainty_g_l == pytest.approx(drawn.regulatory_g_l.std(), rel=0.01)


def test_emission_is_actual_voc_times_volume_whatever_is_exempt():
    one = emission([part(1.0, 120.0, exempt_fraction=5 / 7)], 2.5, 0.0, volume_source="cup")
    assert one.kg == pytest.approx(0.300)


def test_errors_of_one_source_add_up_and_those_of_two_do_not():
    lacquer = [part(1.0, 700.0, voc_uncertainty_g_l=70.0, name="lacquer")]
    varnish = [part(1.0, 700.0, voc_uncertainty_g_l=70.0, name="varnish")]
    same = total(emission(lacquer, 1.0, 0.0, volume_source="cup") for _ in range(4))
    apart = total(emission(pot, 2.0, 0.0, volume_source="cup") for pot in (lacquer, varnish))
    assert same.kg == pytest.approx(2.8)
    assert apart.kg == pytest.approx(2.8)
    assert same.uncertainty_kg == pytest.approx(0.28)  # 4 x 0.07
    assert apart.uncertainty_kg == pytest.approx(0.14 * 2**0.5)


def test_emission_uncertainty_agrees_with_the_two_causes_by_hand():
    one = emission([part(1.0, 600.0, voc_uncertainty_g_l=30.0)], 0.5, 0.02, volume_source="cup")
    assert one.uncertainty_kg == pytest.approx(((0.5 * 0.030) ** 2 + (0.02 * 0.600) ** 2) ** 0.5)


def test_a_proportion_poured_wrong_moves_the_emission():
    parts = [part(1.0, 400.0), part(1.0, 800.0, name="thinner", volume_uncertainty=0.1)]
    # d(actual)/d(volume) = (800 - 600)/2 = 100 g/l per unit: 0.1 units are 10 g/l, and 2 l of that are 0.020 kg
    assert emission(parts, 2.0, 0.0, volume_source="cup").uncertainty_kg == pytest.approx(0.020)


def test_twice_as_much_is_twice_the_mass_and_twice_as_uncertain():
    parts = [part(1.0, 600.0, voc_uncertainty_g_l=30.0)]
    once, twice = (emission(parts, litres, 0.02 * litres, volume_source="cup") for litres in (0.3, 0.6))
    assert once.times(2.0).kg == pytest.approx(twice.kg)
    assert once.times(2.0).by_source == pytest.approx(dict(twice.by_source))


def test_nothing_added_is_nothing():
    assert total([]) == Emission(kg=0.0)


# Refusals


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda: part(-1.0, 1.0), "volume of coating -1; expected 0 or more"),
        (lambda: part(1.0, 2500.0), "voc_g_l of coating 2500 g/l; expected 0 to 2000 g/l"),
        (lambda: part(1.0, float("nan")), "voc_g_l of coating nan g/l"),
        (lambda: part(1.0, 1.0, water_fraction=0.7, exempt_fraction=0.7), "share of coating 1.4; expected 0 to 1"),
        (lambda: as_applied([]), "no parts; expected at least one"),
        (lambda: as_applied([part(0.0, 1.0)]), "volumes of the parts add up to 0"),
        (lambda: solids_basis(900.0, 881.9), "voc_g_l 900 g/l; expected below the solvent's 881.9 g/l"),
        (
            lambda: from_masses(
                name="c", volume=1.0, density_g_l=1000.0, solids_mass_fraction=0.6, water_mass_fraction=0.6
            ),
            "mass fractions together 1.2; expected 0 to 1",
        ),
        (lambda: emission([part(1.0, 1.0)], -0.1, 0.0, volume_source="cup"), "sprayed_l -0.1 l; expected 0 or more l"),
    ],
)
def test_what_cannot_be_is_refused_with_the_value_and_what_would_be_right(wrong, words):
    with pytest.raises(ValueError) as refused:
        wrong()
    assert words in str(refused.value)
