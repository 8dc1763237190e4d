"""The table of solvents: complete, honest about what it does not know, and found by any name in use."""

import math
import tomllib
from importlib import resources

import numpy as np
import pytest

from collector.errors import NotFound, RecordError
from collector.physics import volatiles
from collector.reference import solvents as table
from collector.reference.cells import STATUSES, Cell
from collector.reference.solvents import FIELDS, blend, find, parse_blend, solvents

CELLS = [(s.name, field, cell) for s in solvents() for field, cell in s.cells.items()]
NUMBERS = {"relative_evaporation_rate", "pid_response_factor"}


def documents(name: str) -> dict:
    return tomllib.loads(resources.files("collector.reference").joinpath(name).read_text(encoding="utf-8"))


# What every cell owes


def test_every_solvent_has_every_column_and_no_other():
    assert len(solvents()) >= 30
    for row in documents("solvents.toml")["solvent"]:
        assert set(row) == {"name", "cas", "aliases", "notes", *FIELDS}


def test_every_figure_has_a_unit_a_source_and_a_status():
    for name, field, cell in CELLS:
        assert cell.unit and len(cell.source) > 2 and cell.status in STATUSES, (name, field)


def test_one_column_has_one_unit():
    for field in FIELDS:
        assert len({solvent.cells[field].unit for solvent in solvents()}) == 1, field


def test_the_unknown_is_empty_and_never_zero():
    for name, field, cell in CELLS:
        assert (cell.value is None) == (cell.status == "unknown"), (name, field)
        assert cell.number != 0 or field == "antoine_c", (name, field)  # a curve may well have no third coefficient


def test_a_spread_holds_its_value():
    spread = [(name, field, cell) for name, field, cell in CELLS if cell.low is not None or cell.high is not None]
    assert spread
    for name, field, cell in spread:
        assert field in NUMBERS, (name, field)
        assert cell.low <= cell.number <= cell.high and cell.low < cell.high, (name, field)


def test_a_figure_from_memory_is_never_called_published():
    # Where a source ends in "from memory" alone, nothing in it was read.
    for name, field, cell in CELLS:
        if cell.source.endswith("from memory") and ";" not in cell.source and "read in" not in cell.source:
            assert cell.status in {"from memory", "unknown"}, (name, field)


@pytest.mark.parametrize("status", ["published", "computed", "from memory"])
def test_a_cell_with_a_status_needs_a_value(status):
    with pytest.raises(ValueError, match="unknown means no value"):
        Cell(unit="ppm", source="somewhere", status=status)


def test_a_cell_that_is_unknown_may_not_have_a_value():
    with pytest.raises(ValueError, match="unknown means no value"):
        Cell(unit="ppm", source="nowhere", status="unknown", value=0.0)


def test_a_status_of_another_name_is_refused():
    with pytest.raises(ValueError, match="expected one of published"):
        Cell(unit="ppm", source="somewhere", status="guessed", value=1.0)


# Finding


def test_no_two_solvents_share_a_name():
    names = [name.lower() for s in solvents() for name in (s.name, s.cas, *s.aliases)]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("asked", "name"),
    [
        ("MEK", "methyl ethyl ketone"),
        ("butanone", "methyl ethyl ketone"),
        ("mibk", "methyl isobutyl ketone"),
        ("mak", "methyl n-amyl ketone"),
        ("2-heptanone", "methyl n-amyl ketone"),
        ("propyl acetate", "n-propyl acetate"),
        ("butyl acetate", "n-butyl acetate"),
        ("PM acetate", "propylene glycol methyl ether acetate"),
        ("pma", "propylene glycol methyl ether acetate"),
        ("ibib", "isobutyl isobutyrate"),
        ("eep", "ethyl 3-ethoxypropionate"),
        ("isopropyl  alcohol", "isopropanol"),
        ("2-propanol", "isopropanol"),
        ("butyl cellosolve", "2-butoxyethanol"),
        ("egbe", "2-butoxyethanol"),
        ("m-xylene", "xylene"),
        ("mixed xylenes", "xylene"),
        ("108-38-3", "xylene"),
        ("pcbtf", "p-chlorobenzotrifluoride"),
        ("dmc", "dimethyl carbonate"),
        ("vm&p naphtha", "VM&P naphtha"),
        ("71-43-2", "benzene"),
        (" Water ", "water"),
    ],
)
def test_a_solvent_is_found_by_every_name_in_use(asked, name):
    assert find(asked).name == name


def test_a_name_that_is_not_there_is_answered_with_the_nearest():
    with pytest.raises(NotFound, match="solvent 'tolulene' is not in the table; did you mean toluene"):
        find("tolulene")


@pytest.mark.parametrize("material", documents("materials.toml")["material"], ids=lambda material: material["name"])
def test_every_example_material_has_solvents_that_can_be_reckoned_with(material):
    if material.get("solvents"):
        assert len(blend(material["solvents"]).volatiles) == len(material["solvents"])


# What physics gets


@pytest.mark.parametrize("solvent", solvents(), ids=lambda solvent: solvent.name)
def test_every_solvent_is_complete_enough_for_physics(solvent):
    volatile = solvent.volatile
    assert volatile.name == solvent.name
    assert 5e-6 < float(volatiles.diffusivity(volatile, 20)) < 3e-5
    assert 10 < float(volatiles.vapour_pressure(volatile, 20)) < 30_000


def test_water_is_the_water_of_physics():
    ours, theirs = find("water").volatile, volatiles.WATER
    assert (ours.antoine, ours.density, ours.latent_heat) == (theirs.antoine, theirs.density, theirs.latent_heat)
    assert (ours.liquid_heat, ours.vapour_heat) == (theirs.liquid_heat, theirs.vapour_heat)
    assert (ours.diffusion_volume, ours.groups) == (theirs.diffusion_volume, theirs.groups)
    assert ours.molar_mass == pytest.approx(theirs.molar_mass, rel=5e-5)


def test_a_solvent_whose_figure_is_unknown_says_which():
    toluene = find("toluene")
    cells = toluene.cells | {"latent_heat": Cell(unit="kJ/mol", source="nobody measured it", status="unknown")}
    gap = table.Solvent(name="goo", cas="0-00-0", aliases=(), notes="", cells=cells)
    with pytest.raises(RecordError, match="goo: latent_heat is not known \\(nobody measured it\\)"):
        _ = gap.volatile


def test_what_a_lamp_cannot_see_has_an_infinite_factor_and_what_nobody_measured_has_none():
    assert find("methanol").pid_response_factor == math.inf
    assert find("water").pid_response_factor == math.inf
    assert find("isobutyl isobutyrate").pid_response_factor is None
    assert find("toluene").pid_response_factor == 0.5


def test_limits_that_nobody_sets_are_none():
    assert find("propylene glycol methyl ether acetate").osha_pel_ppm is None
    assert find("n-butanol").niosh_rel_ppm is None and find("n-butanol").niosh_ceiling_ppm == 50
    assert find("water").lfl_pct is None and find("water").flash_point_c is None
    assert find("toluene").osha_ceiling_ppm == 300


def test_the_exempt_solvents_are_the_five_of_the_federal_list():
    assert {s.name for s in solvents() if s.voc_exempt} == {
        "acetone",
        "methyl acetate",
        "tert-butyl acetate",
        "p-chlorobenzotrifluoride",
        "dimethyl carbonate",
    }
    assert find("water").voc_exempt is None


def test_what_keeps_water_in_solution_is_marked():
    miscible = {s.name for s in solvents() if s.water_miscible}
    assert {"acetone", "isopropanol", "2-butoxyethanol", "diacetone alcohol", "water"} <= miscible
    assert not {"toluene", "n-butyl acetate", "xylene", "isobutyl isobutyrate"} & miscible


# Blends


def test_a_blend_keeps_its_order_and_brings_a_sum_of_nearly_one_to_one():
    mix = blend({"toluene": 0.5, "acetone": 0.495})
    assert mix.names == ("toluene", "acetone")
    assert mix.mass_fractions.sum() == pytest.approx(1, abs=1e-12)
    assert mix.mass_fractions[0] == pytest.approx(0.5 / 0.995)


def test_mole_fractions_are_mass_fractions_by_molar_mass():
    # By hand: 0.5/58.079 = 0.00860897 against 0.5/92.138 = 0.00542664
    mix = parse_blend("acetone=0.5, toluene=0.5")
    assert mix.mole_fractions == pytest.approx([0.613366, 0.386634], abs=1e-6)
    assert np.allclose(mix.mole_fractions, volatiles.mole_fractions(mix.volatiles, mix.mass_fractions))


def test_two_names_of_one_solvent_are_added_up():
    mix = blend({"mek": 0.25, "xylene": 0.25, "methyl ethyl ketone": 0.5})
    assert mix.names == ("methyl ethyl ketone", "xylene")
    assert mix.mass_fractions == pytest.approx([0.75, 0.25])


def test_a_share_of_nothing_is_kept():
    assert blend({"toluene": 1, "2-butoxyethanol": 0}).names == ("toluene", "2-butoxyethanol")


@pytest.mark.parametrize(
    ("fractions", "says"),
    [
        ({}, "blend is empty"),
        ({"toluene": 0.5}, "blend adds up to 0.500; expected 1"),
        ({"toluene": 0.5, "acetone": 0.52}, "blend adds up to 1.020; expected 1"),
        ({"toluene": 1.2, "acetone": -0.2}, "toluene is 1.2; expected a mass fraction from 0 to 1"),
        ({"toluene": -0.1, "acetone": 1.0}, "toluene is -0.1; expected a mass fraction from 0 to 1"),
        ({"toluene": math.nan}, "toluene is nan"),
        ({"toluene": True}, "toluene is True"),
        ({"toluene": "1"}, "toluene is '1'"),
        ({"glue": 1.0}, "solvent 'glue' is not in the table"),
    ],
)
def test_a_blend_that_cannot_be_is_refused_with_the_reason(fractions, says):
    with pytest.raises(RecordError, match=says):
        blend(fractions)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "blend has ''; expected name=fraction"),
        ("toluene", "blend has 'toluene'; expected name=fraction"),
        ("toluene=", "blend has 'toluene='"),
        ("=1", "blend has '=1'"),
        ("toluene=much", "blend has 'toluene=much'"),
        ("toluene=0.5;acetone=0.5", "blend has"),
        ("toluene=0.5,toluene=0.5", "blend names toluene twice"),
        ("toluene=0.5,,acetone=0.5", "blend has ''"),
        ("toluene=nan", "toluene is nan"),
    ],
)
def test_a_blend_typed_wrongly_is_refused_with_the_reason(text, says):
    with pytest.raises(RecordError, match=says):
        parse_blend(text)
