"""What gets coated: the woods by the Wood Handbook's formulas, the rest by common figures, all by name."""

import pytest

from collector.errors import NotFound
from collector.records.model import SUBSTRATES
from collector.reference.cells import STATUSES
from collector.reference.substrates import FIELDS, substrate, substrates


@pytest.mark.parametrize("name", SUBSTRATES)
def test_every_substrate_of_a_piece_is_in_the_table(name):
    assert substrate(name).name == name


def test_every_figure_has_a_value_a_unit_a_source_and_a_status():
    for entry in substrates():
        for field in FIELDS:
            cell = entry.cells[field]
            assert cell.number > 0 and cell.unit and cell.source and cell.status in STATUSES


def test_no_two_substrates_share_a_name():
    names = [name for entry in substrates() for name in (entry.name, *entry.aliases)]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("name", "effusivity"),
    # Wood Handbook formulas at 8 % moisture, worked out apart from the table; MDF and acrylic from common figures
    [("maple", 407), ("alder", 273), ("mahogany", 304), ("mdf", 395), ("acrylic sheet", 577)],
)
def test_effusivities_are_the_known_ones_within_one_percent(name, effusivity):
    assert substrate(name).solid.effusivity == pytest.approx(effusivity, rel=0.01)


def test_a_steel_sheet_of_0_8_mm_holds_3_kilojoules_per_square_metre_and_kelvin():
    steel = substrate("steel").solid
    assert 0.8e-3 * steel.density * steel.heat_capacity == pytest.approx(3000, rel=0.01)


@pytest.mark.parametrize(
    ("name", "gravity"), [("maple", 0.63), ("alder", 0.41), ("mahogany", 0.46), ("basswood", 0.37), ("ply", 0.62)]
)
def test_woods_follow_the_wood_handbook(name, gravity):
    # FPL-GTR-190, chapter 4, at moisture content 8 % and 293.15 K
    moisture, kelvin = 8, 293.15
    solid = substrate(name).solid
    dry = 0.1031 + 0.003867 * kelvin
    bound = moisture * (-0.06191 + 2.36e-4 * kelvin - 1.33e-4 * moisture)
    moist = (dry + 0.01 * moisture * 4.18) / (1 + 0.01 * moisture) + bound
    assert solid.conductivity == pytest.approx(gravity * (0.1941 + 0.004064 * moisture) + 0.01864, abs=1e-4)
    assert solid.density == pytest.approx(1000 * gravity * 1.08, abs=0.1)
    assert solid.heat_capacity == pytest.approx(1000 * moist, abs=0.1)


def test_other_is_in_the_middle_of_the_woods_and_says_why():
    woods = [substrate(name).solid.effusivity for name in ("maple", "alder", "mahogany", "basswood", "ply")]
    other = substrate("other")
    assert min(woods) < other.solid.effusivity < max(woods)
    assert all(abs(wood / other.solid.effusivity - 1) < 0.26 for wood in woods)
    assert "middle of the woods" in other.cells["conductivity"].source


def test_a_substrate_is_found_by_alias_and_in_either_case():
    assert substrate("Acrylic").name == "acrylic sheet"
    assert substrate("MDF").name == "mdf"


def test_a_substrate_that_is_not_there_is_answered_with_the_nearest():
    with pytest.raises(NotFound, match="substrate 'mapel' is not in the table; did you mean maple"):
        substrate("mapel")
