"""`tackfree import`: a shop's notes from CSV, over a real record store."""

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector import shop_import
from collector.cli import main
from collector.errors import RecordError
from collector.records.repository import open_records
from collector.settings import Settings, Shop

ROOT = Path(__file__).parents[2]
LACQUER = "Nitrocellulose lacquer, clear"
NOW = datetime(2026, 6, 1, tzinfo=UTC)
OURS = Settings(shop=Shop(time_zone="Europe/Berlin"))


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    return tmp_path


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    opened = open_records(f"sqlite:///{tmp_path_factory.mktemp('shop') / 'records.sqlite'}")
    yield opened
    opened.close()


def lines_of(*rows: dict) -> str:
    out = io.StringIO(newline="")
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(out, names)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def row(**more) -> dict:
    return {"piece": "Lap steel 9", "material": LACQUER, "started_at": "2026-03-02T09:30", **more}


def run(folder: Path, text: str | bytes, *arguments: str):
    file = folder / "notes.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return CliRunner().invoke(main, ["import", str(file), *arguments])


def held(folder: Path):
    opened = open_records(f"sqlite:///{folder / 'records.sqlite'}")
    try:
        return opened.pieces(include_done=True), opened.coats(), opened.audit()
    finally:
        opened.close()


def test_the_example_is_told_written_and_then_there_already(shop):
    text = (ROOT / "docs" / "notes-example.csv").read_text(encoding="utf-8")
    dry = run(shop, text)
    assert dry.exit_code == 0
    assert "2 pieces and 2 coats would be made, 0 there already, 0 lines refused." in dry.output
    assert "line 3: taken: no end noted" in dry.output
    assert held(shop)[:2] == ([], [])
    assert "2 pieces and 2 coats made" in run(shop, text, "--write").output
    pieces, coats, _ = held(shop)
    again = run(shop, text, "--write")
    assert "0 pieces and 0 coats made, 3 there already" in again.output
    assert "line 2: there already: coat on Tom shell 12 x 8, birch, 2026-03-02 09:30" in again.output
    assert held(shop)[:2] == (pieces, coats)
    first = min(coats, key=lambda coat: coat.started_at)
    assert first.started_at == datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
    assert (first.wet_film_low_um, first.wet_film_high_um, first.sprayed_ml) == (75, 100, 80)
    assert (first.mix.material.name, first.mix.reducer_fraction) == (LACQUER, 0.5)


def test_us_units_are_put_into_ours(shop):
    text = lines_of(row(wet_film_mil="3-4", sprayed_fl_oz="3", thickness_in="1.75"))
    run(shop, text, "--write")
    (piece,), (coat,), _ = held(shop)
    # 1 mil = 25.4 µm, 1 in = 25.4 mm, 1 US fl oz = 29.5735 ml (NIST SP 811)
    assert piece.thickness_mm == pytest.approx(44.45)
    assert (coat.wet_film_low_um, coat.wet_film_high_um) == (pytest.approx(76.2), pytest.approx(101.6))
    assert coat.sprayed_ml == pytest.approx(88.7205, rel=1e-5)


def test_one_refused_line_and_nothing_at_all_is_written(shop):
    text = lines_of(row(), row(piece="Other", reducer_fraction="a bit"), row(started_at="2026-03-03T09:30"))
    result = run(shop, text, "--write")
    assert result.exit_code == 1
    assert "line 3: REFUSED: reducer_fraction 'a bit'; expected a number with a decimal point" in result.output
    assert "Nothing was written." in result.output
    assert held(shop)[0] == []


def test_what_the_store_refuses_half_way_leaves_nothing_behind(shop):
    opened = open_records(f"sqlite:///{shop / 'records.sqlite'}")
    before = opened.audit()
    text = lines_of(row(), row(piece="Lap steel 10"))
    notes = shop_import.read(text, opened, OURS, NOW)
    late = shop_import.read(lines_of(row(piece="Lap steel 10")), opened, OURS, NOW)
    shop_import.write(late, opened)
    after = opened.audit()
    with pytest.raises(RecordError, match="there is a piece 'Lap steel 10' already"):
        shop_import.write(notes, opened)
    assert [piece.name for piece in opened.pieces()] == ["Lap steel 10"]
    assert opened.audit() == after != before
    opened.close()


@pytest.mark.parametrize(
    ("change", "field", "right"),
    [
        ({"piece": ""}, "piece", "the name of the piece"),
        ({"substrate": "oak"}, "substrate", "one of maple"),
        ({"material": "Nitrocelulose lacquer, clear"}, "material", "did you mean 'Nitrocellulose lacquer, clear'"),
        ({"material": ""}, "material", "something, as the line has started_at"),
        ({"started_at": ""}, "started_at", "something, as the line has material"),
        ({"started_at": "3/2/2026"}, "started_at", "a day or time such as 2025-03-14"),
        ({"started_at": "2026-02-30"}, "started_at", "a day or time such as"),
        ({"started_at": "2036-02-01"}, "started_at", "a time that is past"),
        ({"started_at": "2026-03-29T02:30"}, "started_at", "put forward over it"),
        ({"started_at": "2025-10-26T02:30"}, "started_at", "one with +02:00 or +01:00 behind it"),
        ({"ended_at": "2026-03-02T09:00"}, "ended_at", "is before started_at"),
        ({"passes": "2.5"}, "passes", "a whole number"),
        ({"passes": "99"}, "passes", "1 to 50"),
        ({"wet_film_um": "100-75"}, "wet_film_high_um", "100 to 5000"),
        ({"wet_film_um": "75", "wet_film_mil": "3"}, "wet_film_mil", "either this or wet_film_um"),
        ({"sprayed_ml": "1,5"}, "sprayed_ml", "a decimal point"),
        ({"sprayed_ml": "-5"}, "sprayed_ml", "a decimal point"),
        ({"reducer_fraction": "nan"}, "reducer_fraction", "a decimal point"),
        ({"reducer_fraction": "50"}, "reducer_fraction", "0 to 5"),
        ({"thickness_mm": "0"}, "thickness_mm", "0.1 to 500"),
    ],
)
def test_a_refused_field_is_told_with_what_would_be_right(records, change, field, right):
    notes = shop_import.read(lines_of(row(**change)), records, OURS, NOW)
    assert (notes.pieces, notes.coats) == ((), ())
    (refused,) = notes.refused
    assert (refused.line, refused.field) == (2, field)
    assert right in refused.right


def test_the_hour_that_was_twice_is_taken_with_its_offset(records):
    notes = shop_import.read(lines_of(row(started_at="2025-10-26T02:30+01:00")), records, OURS, NOW)
    assert notes.coats[0][2].started_at == datetime(2025, 10, 26, 1, 30, tzinfo=UTC)


def test_a_day_alone_is_its_noon_and_two_of_them_are_refused(records):
    day = row(started_at="2026-03-02")
    notes = shop_import.read(lines_of(day, day), records, OURS, NOW)
    assert notes.coats[0][2].started_at == datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
    assert (2, "started_at has no time of day: noon is taken") in notes.assumed
    assert (notes.refused[0].line, notes.refused[0].right) == (3, "another start; line 2 has a coat then")


def test_a_piece_told_twice_otherwise_is_refused(records):
    rows = [row(substrate="alder"), row(started_at="2026-03-03", substrate="maple"), row(started_at="2026-03-04")]
    notes = shop_import.read(lines_of(*rows), records, OURS, NOW)
    assert [piece.substrate for piece in notes.pieces] == ["alder"]
    assert notes.refused[0].right == "the same as in line 2 (alder), or nothing"
    assert len(notes.coats) == 2


def test_line_numbers_hold_over_quoted_line_breaks_and_empty_lines(records):
    text = 'piece,piece_note,thickness_mm\n"A","two\nlines",5\n\n,,\nB,,thick\n'
    notes = shop_import.read(text, records, OURS, NOW)
    assert [one.line for one in notes.refused] == [6]
    assert notes.pieces[0].note == "two\nlines"


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_other_delimiters_and_a_byte_order_mark_are_read(shop, delimiter):
    text = f"Piece{delimiter}substrate\r\nLap steel 9{delimiter}Alder\r\n"
    result = run(shop, b"\xef\xbb\xbf" + text.encode(), "--json")
    assert json.loads(result.output)["pieces"] == ["Lap steel 9"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "the file is empty"),
        (b"name,substrate\nx,maple\n", "unknown column 'name'; expected some of piece"),
        (b"substrate\nmaple\n", "the column piece is missing"),
        (b"piece,piece\nx,y\n", "column piece is there twice"),
        (b"piece\nSch\xf6n\n", "is not UTF-8; save it as CSV UTF-8"),
        (b"piece\nA\0B\n", "NUL character"),
    ],
)
def test_a_file_that_will_not_do_ends_with_one_line(shop, text, words):
    result = run(shop, text)
    assert result.exit_code == 1
    assert words in result.output
    assert "Traceback" not in result.output


def test_a_quote_left_open_is_refused_with_its_line(records):
    notes = shop_import.read('piece,piece_note\nA,fine\nB,"open\nC,lost\n', records, OURS, NOW)
    assert [one.line for one in notes.refused] == [3]
    assert "quotes closed" in notes.refused[0].right


CELLS = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        ["", "A", "a", LACQUER, "2026-03-02", "2026-03-29T02:30", "0001-01-01", "9999-12-31T23:59", "1e999", "75-100",
         "٣", "-", "0", "1e-9", '"', "+", "2026-03-02T09:30+99:99", "maple"]
    ),
    st.floats().map(str),
)  # fmt: skip


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    names=st.lists(st.sampled_from(shop_import.COLUMNS), unique=True, max_size=12),
    rows=st.lists(st.lists(CELLS, max_size=14), max_size=6),
)
def test_whatever_the_cells_hold_every_row_is_taken_there_or_refused(records, names, rows):
    out = io.StringIO(newline="")
    csv.writer(out).writerows([["piece", *(name for name in names if name != "piece")], *rows])
    try:
        notes = shop_import.read(out.getvalue(), records, OURS, NOW)
    except RecordError as error:
        assert "NUL" in str(error)
        return
    told = {one.line for one in notes.refused}
    for line, name, coat in notes.coats:
        assert line not in told
        assert name.strip() and coat.started_at <= NOW
        assert any(piece.name.casefold() == name.casefold() for piece in notes.pieces)
    for one in notes.refused:
        assert one.right and one.field


@settings(max_examples=200, deadline=None)
@given(text=st.text(max_size=300))
def test_any_text_at_all_is_read_or_refused_in_words(records, text):
    for whole in (text, f"piece,material,started_at\n{text}"):
        try:
            shop_import.read(whole, records, OURS, NOW)
        except RecordError as error:
            assert str(error)
