"""Crackle of simulated photos with known truth, of real textures, and of photos that no number should come from."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage import data as textures

from collector.imaging import crackle, overlay, photo, scale
from collector.imaging.crackle import Correction, measure
from collector.imaging.photo import CannotMeasure, Photo
from tests.imaging.synthetic import Scene, photograph, random_scene

SUBSET = range(400, 408)


def seen(file, correction=None):
    taken = photo.decode(file)
    return measure(taken, scale.from_marker(taken), correction)


@pytest.fixture(scope="module")
def shop():
    """A few random photos of a shop: light, tilt, blur, JPEG, colours and both polarities as they come."""
    found = []
    for seed in SUBSET:
        scene = random_scene(seed, width=1200)
        file, truth = photograph(scene)
        try:
            found.append((scene, truth, seen(file)))
        except CannotMeasure:
            continue
    assert len(found) >= 5
    return found


def test_the_mean_intercept_is_right_over_random_photos(shop):
    # a small subset; docs/crackle.md has the 240 photos of benchmarks/crackle_study.py
    errors = [abs(got.mean_intercept_mm / truth.mean_intercept_mm - 1) for _, truth, got in shop]
    assert np.median(errors) < 0.03
    assert max(errors) < 0.10


def test_width_area_and_islands_are_right_over_random_photos(shop):
    area = [abs(got.crack_area_fraction / truth.crack_area_fraction - 1) for _, truth, got in shop]
    width = [abs(got.crack_width_mm / truth.crack_width_mm - 1) for _, truth, got in shop]
    middle = [abs(got.island_diameter["p50"].value_mm / truth.ecd_mm["p50"] - 1) for _, truth, got in shop]
    assert np.median(area) < 0.06
    assert np.median(width) < 0.06
    assert np.median(middle) < 0.05
    assert max(area + width + middle) < 0.30


def test_the_interval_holds_the_mean_of_the_whole_panel(shop):
    holds = [
        got.mean_intercept_ci95_mm[0] <= truth.panel_intercept_mm <= got.mean_intercept_ci95_mm[1]
        for _, truth, got in shop
    ]
    assert sum(holds) >= len(holds) - 1


def test_dark_and_light_swapped_give_the_same_sizes(plain):
    scene = Scene(seed=11, width=1200, height=900, field_mm=120.0, spacing_mm=7.0, crack_share=0.13)
    swapped, _ = photograph(replace(scene, island_rgb=scene.crack_rgb, crack_rgb=scene.island_rgb))
    dark, light = seen(plain[0]), seen(swapped)
    assert (dark.polarity, light.polarity) == ("dark cracks", "light cracks")
    assert light.mean_intercept_mm == pytest.approx(dark.mean_intercept_mm, rel=0.02)
    assert light.crack_width_mm == pytest.approx(dark.crack_width_mm, rel=0.06)
    assert light.island_diameter["p50"].value_mm == pytest.approx(dark.island_diameter["p50"].value_mm, rel=0.02)


def test_colour_alone_tells_crack_from_island():
    scene = Scene(
        seed=12, width=1200, height=900, field_mm=120.0, spacing_mm=9.0, crack_share=0.15,
        island_rgb=(0.42, 0.24, 0.16), crack_rgb=(0.10, 0.326, 0.23),
    )  # fmt: skip
    file, truth = photograph(scene)
    grey = np.array([0.2126, 0.7152, 0.0722])
    assert grey @ scene.island_rgb == pytest.approx(grey @ scene.crack_rgb, rel=0.04)
    assert seen(file).mean_intercept_mm == pytest.approx(truth.mean_intercept_mm, rel=0.05)


def test_half_the_pixels_give_the_same_millimetres(plain):
    taken = photo.decode(plain[0])
    half = Photo(cv2.resize(taken.pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    whole, less = measure(taken, scale.from_marker(taken)), measure(half, scale.from_marker(half))
    assert less.mean_intercept_mm == pytest.approx(whole.mean_intercept_mm, rel=0.03)


def test_a_given_scale_measures_as_the_marker_does(plain):
    taken = photo.decode(plain[0])
    card = ((5.0, 20.0), (475.0, 20.0), (475.0, 495.0), (5.0, 495.0))
    by_hand = measure(taken, scale.from_mm_per_pixel(0.1), Correction(masked=(card,)))
    assert by_hand.mean_intercept_mm == pytest.approx(plain[1].mean_intercept_mm, rel=0.04)
    assert any("straight above" in said for said in by_hand.cautions)


def test_stretched_islands_show_as_anisotropy(plain):
    file, truth = photograph(
        Scene(seed=14, width=1200, height=900, field_mm=120.0, spacing_mm=7.0, crack_share=0.13, stretch=0.6)
    )
    got = seen(file)
    assert truth.anisotropy > 1.3
    assert got.anisotropy == pytest.approx(truth.anisotropy, rel=0.06)
    assert got.horizontal_mm < got.diagonal_mm < got.vertical_mm
    assert seen(plain[0]).anisotropy < 1.15


def test_a_piece_that_is_finer_at_one_side_is_uneven_and_the_map_shows_where(plain):
    file, _ = photograph(
        Scene(seed=15, width=1200, height=900, field_mm=200.0, spacing_mm=6.0, crack_share=0.16, size_gradient=12.0)
    )
    graded, even = seen(file), seen(plain[0])
    assert graded.unevenness > 0.06 > even.unevenness + 0.02
    columns = np.nanmean(graded.size_map.size_mm, axis=0)
    assert columns[-1] > 1.3 * columns[0]


def test_glare_is_left_out_and_reported():
    base = Scene(seed=16, width=1200, height=900, field_mm=120.0, spacing_mm=7.0, crack_share=0.13)
    clean, _ = photograph(base)
    shining, truth = photograph(replace(base, glare=3))
    got = seen(shining)
    assert seen(clean).glare_fraction < 0.01 < got.glare_fraction
    assert got.mean_intercept_mm == pytest.approx(truth.mean_intercept_mm, rel=0.05)


def test_the_slider_takes_more_or_less_for_crack_and_is_kept(plain):
    less, middle, more = (seen(plain[0], Correction(threshold_shift=shift)) for shift in (-0.3, 0.0, 0.3))
    assert less.traced.cracks.mean() < middle.traced.cracks.mean() < more.traced.cracks.mean()
    assert more.correction.threshold_shift == 0.3
    with pytest.raises(ValueError, match=r"threshold_shift 0.7; expected -0.4 to 0.4"):
        Correction(threshold_shift=0.7)


def test_region_and_masks_are_what_is_measured(plain):
    region = ((520.0, 60.0), (1150.0, 60.0), (1150.0, 850.0), (520.0, 850.0))
    hole = ((700.0, 300.0), (900.0, 300.0), (900.0, 500.0), (700.0, 500.0))
    whole, part = seen(plain[0]), seen(plain[0], Correction(region=region))
    holed = seen(plain[0], Correction(region=region, masked=(hole,)))
    assert holed.islands < part.islands < 0.75 * whole.islands
    assert holed.correction.masked == (hole,)
    assert part.mean_intercept_mm == pytest.approx(whole.mean_intercept_mm, rel=0.06)
    with pytest.raises(ValueError, match="expected at least 3"):
        Correction(region=((0.0, 0.0), (5.0, 5.0)))


def test_the_same_photo_gives_the_same_numbers(plain):
    one, other = seen(plain[0]), seen(plain[0])
    assert one.mean_intercept_mm == other.mean_intercept_mm
    assert one.island_diameter == other.island_diameter


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"blur_px": 9.0}, ("blur", "pattern", "marker", "scale")),
        ({"spacing_mm": 30.0}, ("few",)),
        ({"spacing_mm": 6.0, "crack_share": 0.028, "blur_px": 0.5}, ("thin", "blur", "pattern")),
        ({"marker_mm": None}, ("scale",)),
        ({"island_rgb": (0.3, 0.3, 0.3), "crack_rgb": (0.3, 0.3, 0.3)}, ("pattern", "few", "thin", "blur", "glare")),
    ],
    ids=["blur", "few islands", "thin cracks", "no scale", "no cracks"],
)
def test_no_number_rather_than_a_wrong_one(change, reason):
    scene = replace(Scene(seed=17, width=1000, height=750, field_mm=120.0, spacing_mm=7.0, crack_share=0.13), **change)
    file, _ = photograph(scene)
    with pytest.raises(CannotMeasure, match="cannot measure: ") as caught:
        seen(file)
    assert caught.value.reason in reason


def real(name):
    """A texture that scikit-image carries, at 0.1 mm per pixel."""
    picture = getattr(textures, name)()
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    return Photo(np.ascontiguousarray(picture[..., 2::-1]))


def test_a_real_brick_wall_is_measured():
    # scikit-image brick.png: what this code gave with its overlay looked at, brick by brick
    got = measure(real("brick"), scale.from_mm_per_pixel(0.1))
    assert got.polarity == "light cracks"
    assert got.mean_intercept_mm == pytest.approx(4.3, rel=0.07)
    assert got.island_diameter["p50"].value_mm == pytest.approx(6.2, rel=0.07)
    assert 2.2 < got.anisotropy < 3.2
    assert 0.12 < got.crack_area_fraction < 0.19


@pytest.mark.parametrize("name", ["gravel", "cell", "grass", "coins", "retina", "moon", "coffee", "chelsea", "text"])
def test_real_pictures_without_crackle_are_refused(name):
    with pytest.raises(CannotMeasure):
        measure(real(name), scale.from_mm_per_pixel(0.1))


def test_the_overlay_shows_what_was_taken_for_what(plain, tmp_path):
    got = seen(plain[0])
    picture = overlay.overlay(got)
    assert picture.shape[:2] == got.traced.cracks.shape
    blue, _, red = (picture[..., i].astype(int) for i in range(3))
    inside = cv2.erode((got.traced.cracks & got.traced.region).astype(np.uint8), np.ones((3, 3))).astype(bool)
    assert np.mean((red - blue)[inside] > 60) > 0.97
    whole = np.isin(got.traced.labels, got.traced.whole) & ~got.traced.cracks
    assert np.mean((blue - red)[whole] > 0) > 0.9
    overlay.write(picture, tmp_path / "seen.png")
    assert cv2.imread(str(tmp_path / "seen.png")).shape == picture.shape
    with pytest.raises(photo.PhotoRefused):
        overlay.write(picture, tmp_path / "no such folder" / "seen.png")


def test_islands_per_area_and_diameters_agree_with_the_pattern(plain):
    got = seen(plain[0])
    # one cell in 49 mm² was asked for, less those that a photo's own chance adds or takes
    assert got.islands_per_dm2 == pytest.approx(1e4 / 49.0, rel=0.15)
    low, high = got.island_diameter["p50"].ci95_mm
    assert low < plain[1].ecd_mm["p50"] < high
    assert got.mm_per_pixel == pytest.approx(0.1, rel=0.01)
    assert got.islands >= crackle.LEAST_ISLANDS
