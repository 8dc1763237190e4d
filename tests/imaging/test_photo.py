"""What is taken for a photo, and what is refused with a word that helps."""

import struct

import cv2
import numpy as np
import pytest

from collector.imaging import photo
from collector.imaging.photo import PhotoRefused


def jpeg(width=400, height=300):
    picture = np.zeros((height, width, 3), np.uint8)
    picture[: height // 2] = 255
    return cv2.imencode(".jpg", picture)[1].tobytes()


def turned(data, orientation):
    """The same file with an EXIF orientation, written by hand after the TIFF 6.0 layout."""
    tiff = b"II*\0" + struct.pack("<I", 8) + struct.pack("<HHHII", 1, 0x0112, 3, 1, orientation) + b"\0\0\0\0"
    body = b"Exif\0\0" + tiff
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]


def test_a_photo_held_sideways_is_turned_upright():
    plain, sideways = photo.decode(jpeg()), photo.decode(turned(jpeg(), 6))
    assert (plain.width, plain.height) == (400, 300)
    assert (sideways.width, sideways.height) == (300, 400)
    # orientation 6: the first row stored is the right-hand side
    assert sideways.pixels[:, -20:].mean() > 200 > 60 > sideways.pixels[:, :20].mean()


def test_linear_light_is_that_of_the_standard():
    # IEC 61966-2-1: stored 188 of 255 is half the light, within a step
    grey = photo.Photo(np.full((2, 2, 3), 188, np.uint8))
    assert grey.linear()[0, 0, 0] / 65_535 == pytest.approx(0.5, abs=0.005)
    assert photo.Photo(np.full((2, 2, 3), 255, np.uint8)).linear().max() == 65_535


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "broken, or no picture"),
        (b"not a photo at all, only words", "broken, or no picture"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 99, "HEIC"),
        (jpeg(120, 90), "120 x 90 pixels; expected at least 200"),
        (jpeg()[:40], "broken, or no picture"),
    ],
    ids=["empty", "words", "heic", "tiny", "cut short"],
)
def test_what_is_no_photo_is_refused_with_a_word_that_helps(data, words):
    with pytest.raises(PhotoRefused, match=words):
        photo.decode(data, "file.jpg")


def test_a_file_that_is_not_there_is_refused_by_name(tmp_path):
    with pytest.raises(PhotoRefused, match=r"gone\.jpg"):
        photo.read(tmp_path / "gone.jpg")


def test_a_file_beyond_the_limit_is_refused_before_it_is_decoded():
    with pytest.raises(PhotoRefused, match="expected at most 40 MB"):
        photo.decode(jpeg() + b"\0" * photo.LARGEST_BYTES)
