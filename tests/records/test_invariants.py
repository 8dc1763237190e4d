"""Whatever the order of starting, ending, deleting and undoing: never two open coats on one piece, undo exact."""

import shutil
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from collector.errors import Conflict, NotFound
from collector.records.model import Mix, Piece
from collector.records.repository import open_records

START = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)


class Bench(RuleBasedStateMachine):
    """Two pieces at one bench."""

    def __init__(self):
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.records = open_records(f"sqlite:///{self.folder / 'records.sqlite'}")
        self.mix = self.records.add_mix(Mix(material=self.records.materials()[0]))
        self.pieces = [self.records.add_piece(Piece(name=name)).id for name in ("Snare shell", "Cigar box 2")]
        self.clock = START

    def tick(self):
        self.clock += timedelta(minutes=1)
        return self.clock

    @rule(which=st.integers(0, 1))
    def start(self, which):
        piece_id = self.pieces[which]
        was_there = piece_id in [piece.id for piece in self.records.pieces()]
        was_open = self.records.open_coat(piece_id)
        try:
            self.records.start_coat(piece_id, self.mix.id, "booth-1", self.tick())
            assert was_there and was_open is None
        except Conflict:
            assert was_open is not None
        except NotFound:
            assert not was_there

    @rule(which=st.integers(0, 1))
    def end(self, which):
        piece_id = self.pieces[which]
        was_there = piece_id in [piece.id for piece in self.records.pieces()]
        was_open = self.records.open_coat(piece_id)
        try:
            self.records.end_coat(piece_id, self.tick())
            assert was_open is not None
        except Conflict:
            assert was_open is None
        except NotFound:
            assert not was_there

    @rule(position=st.integers(0, 5), passes=st.integers(1, 4))
    def correct(self, position, passes):
        coats = self.records.coats()
        if coats:
            corrected = replace(coats[position % len(coats)], passes=passes)
            self.records.edit_coat(corrected)
            assert self.records.coat(corrected.id) == corrected

    @rule(position=st.integers(0, 5))
    def delete_a_coat(self, position):
        before = self.records.coats()
        if before:
            coat = before[position % len(before)]
            self.records.delete("coat", coat.id)
            assert [other for other in before if other.id != coat.id] == self.records.coats()

    @rule(which=st.integers(0, 1))
    def delete_a_piece(self, which):
        was_open = self.records.open_coat(self.pieces[which])
        was_there = self.pieces[which] in [piece.id for piece in self.records.pieces()]
        try:
            self.records.delete("piece", self.pieces[which])
            assert was_there and was_open is None
        except Conflict:
            assert was_open is not None
        except NotFound:
            assert not was_there

    @rule(back=st.integers(0, 6))
    def undo(self, back):
        audit = [entry for entry in self.records.audit() if entry.record in ("coat", "piece")]
        entry = audit[back % len(audit)]
        pieces, coats = self.records.pieces(), self.records.coats()
        try:
            made = self.records.undo(entry.id)
        except Conflict:
            assert (pieces, coats) == (self.records.pieces(), self.records.coats())
            assert audit[0] == self.records.audit()[0]
            return
        assert (made.record, made.record_id, made.before) == (entry.record, entry.record_id, entry.after)
        if entry.before is None:
            assert made.after["deleted_at"] is not None
        else:
            assert made.after == entry.before

    @rule()
    def undo_the_newest_twice(self):
        pieces, coats = self.records.pieces(), self.records.coats()
        try:
            self.records.undo(self.records.audit()[0].id)
        except Conflict:
            return
        self.records.undo(self.records.audit()[0].id)
        assert (pieces, coats) == (self.records.pieces(), self.records.coats())

    @invariant()
    def at_most_one_open_coat_a_piece(self):
        open_pieces = [coat.piece_id for coat in self.records.open_coats()]
        assert len(open_pieces) == len(set(open_pieces))
        assert {c.piece_id for c in self.records.coats() if c.ended_at is None} == set(open_pieces)

    @invariant()
    def every_open_coat_can_be_ended(self):
        in_hand = {piece.id for piece in self.records.pieces()}
        assert {coat.piece_id for coat in self.records.open_coats()} <= in_hand

    def teardown(self):
        self.records.close()
        shutil.rmtree(self.folder)


TestBench = Bench.TestCase
TestBench.settings = settings(max_examples=15, stateful_step_count=25, deadline=None)
