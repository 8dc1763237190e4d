"""Test lines against patterns whose mean intercept is known exactly, and against the published grain-size numbers."""

import math

import numpy as np
import pytest
from scipy.spatial import cKDTree

from collector.physics import stereology


def grid(side, width, angle_deg, pixels=1400):
    """Two families of lines at right angles, drawn by formula."""
    y, x = np.mgrid[:pixels, :pixels].astype(float)
    turned = np.radians(angle_deg)
    u, v = x * np.cos(turned) + y * np.sin(turned), y * np.cos(turned) - x * np.sin(turned)
    return (u % side < width) | (v % side < width)


def voronoi(pixels, width, points):
    """Cracks where the second-nearest seed is hardly farther than the nearest."""
    y, x = np.mgrid[:pixels, :pixels]
    distance, which = cKDTree(points).query(np.c_[x.ravel(), y.ravel()], k=2)
    apart = np.linalg.norm(points[which[:, 0]] - points[which[:, 1]], axis=1)
    to_edge = (distance[:, 1] ** 2 - distance[:, 0] ** 2) / (2 * apart)
    return (to_edge < width / 2).reshape(pixels, pixels)


def hexagon_seeds(across, pixels):
    """Middles of hexagons, turned by 7 degrees so that no edge lies along the pixels."""
    rows, columns = range(-12, int(pixels / across * 1.6)), range(-12, int(pixels / across * 1.5))
    middles = np.array([[(c + (r % 2) / 2) * across, r * across * math.sqrt(3) / 2] for r in rows for c in columns])
    cos, sin = math.cos(math.radians(7)), math.sin(math.radians(7))
    return middles @ np.array([[cos, sin], [-sin, cos]])


def perimeter_intercept(mesh_perimeter, mesh_area, width, corners_tan):
    """Closed form for meshes shrunk by half a crack all round: line over crossings is pi area over island perimeter."""
    return math.pi * mesh_area / (mesh_perimeter - width * corners_tan)


@pytest.mark.parametrize("angle_deg", [0.0, 12.0, 31.0, 45.0])
def test_a_square_grid_has_its_intercept_at_any_angle(angle_deg):
    side, width = 60.0, 5.0
    found = stereology.count(grid(side, width, angle_deg), np.ones((1400, 1400), bool))
    # a square's four corners turn by 90 degrees: 2 tan 45 each, taken over half a crack
    exact = perimeter_intercept(4 * side, side**2, width, 4.0)
    assert found.mean_intercept == pytest.approx(exact, rel=0.025)


def test_a_square_grid_is_crossed_at_each_angle_as_geometry_says():
    side, width = 60.0, 3.0
    found = stereology.count(grid(side, width, 0.0), np.ones((1400, 1400), bool))
    # along a side, the share of lines that runs inside a crack crosses nothing
    assert found.intercept[stereology.HORIZONTAL] == pytest.approx(side / (1 - width / side), rel=0.01)
    assert stereology.square_grid_intercept(side, 45.0) == pytest.approx(0.7071 * side, rel=1e-4)
    assert found.intercept[stereology.DIAGONALS[0]] == pytest.approx(0.7071 * side, rel=0.06)
    assert found.anisotropy == pytest.approx(math.sqrt(2), rel=0.06)


def test_hexagons_have_pi_quarters_of_their_width():
    across, width = 70.0, 4.0
    cracks = voronoi(800, width, hexagon_seeds(across, 800))
    found = stereology.count(cracks, np.ones(cracks.shape, bool))
    side = across / math.sqrt(3)
    exact = perimeter_intercept(6 * side, across**2 * math.sqrt(3) / 2, width, 6 * math.tan(math.pi / 6))
    assert found.mean_intercept == pytest.approx(exact, rel=0.02)
    assert perimeter_intercept(6 * side, across**2 * math.sqrt(3) / 2, 0.0, 0.0) == pytest.approx(
        stereology.HEXAGON_INTERCEPT * across
    )
    assert found.anisotropy < 1.12


def test_the_width_of_hexagon_cracks_comes_back():
    across, width = 70.0, 9.0
    cracks = voronoi(800, width, hexagon_seeds(across, 800))
    found = stereology.count(cracks, np.ones(cracks.shape, bool))
    assert stereology.crack_width(found.mean_intercept, cracks.mean()) == pytest.approx(width, rel=0.03)


def test_poisson_voronoi_cells_have_pi_quarters_over_root_density():
    # Meijering 1953 by way of Underwood; the tolerance is 0.56 over the root of the crossings, and thin cracks
    rng = np.random.default_rng(5)
    pixels, density = 1100, 1 / 36.0**2
    points = rng.uniform(-100, pixels + 100, (rng.poisson(density * (pixels + 200) ** 2), 2))
    cracks = voronoi(pixels, 2.2, points)
    found = stereology.count(cracks, np.ones(cracks.shape, bool))
    exact = stereology.POISSON_VORONOI_INTERCEPT / math.sqrt(density)
    # cracks of 2.2 pixels on 36 take some 6 % of the perimeter, corners and all
    assert exact < found.mean_intercept < 1.10 * exact
    # crack length per area 2 root density
    assert stereology.crack_length_per_area(exact) == pytest.approx(2 * math.sqrt(density))


def test_lines_that_leave_inside_a_crack_count_half():
    cracks = np.zeros((40, 40), bool)
    cracks[:, 30:] = True  # every horizontal line enters one and leaves the picture in it
    found = stereology.count(cracks, np.ones((40, 40), bool))
    assert found.crossings[stereology.HORIZONTAL] == pytest.approx(0.5 * 40)
    assert found.crossings[stereology.VERTICAL] == 0


def test_the_local_map_shows_where_the_crackle_is_finer():
    wide, narrow = grid(60.0, 5.0, 12.0, 700), grid(30.0, 5.0, 12.0, 700)
    found = stereology.count(np.hstack([wide, narrow]), np.ones((700, 1400), bool))
    tiles = stereology.tile_intercepts(found, 350)
    assert tiles.shape == (2, 4)
    expected = perimeter_intercept(240, 60**2, 5, 4.0) / perimeter_intercept(120, 30**2, 5, 4.0)
    assert tiles[:, 0].mean() / tiles[:, 3].mean() == pytest.approx(expected, rel=0.05)


def test_an_even_piece_has_no_unevenness_and_a_graded_one_has_its_own():
    rng = np.random.default_rng(3)
    scatter = np.full(4000, 0.10)
    even = 5.0 * np.exp(rng.normal(0, 0.10, 4000))
    graded = even * np.exp(np.linspace(-0.35, 0.35, 4000))
    assert stereology.unevenness(even, scatter) < 0.03
    assert stereology.unevenness(graded, scatter) == pytest.approx(0.7 / math.sqrt(12), abs=0.02)
    assert math.isnan(stereology.unevenness(even[:3], scatter[:3]))


def test_a_fields_scatter_is_what_simulated_fields_show():
    # Poisson-Voronoi areas vary by 0.529; so many fields of some 60 islands are drawn and counted
    rng = np.random.default_rng(8)
    found = []
    for _ in range(50):
        pixels, density = 230, 1 / 30.0**2
        points = rng.uniform(-90, pixels + 90, (rng.poisson(density * (pixels + 180) ** 2), 2))
        cracks = voronoi(pixels, 3.0, points)
        found.append(stereology.count(cracks, np.ones(cracks.shape, bool)).mean_intercept)
    cv = np.std(found, ddof=1) / np.mean(found)
    assert cv == pytest.approx(stereology.sampling_cv(230**2 / 30.0**2, 0.529), rel=0.3)


@pytest.mark.parametrize(
    ("intercept_um", "number"),
    [(452.5, -1), (320.0, 0), (226.3, 1), (160.0, 2), (80.0, 4), (20.0, 8)],
)
def test_grain_numbers_are_those_of_the_standard(intercept_um, number):
    # ASTM E112: mean intercepts of the grain-size table, G 00 (-1) to 8
    assert stereology.grain_number(intercept_um / 1000.0) == pytest.approx(number, abs=0.01)


@pytest.mark.parametrize(
    ("intercept_mm", "number"), [(32.0, 0), (16.0, 2), (11.31, 3), (5.657, 5), (4.0, 6), (1.0, 10), (0.5, 12)]
)
def test_macro_numbers_are_those_of_the_standard(intercept_mm, number):
    # ASTM E112 macro-grain table, M 0 at 32.00 mm (from memory of the table)
    assert stereology.macro_number(intercept_mm) == pytest.approx(number, abs=0.01)


def test_quantiles_of_equal_weights_are_the_plain_ones_and_their_intervals_hold():
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(400):
        values = np.exp(rng.normal(0, 0.3, 80))
        ((low, _, high),) = stereology.weighted_quantiles(values, np.ones(80), (0.5,))
        inside += low <= 1.0 <= high
    assert 0.91 <= inside / 400 <= 0.98
    assert stereology.weighted_quantiles(np.arange(1.0, 102.0), np.ones(101), (0.5,))[0][1] == 51.0


def test_large_islands_that_the_frame_cuts_more_often_count_for_more():
    # discs of two sizes, as many of each, thrown on a plane and seen through a frame
    rng = np.random.default_rng(4)
    places = rng.uniform(-200, 1200, (60_000, 2))
    size = np.where(rng.random(60_000) < 0.5, 20.0, 400.0)
    whole = np.all((places > size[:, None] / 2) & (places < 1000 - size[:, None] / 2), axis=1)
    weights = stereology.whole_weights(size[whole], size[whole], (1000.0, 1000.0))
    seen, mended = np.mean(size[whole] == 400), np.average(size[whole] == 400, weights=weights)
    assert seen < 0.3
    assert mended == pytest.approx(0.5, abs=0.02)


def test_nonsense_is_refused_with_the_name_of_what_is_wrong():
    with pytest.raises(ValueError, match="region"):
        stereology.count(np.zeros((5, 5), bool), np.zeros((5, 6), bool))
    with pytest.raises(ValueError, match="no test line"):
        stereology.count(np.zeros((50, 50), bool), np.zeros((50, 50), bool))
    with pytest.raises(ValueError, match="mean_intercept_mm"):
        stereology.grain_number(0.0)
    with pytest.raises(ValueError, match="crack_area_fraction"):
        stereology.crack_width(3.0, 1.2)
