"""Scale from a marker, two clicks, or a number; and the sheet the markers come from."""

import math
import re

import cv2
import numpy as np
import pytest

from collector.imaging import photo, scale
from collector.imaging.photo import CannotMeasure, Photo
from collector.imaging.sheet import PAPERS_MM, marker_sheet

GREY = 110


def drawn(side_px, number, tilt=0.0, size=(1600, 1200), family=cv2.aruco.DICT_4X4_100):
    """A marker on a white card on grey, seen through a known homography; and its true corners."""
    bits = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(family), number, 600)
    card = np.full((900, 900), 0.8, np.float32)  # linear light: a lens blurs that, not what the file holds
    card[150:750, 150:750] = np.where(bits > 127, 0.8, 0.02)
    centre = np.array([size[0] * 0.43, size[1] * 0.52])
    half = side_px / 2
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]) * half
    cos, sin = math.cos(0.3), math.sin(0.3)
    corners = square @ np.array([[cos, sin], [-sin, cos]])
    corners = corners / (1 + tilt * corners[:, :1] / size[0]) + centre
    inner = np.array([[149.5, 149.5], [749.5, 149.5], [749.5, 749.5], [149.5, 749.5]])
    to_photo = cv2.getPerspectiveTransform(inner.astype(np.float32), corners.astype(np.float32))
    scaled = cv2.warpPerspective(card, to_photo, size, flags=cv2.INTER_AREA, borderValue=0.15)
    scaled = np.clip(cv2.GaussianBlur(scaled, (0, 0), 1.0), 0.004, 1)
    scaled = np.round(255 * (1.055 * scaled ** (1 / 2.4) - 0.055)).astype(np.uint8)
    return Photo(np.ascontiguousarray(np.repeat(scaled[..., None], 3, axis=2))), corners


@pytest.mark.parametrize("side_px", [90, 200, 480])
@pytest.mark.parametrize("tilt", [0.0, 0.5])
def test_corners_are_found_to_a_fraction_of_a_pixel(side_px, tilt):
    seen, corners = drawn(side_px, 40, tilt)
    found = scale.from_marker(seen, 40.0)
    assert np.hypot(*(found.marker - corners).T).max() < 0.25
    middle = tuple(corners.mean(axis=0))
    assert found.mm_per_pixel(middle) == pytest.approx(40.0 / side_px, rel=0.02 if tilt == 0 else 0.2)


def test_perspective_is_taken_out():
    seen, corners = drawn(300, 30, 1.0)
    found = scale.from_marker(seen)
    on_piece = cv2.perspectiveTransform(corners[None], found.to_mm)[0]
    sides = np.hypot(*(on_piece - np.roll(on_piece, 1, axis=0)).T)
    assert sides == pytest.approx(np.full(4, 30.0), rel=0.004)


def test_the_measured_side_takes_the_place_of_the_markers_number():
    seen, _ = drawn(200, 30)
    by_number, measured = scale.from_marker(seen), scale.from_marker(seen, 29.1)
    at = (700.0, 600.0)
    assert measured.mm_per_pixel(at) / by_number.mm_per_pixel(at) == pytest.approx(29.1 / 30.0, rel=1e-6)


def test_a_strangers_marker_needs_its_side_said():
    seen, _ = drawn(200, 7, family=cv2.aruco.DICT_5X5_100)
    with pytest.raises(CannotMeasure, match="no marker found") as caught:
        scale.from_marker(seen)
    assert caught.value.reason == "scale"
    assert scale.from_marker(seen, 50.0).mm_per_pixel((700.0, 600.0)) == pytest.approx(0.25, rel=0.02)
    numbered, _ = drawn(200, 7)
    with pytest.raises(CannotMeasure, match="say how long its side is"):
        scale.from_marker(numbered)


def test_no_marker_and_a_marker_too_small_say_so():
    with pytest.raises(CannotMeasure, match="no marker found"):
        scale.from_marker(Photo(np.full((600, 800, 3), GREY, np.uint8)))
    small, _ = drawn(34, 40)
    with pytest.raises(CannotMeasure) as caught:
        scale.from_marker(small)
    assert caught.value.reason in ("marker", "scale")


def test_a_bent_card_is_refused():
    seen, corners = drawn(300, 40)
    y, x = np.mgrid[: seen.height, : seen.width].astype(np.float32)
    bow = 14 * np.cos((x - corners[:, 0].mean()) / 150 * np.pi / 2).astype(np.float32)
    bent = Photo(cv2.remap(seen.pixels, x, y + bow, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    with pytest.raises(CannotMeasure) as caught:
        scale.from_marker(bent)
    assert caught.value.reason in ("marker", "scale")


def test_two_clicks_give_a_scale_that_knows_how_rough_it_is():
    near = scale.from_two_points((100, 100), (400, 500), 50.0)
    assert near.mm_per_pixel((0, 0)) == pytest.approx(0.1)
    far = scale.from_two_points((100, 100), (2500, 3300), 400.0)
    assert 0.02 < far.relative_uncertainty < near.relative_uncertainty < 0.03


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: scale.from_two_points((0, 0), (10, 10), 5.0), "expected at least 50"),
        (lambda: scale.from_two_points((0, 0), (100, 100), 0.0), "length_mm 0"),
        (lambda: scale.from_mm_per_pixel(float("nan")), "mm_per_pixel nan"),
        (lambda: scale.from_mm_per_pixel(50.0), "expected 0.001 to 10"),
        (lambda: scale.from_marker(drawn(200, 30)[0], -3.0), "marker_mm -3"),
    ],
)
def test_impossible_scales_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.parametrize("paper", list(PAPERS_MM))
def test_the_sheet_holds_every_marker_at_its_own_size(paper):
    """The page is drawn from its own instructions, at ten pixels a millimetre, and measured."""
    page = marker_sheet(paper).decode("latin-1")
    width, height = (float(v) * 25.4 / 72 for v in re.search(r"MediaBox \[0 0 (\S+) (\S+)\]", page).groups())
    assert (width, height) == pytest.approx(PAPERS_MM[paper], abs=0.01)
    per_mm = 10
    sheet = np.full((round(height * per_mm), round(width * per_mm)), 255, np.uint8)
    boxes = re.findall(r"^(\S+) g (\S+) (\S+) (\S+) (\S+) re f$", page, re.MULTILINE)
    for grey, *numbers in boxes:
        x, y, w, h = (float(v) * 25.4 / 72 * per_mm for v in numbers)
        top = round(height * per_mm - y - h)
        assert x >= 5 * per_mm and y >= 5 * per_mm and x + w <= (width - 5) * per_mm
        sheet[top : round(height * per_mm - y), round(x) : round(x + w)] = 255 * float(grey)
    seen = Photo(np.ascontiguousarray(np.repeat(sheet[..., None], 3, axis=2)))
    found = scale.from_marker(seen)
    assert found.mm_per_pixel(tuple(found.marker.mean(axis=0))) == pytest.approx(0.1, rel=0.003)
    assert 1 + len(found.other_markers) == len(scale.MARKER_SIZES_MM)
    # the check bar is the widest thin box
    bar = max(float(w) for _, _, _, w, h in boxes if float(h) < 3.0)
    assert bar * 25.4 / 72 == pytest.approx(100.0, abs=0.01)


def test_the_sheet_is_a_pdf_whose_table_points_at_its_parts():
    data = marker_sheet()
    assert data.startswith(b"%PDF-1.4") and data.endswith(b"%%EOF\n")
    start = int(re.search(rb"startxref\n(\d+)", data).group(1))
    assert data[start : start + 4] == b"xref"
    for number, place in enumerate(re.findall(rb"^(\d{10}) 00000 n", data, re.MULTILINE), 1):
        assert data[int(place) :].startswith(b"%d 0 obj" % number)
    with pytest.raises(ValueError, match="expected one of a4, letter"):
        marker_sheet("napkin")


def test_a_photo_of_the_simulated_camera_gives_its_scale(plain):
    found = scale.from_marker(photo.decode(plain[0]))
    # 120 mm over 1200 pixels
    assert found.mm_per_pixel((600.0, 450.0)) == pytest.approx(0.1, rel=0.01)
