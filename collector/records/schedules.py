"""Schedules as the record store keeps them: one a piece, every change audited, every change undoable."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from collector.errors import NotFound
from collector.records.connections import session_on, writer_of
from collector.records.rows import change, insert, live
from collector.records.schedule import Schedule, Step, numbered, step_from, step_to
from collector.records.tables import PieceRow, ScheduleRow


class ScheduleBook:
    """The schedules of the pieces."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._writer = writer_of(engine)

    def all(self) -> dict[int, Schedule]:
        """Every piece's schedule, by piece."""
        with self._reading() as session:
            found = session.scalars(select(ScheduleRow).where(ScheduleRow.deleted_at.is_(None)))
            return {row.piece_id: _schedule(row) for row in found}

    def of(self, piece_id: int) -> Schedule | None:
        """A piece's schedule, if it has one."""
        with self._reading() as session:
            row = session.scalar(select(ScheduleRow).where(ScheduleRow.live_piece_id == piece_id))
            return None if row is None else _schedule(row)

    def copy(self, schedule: Schedule) -> Schedule:
        """Store a piece's schedule; one it has already is replaced, which can be undone."""
        steps = numbered(schedule.steps)
        with self._writing() as session:
            piece = live(session, PieceRow, "piece", schedule.piece_id, lock=True)
            row = session.scalar(select(ScheduleRow).where(ScheduleRow.live_piece_id == piece.id))
            columns = {
                "template": schedule.template,
                "steps": [step_to(step) for step in steps],
                "copied_at": schedule.copied_at,
            }
            if row is None:
                row = ScheduleRow(piece_id=piece.id, live_piece_id=piece.id, **columns)
                insert(session, row, "schedule", f"{piece.name!r} has a schedule already", "copy")
            else:
                change(session, row, "schedule", "copy", columns)
            return _schedule(row)

    def edit(self, schedule_id: int, steps: tuple[Step, ...]) -> Schedule:
        """Store changed steps."""
        with self._writing() as session:
            row = live(session, ScheduleRow, "schedule", schedule_id, lock=True)
            edited = replace(_schedule(row), steps=numbered(steps))
            change(session, row, "schedule", "edit", {"steps": [step_to(step) for step in edited.steps]})
            return edited

    def tick(self, schedule_id: int, step_id: int, at: datetime | None, minutes: float | None = None) -> Schedule:
        """Note that a step is done, or, with ``at`` None, that it is not; the other steps stay as they are now.

        Parameters
        ----------
        minutes : float, optional
            How long hands were on it. [min]
        """
        with self._writing() as session:
            row = live(session, ScheduleRow, "schedule", schedule_id, lock=True)
            held = _schedule(row)
            ticked = replace(held.step(step_id), done_at=at, done_min=minutes if at is not None else None)
            steps = tuple(ticked if step.id == step_id else step for step in held.steps)
            made = replace(held, steps=steps)
            action = "tick" if at is not None else "untick"
            change(session, row, "schedule", action, {"steps": [step_to(step) for step in steps]})
            return made

    def required(self, piece_id: int, name: str) -> Schedule:
        """A piece's schedule; NotFound if it has none."""
        found = self.of(piece_id)
        if found is None:
            raise NotFound(f"{name!r} follows no schedule; copy a template to it first")
        return found

    def _reading(self) -> AbstractContextManager[Session]:
        return session_on(self._engine)

    def _writing(self) -> AbstractContextManager[Session]:
        return session_on(self._writer)


def _schedule(row: ScheduleRow) -> Schedule:
    return Schedule(
        id=row.id,
        piece_id=row.piece_id,
        template=row.template,
        steps=tuple(step_from(step) for step in row.steps),
        copied_at=row.copied_at,
    )
