"""Sandings in the record store: kept whole, audited, brought back."""

from datetime import UTC, datetime

import pytest

from collector.errors import NotFound
from collector.records.model import Piece, Sanding
from collector.records.repository import open_records

AT = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture
def records(tmp_path):
    opened = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    yield opened
    opened.close()


def test_a_sanding_comes_back_as_it_was_stored(records):
    piece = records.add_piece(Piece(name="Lap steel 3"))
    stored = records.add_sanding(
        Sanding(
            piece_id=piece.id,
            at=AT,
            grits=("P800", "P1000"),
            zone="rim",
            texture_um=12.5,
            texture_grade=3,
            compounded=True,
            through=True,
            through_at="compound",
            fresh=("P1000",),
            minutes=35.0,
            area_m2=0.25,
            note="on the block",
        )
    )
    back = records.add_sanding(Sanding(piece_id=piece.id, at=AT, sanded_back=True))
    assert records.sandings(piece.id) == [stored, back]
    assert back.grits == ()


def test_a_deleted_sanding_is_gone_until_it_is_brought_back(records):
    piece = records.add_piece(Piece(name="Lap steel 3"))
    stored = records.add_sanding(Sanding(piece_id=piece.id, at=AT, grits=("P800",)))
    entry = records.delete("sanding", stored.id)
    assert records.sandings() == []
    records.undo(entry.id)
    assert records.sandings() == [stored]
    assert [each.action for each in records.audit("sanding", stored.id)] == ["undo", "delete", "create"]


def test_a_sanding_needs_its_piece_and_goes_with_it(records):
    with pytest.raises(NotFound, match="there is no piece 7"):
        records.add_sanding(Sanding(piece_id=7, at=AT, grits=("P800",)))
    piece = records.add_piece(Piece(name="Lap steel 3"))
    records.add_sanding(Sanding(piece_id=piece.id, at=AT, grits=("P800",)))
    records.delete("piece", piece.id)
    assert records.sandings() == []
