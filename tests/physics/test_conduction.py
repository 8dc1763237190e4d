"""Heat within the piece held against closed solutions of the heat equation and against its own balance."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import conduction
from collector.physics.conduction import CELLS, Slab, cell_widths
from collector.reference.substrates import substrate, substrates

MAPLE = substrate("maple").solid
AIR_C = np.array([20.0])


def slab(solid=MAPLE, thickness_mm=42.0, start_c=20.0, back_w_m2_k=10.0):
    return Slab(solid, thickness_mm, start_c, back_w_m2_k, AIR_C)


def face_after(piece, flux_of_time, seconds, step=0.05):
    """Temperature of the coated face [°C] after a flux that may change with time [W/m²]."""
    for i in range(round(seconds / step)):
        piece.settle(piece.look_ahead(step, AIR_C), np.array([flux_of_time((i + 0.5) * step)]))
    # from the first cell's middle out to the face
    return float(piece.cells_c[0, 0] + flux_of_time(seconds) * 0.5 * piece.widths[0] / piece.conductivity)


def half_space(solid, flux, seconds):
    # H. S. Carslaw, J. C. Jaeger, "Conduction of Heat in Solids", 2nd ed. (1959), 2.9
    return 2 * flux * math.sqrt(seconds / math.pi) / solid.effusivity


@pytest.mark.parametrize("name", [entry.name for entry in substrates() if entry.name not in ("steel", "pu foam")])
@pytest.mark.parametrize("seconds", [10.0, 30.0, 60.0])
def test_a_thick_piece_under_a_steady_flux_cools_as_a_half_space_within_one_per_cent(name, seconds):
    # One per cent is what 16 cells cost: 0.05 K of a film's usual fall
    solid = substrate(name).solid
    assert face_after(slab(solid), lambda time: -300.0, seconds) - 20.0 == pytest.approx(
        half_space(solid, -300.0, seconds), rel=1e-2
    )


@pytest.mark.parametrize(("cells", "within"), [(16, 1e-2), (24, 5e-3), (64, 1e-3)])
def test_more_cells_come_nearer_the_half_space(monkeypatch, cells, within):
    monkeypatch.setattr(conduction, "CELLS", cells)
    assert face_after(slab(), lambda time: -300.0, 30.0, 0.02) - 20.0 == pytest.approx(
        half_space(MAPLE, -300.0, 30.0), rel=within
    )


def test_a_flux_falling_as_one_over_root_time_holds_the_face_at_one_temperature():
    # The same source, 2.4: a face kept D below a half-space draws e D/sqrt(pi t)
    fall = 4.0
    draw = lambda time: -MAPLE.effusivity * fall / math.sqrt(math.pi * time)  # noqa: E731
    assert face_after(slab(thickness_mm=100.0), draw, 60.0, step=0.02) - 20.0 == pytest.approx(-fall, rel=0.02)


def test_thin_steel_cools_as_one_lump():
    steel = substrate("steel").solid
    piece = slab(steel, 0.8)
    face_after(piece, lambda time: -100.0, 10.0)
    lump = steel.density * steel.heat_capacity * 0.8e-3
    # it is at one temperature through, and the back gives next to nothing yet
    assert float(np.ptp(piece.cells_c)) < 0.01
    assert float(piece.cells_c.mean()) - 20.0 == pytest.approx(-100.0 * 10.0 / lump, rel=0.02)


def test_a_steady_flux_ends_in_a_straight_line_and_the_backs_own_resistance():
    piece = slab(thickness_mm=5.0, back_w_m2_k=8.0)
    for _ in range(4000):
        piece.settle(piece.look_ahead(60.0, AIR_C), np.array([-10.0]))
    middles = np.cumsum(piece.widths) - piece.widths / 2
    slope = np.polyfit(middles, piece.cells_c[:, 0], 1)[0]
    assert slope == pytest.approx(10.0 / MAPLE.conductivity, rel=1e-3)
    back_face_c = piece.cells_c[-1, 0] + slope * piece.widths[-1] / 2
    assert 20.0 - back_face_c == pytest.approx(10.0 / 8.0, rel=1e-3)


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.floats(0.01, 30), st.floats(-500, 500)), min_size=1, max_size=20), st.floats(0.8, 60))
def test_what_goes_in_is_what_the_piece_holds(steps, thickness_mm):
    piece = slab(thickness_mm=thickness_mm, start_c=23.0)
    first = piece.energy_j(AIR_C)
    through_face = 0.0
    for step, flux in steps:
        piece.settle(piece.look_ahead(step, AIR_C), np.array([flux]))
        through_face += step * flux
    gained = piece.energy_j(AIR_C) - first
    scale = sum(step * abs(flux) for step, flux in steps) + abs(float(piece.back_in_j[0])) + 1.0
    assert float(gained[0]) == pytest.approx(through_face + float(piece.back_in_j[0]), abs=1e-9 * scale)
    # and the energy is that of the cells, reckoned by hand
    by_hand = MAPLE.density * MAPLE.heat_capacity * float((piece.widths * (piece.cells_c[:, 0] - 20.0)).sum())
    assert float(piece.energy_j(AIR_C)[0]) == pytest.approx(by_hand, rel=1e-12, abs=1e-6)


def test_a_piece_at_the_airs_temperature_stays_there():
    piece = slab()
    for _ in range(50):
        piece.settle(piece.look_ahead(10.0, AIR_C), np.array([0.0]))
    assert piece.cells_c == pytest.approx(20.0, abs=1e-9)


@pytest.mark.parametrize("thickness", [0.0001, 0.0008, 0.003, 0.0127, 0.042, 0.5])
def test_cells_fill_the_piece_and_are_finest_at_the_coat(thickness):
    widths = cell_widths(thickness)
    assert len(widths) == CELLS
    assert widths.sum() == pytest.approx(thickness, rel=1e-12)
    assert np.all(np.diff(widths) >= -1e-12)
    assert widths[0] <= 1.01e-4


def test_a_profile_of_another_piece_is_refused():
    with pytest.raises(ValueError, match="part_c has 3 cells; expected 16"):
        slab(start_c=np.full((3, 1), 20.0))
