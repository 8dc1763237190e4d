"""Whatever the order of starting, ending, deleting and undoing: never two open coats on one piece, undo exact."""

import shutil
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, rule

from collector.errors import Conflict, NotFound
from collector.records.model import Mix, Piece
from collector.records.repository import open_records

START = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)


class Bench(RuleBasedStateMachine):
    """Two pieces at one bench."""

    changes = Bundle("changes")

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
        was_open = self.records.open_coat(self.pieces[which])
        try:
            self.records.start_coat(self.pieces[which], self.mix.id, "booth-1", self.tick())
            assert was_open is None
        except Conflict:
            assert was_open is not None

    @rule(which=st.integers(0, 1))
    def end(self, which):
        was_open = self.records.open_coat(self.pieces[which])
        try:
            self.records.end_coat(self.pieces[which], self.tick())
            assert was_open is not None
        except Conflict:
            assert was_open is None

    @rule(target=changes, position=st.integers(0, 5))
    def delete(self, position):
        coats = self.records.coats()
        if not coats:
            return None
        before = self.records.coats()
        coat = coats[position % len(coats)]
        entry = self.records.delete("coat", coat.id)
        assert [c for c in before if c.id != coat.id] == self.records.coats()
        return entry.id

    @rule(change=changes)
    def undo(self, change):
        if change is None:
            return
        count = len(self.records.coats())
        try:
            self.records.undo(change)
            assert len(self.records.coats()) == count + 1
        except (Conflict, NotFound):
            assert len(self.records.coats()) == count

    @invariant()
    def at_most_one_open_coat_a_piece(self):
        open_pieces = [coat.piece_id for coat in self.records.open_coats()]
        assert len(open_pieces) == len(set(open_pieces))
        assert {c.piece_id for c in self.records.coats() if c.ended_at is None} == set(open_pieces)

    def teardown(self):
        self.records.close()
        shutil.rmtree(self.folder)


TestBench = Bench.TestCase
TestBench.settings = settings(max_examples=12, stateful_step_count=20, deadline=None)
