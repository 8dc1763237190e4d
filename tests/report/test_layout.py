"""The PDF, opened with Poppler: nothing off the page, nothing on top of something else, every coat drawn to scale."""

import importlib.util
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from collector.records.model import Coat, Mix, Piece
from collector.report.figures import KIND_COLOURS

_spec = importlib.util.spec_from_file_location("poppler", Path(__file__).with_name("poppler.py"))
poppler = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(poppler)

PIECES = [
    "Drum shell 13 x 7, crackle",
    "Lap steel, six string, mahogany",
    "Lap steel, eight string, alder",
    "Lap steel 3, alder, gold",
    "Cigar-box guitar 1",
    "Cigar-box guitar 3",
]
LEAST_EDGE_PT = 20.0
PT_A4, PT_LETTER = (595.28, 841.89), (612.0, 792.0)


@pytest.fixture(scope="module")
def pdf_of(demo, tmp_path_factory):
    made: dict[tuple[str, str, str], Path] = {}

    def make(piece: str, reader: str, units: str = "metric") -> Path:
        key = (piece, reader, units)
        if key not in made:
            file = demo.file(piece, reader, "pdf", units)
            made[key] = tmp_path_factory.mktemp(units) / file.name
            made[key].write_bytes(file.content)
        return made[key]

    return make


def overlaps(words):
    """Pairs of words that lie on each other by more than a line's usual crowding."""
    found = []
    for i, a in enumerate(words):
        for b in words[i + 1 :]:
            across = min(a.right, b.right) - max(a.left, b.left)
            down = min(a.bottom, b.bottom) - max(a.top, b.top)
            if across > 0.8 and down > 0.35 * min(a.bottom - a.top, b.bottom - b.top):
                found.append((a.text, b.text))
    return found


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("reader", ["customer", "shop"])
@pytest.mark.parametrize("piece", PIECES)
def test_every_word_is_on_the_page_and_none_on_another(pdf_of, piece, reader, units):
    pages = poppler.pages_of(pdf_of(piece, reader, units))
    assert 1 <= len(pages) <= 8
    for page in pages:
        assert page.words
        for word in page.words:
            assert word.left >= LEAST_EDGE_PT and word.right <= page.width - LEAST_EDGE_PT, word
            assert word.top >= LEAST_EDGE_PT and word.bottom <= page.height - LEAST_EDGE_PT, word
        assert overlaps(page.words) == []


@pytest.mark.parametrize(("units", "size"), [("metric", PT_A4), ("us", PT_LETTER)])
def test_the_paper_follows_the_units(pdf_of, units, size):
    for page in poppler.pages_of(pdf_of("Cigar-box guitar 1", "customer", units)):
        assert (page.width, page.height) == pytest.approx(size, abs=0.5)


def test_no_page_is_blank_or_nearly_black(pdf_of, tmp_path):
    for picture in poppler.pictures_of(pdf_of("Lap steel, six string, mahogany", "shop"), tmp_path):
        inked = float((picture < 200).any(axis=2).mean())
        assert 0.002 < inked < 0.3


def test_every_coat_is_drawn_as_high_as_its_film(demo, pdf_of, tmp_path):
    piece = "Drum shell 13 x 7, crackle"
    picture = poppler.pictures_of(pdf_of(piece, "customer"), tmp_path)[0].astype(int)
    films = {each.coat.mix.material.role: each.film.um for each in demo.record(piece).coats}
    assert set(films) == {"base", "crackle", "clear"}
    # Down a line through the middle of the stack, left of the intervals.
    column = picture[:, round((18 + 22 + 10) / 25.4 * poppler.DPI)]
    rows = {}
    for role in films:
        wanted = np.array([int(KIND_COLOURS[role][i : i + 2], 16) for i in (1, 3, 5)])
        rows[role] = np.flatnonzero(np.abs(column - wanted).max(axis=1) < 12)
    assert rows["clear"].max() < rows["crackle"].min() < rows["crackle"].max() < rows["base"].min()
    per_um = {role: len(rows[role]) / um for role, um in films.items()}
    # A row or two go to the line round each coat, of some seventy.
    assert per_um["crackle"] == pytest.approx(per_um["clear"], rel=0.06)
    assert per_um["base"] == pytest.approx(per_um["clear"], rel=0.06)


def test_each_coat_has_its_label_from_the_top_of_the_stack_down(pdf_of):
    page = poppler.pages_of(pdf_of("Lap steel, six string, mahogany", "customer"))[0]
    numbers = [w for w in page.words if w.text in list("12345") and 290 < w.left < 310]
    assert [w.text for w in sorted(numbers, key=lambda w: w.top)] == ["5", "4", "3", "2", "1"]


def test_forty_coats_still_fit_the_page(own, tmp_path):
    piece = own.records.add_piece(Piece(name="Many coats", substrate="maple"))
    mix = own.records.add_mix(Mix(material=own.records.materials()[0]))
    for i in range(40):
        at = datetime(2026, 11, 4, 15, 0, tzinfo=UTC) + timedelta(hours=8 * i)
        own.records.log_coat(
            Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at + timedelta(minutes=5),
                 wet_film_low_um=75, wet_film_high_um=100)
        )  # fmt: skip
    file = tmp_path / "many.pdf"
    file.write_bytes(own.file("Many coats", "customer", "pdf").content)
    for page in poppler.pages_of(file):
        assert overlaps(page.words) == []
        assert all(word.bottom <= page.height - LEAST_EDGE_PT for word in page.words)


def test_letters_of_other_languages_and_control_characters_do_no_harm(own, tmp_path):
    name = "Čtyřhran Łódź № 7 – ½ µm"
    own.records.add_piece(Piece(name=name, note="bell \x07 and 漆"))
    file = tmp_path / "letters.pdf"
    file.write_bytes(own.file(name, "shop", "pdf").content)
    assert name in poppler.flowing_text_of(file)
