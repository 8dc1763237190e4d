"""The shop's records in a relational database: every change audited, every deletion undoable.

Each call is one short transaction, so dashboard, command line and collector can use one database at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from collector.errors import Conflict, NotFound, StoreError
from collector.records import documents, rows
from collector.records.alerts import AlertBook
from collector.records.connections import connect, session_on, writer_of
from collector.records.migrations.runner import bring_up_to_date
from collector.records.model import (
    AuditEntry,
    BoothSetup,
    Check,
    Coat,
    Material,
    Mix,
    Outcome,
    Piece,
    PiecePlace,
    Sanding,
    SolventUse,
)
from collector.records.rows import (
    GIVEN_UP,
    by_name,
    change,
    coats_with_mixes,
    columns_of,
    fields_of,
    held,
    insert,
    live,
    loaded,
    name_key,
    sanding_columns,
    state_of,
    table_of,
    to_coat,
    to_entry,
    to_material,
    to_mix,
    to_piece,
    to_sanding,
    version_row,
)
from collector.records.schedules import ScheduleBook
from collector.records.tables import (
    AuditRow,
    BoothSetupRow,
    CheckRow,
    CoatRow,
    MaterialRow,
    MaterialVersionRow,
    MixRow,
    OutcomeRow,
    PiecePlaceRow,
    PieceRow,
    PressRow,
    SandingRow,
    SolventUseRow,
)

BEFORE_SPRAYING: Final = timedelta(minutes=30)
LONGEST_OPEN: Final = timedelta(hours=24)
"""A coat nobody ended keeps readings for a day."""


def open_records(url: str) -> Records:
    """Open the record store, bring its tables up to date, and fill a new one with the example materials.

    Parameters
    ----------
    url : str
        SQLAlchemy database URL.

    Raises
    ------
    StoreTooNew
        If a newer version of tackfree wrote it.
    StoreError
        If it cannot be opened or written.
    """
    engine = connect(url)
    try:
        bring_up_to_date(engine, writer_of(engine), _add_examples)
    except DBAPIError as error:
        engine.dispose()
        raise StoreError(f"record store {engine.url.render_as_string()} cannot be opened: {error.orig}") from error
    except BaseException:
        engine.dispose()
        raise
    return Records(engine)


class Records:
    """Pieces, materials, mixes, coats, checks and outcomes; see :mod:`collector.records.model`."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._writer = writer_of(engine)
        self.alerts = AlertBook(engine)
        self.schedules = ScheduleBook(engine)

    def close(self) -> None:
        """Release the database."""
        self._engine.dispose()

    # Materials

    def materials(self, include_deleted: bool = False) -> list[Material]:
        """All materials in their newest version, by name."""
        with self._reading() as session:
            query = (
                select(MaterialRow, MaterialVersionRow)
                .join(MaterialVersionRow, MaterialVersionRow.material_id == MaterialRow.id)
                .where(MaterialVersionRow.version == MaterialRow.version)
                .order_by(MaterialRow.name)
            )
            if not include_deleted:
                query = query.where(MaterialRow.deleted_at.is_(None))
            return [to_material(row, version) for row, version in session.execute(query).tuples()]

    def material(self, name_or_id: str | int) -> Material:
        """One material in its newest version, by number or by name in any case."""
        with self._reading() as session:
            row = by_name(session, MaterialRow, "material", name_or_id)
            return to_material(row, version_row(session, row.id, row.version))

    def add_material(self, material: Material) -> Material:
        """Add a material; its name must be free."""
        with self._writing() as session:
            return rows.add_material(session, material)

    def edit_material(self, material: Material) -> Material:
        """Store a changed material as its next version; coats keep the version they were sprayed with."""
        with self._writing() as session:
            return rows.edit_material(session, material)

    def import_materials_toml(self, source: Path | str) -> list[Material]:
        """Read materials from TOML (a path, or the text itself); a name that exists becomes a new version.

        Raises
        ------
        RecordError
            Naming the file, or the material and the field; then nothing is written.
        """
        read = documents.materials_from_toml(documents.text_of(source) if isinstance(source, Path) else source)
        with self._writing() as session:
            live_names = select(MaterialRow.name_key, MaterialRow.id).where(MaterialRow.deleted_at.is_(None))
            named = {key: number for key, number in session.execute(live_names).tuples()}
            return [
                rows.add_material(session, material)
                if (held_id := named.get(name_key(material.name))) is None
                else rows.edit_material(session, replace(material, id=held_id))
                for material in read
            ]

    def export_materials_toml(self) -> str:
        """All materials as TOML that :meth:`import_materials_toml` reads."""
        return documents.materials_to_toml(self.materials())

    # Mixes

    def add_mix(self, mix: Mix) -> Mix:
        """Add a mix of a stored material version."""
        with self._writing() as session:
            version = version_row(session, mix.material.id, mix.material.version)
            row = MixRow(material_version_id=version.id, **columns_of(mix, skip=("material",)))
            insert(session, row, "mix", "this mix exists already")
            return replace(mix, id=row.id)

    def mix(self, mix_id: int) -> Mix:
        """One mix, by number."""
        with self._reading() as session:
            return to_mix(session, live(session, MixRow, "mix", mix_id))

    def mixes(self, recent: int = 20) -> list[Mix]:
        """The newest mixes, newest first."""
        with self._reading() as session:
            found = session.scalars(
                select(MixRow).where(MixRow.deleted_at.is_(None)).order_by(MixRow.id.desc()).limit(recent)
            )
            return [to_mix(session, row) for row in found]

    # Pieces

    def pieces(self, include_done: bool = False) -> list[Piece]:
        """Pieces in hand, by name; finished ones too if asked."""
        with self._reading() as session:
            query = select(PieceRow).where(PieceRow.deleted_at.is_(None)).order_by(PieceRow.name)
            if not include_done:
                query = query.where(PieceRow.done_at.is_(None))
            return [to_piece(row) for row in session.scalars(query)]

    def piece(self, name_or_id: str | int) -> Piece:
        """One piece, by number or by name in any case."""
        with self._reading() as session:
            return to_piece(by_name(session, PieceRow, "piece", name_or_id))

    def add_piece(self, piece: Piece) -> Piece:
        """Add a piece; its name must be free."""
        with self._writing() as session:
            row = PieceRow(name_key=name_key(piece.name), **columns_of(piece))
            insert(session, row, "piece", f"there is a piece {piece.name!r} already")
            return replace(piece, id=row.id)

    def edit_piece(self, piece: Piece) -> Piece:
        """Store a changed piece."""
        with self._writing() as session:
            row = live(session, PieceRow, "piece", piece.id, lock=True)
            changes = {**columns_of(piece), "name_key": name_key(piece.name)}
            change(session, row, "piece", "edit", changes, f"there is a piece {piece.name!r} already")
            return piece

    def move_piece(self, place: PiecePlace) -> PiecePlace:
        """Store where a piece was moved to; it stays there until the next move or the next coat."""
        with self._writing() as session:
            live(session, PieceRow, "piece", place.piece_id)
            row = PiecePlaceRow(**columns_of(place))
            insert(session, row, "piece_place", "this move exists already", "move")
            return replace(place, id=row.id)

    def edit_place(self, place: PiecePlace) -> PiecePlace:
        """Store a corrected move."""
        with self._writing() as session:
            row = live(session, PiecePlaceRow, "piece_place", place.id, lock=True)
            if place.piece_id != row.piece_id:
                live(session, PieceRow, "piece", place.piece_id)
            change(session, row, "piece_place", "edit", columns_of(place))
            return place

    def places(self, piece_id: int | None = None) -> list[PiecePlace]:
        """Moves of a piece, or of all, oldest first."""
        query = select(PiecePlaceRow).where(PiecePlaceRow.deleted_at.is_(None))
        if piece_id is not None:
            query = query.where(PiecePlaceRow.piece_id == piece_id)
        with self._reading() as session:
            found = session.scalars(query.order_by(PiecePlaceRow.at, PiecePlaceRow.id))
            return [PiecePlace(**fields_of(row, PiecePlace)) for row in found]

    # Coats

    def start_coat(self, piece_id: int, mix_id: int, booth: str, started_at: datetime, **details: Any) -> Coat:
        """Start a coat.

        Parameters
        ----------
        details
            Further fields of :class:`~collector.records.model.Coat`, such as ``sprayed_by``.

        Raises
        ------
        Conflict
            If a coat is open on the piece.
        """
        return self.log_coat(
            Coat(piece_id=piece_id, mix=self.mix(mix_id), booth=booth, started_at=started_at, **details)
        )

    def log_coat(self, coat: Coat) -> Coat:
        """Store a coat, open or ended."""
        with self._writing() as session:
            piece = live(session, PieceRow, "piece", coat.piece_id, lock=True)
            row = CoatRow(
                mix_id=live(session, MixRow, "mix", coat.mix.id).id,
                open_piece_id=coat.piece_id if coat.ended_at is None else None,
                **columns_of(coat, skip=("mix",)),
            )
            insert(session, row, "coat", f"a coat is open on {piece.name!r} already; end it first", "start")
            return replace(coat, id=row.id)

    def end_coat(self, piece_id: int, ended_at: datetime, **measured: Any) -> Coat:
        """End the open coat of a piece.

        Parameters
        ----------
        measured
            Further fields of :class:`~collector.records.model.Coat`, such as ``passes`` or ``wet_film_low_um``.

        Raises
        ------
        Conflict
            If no coat is open on the piece.
        """
        with self._writing() as session:
            piece = live(session, PieceRow, "piece", piece_id, lock=True)
            row = session.scalar(select(CoatRow).where(CoatRow.open_piece_id == piece_id))
            if row is None:
                raise Conflict(f"no coat is open on {piece.name!r}; start one first")
            coat = replace(to_coat(session, row), ended_at=ended_at, **measured)
            change(session, row, "coat", "end", {**columns_of(coat, skip=("mix",)), "open_piece_id": None})
            return coat

    def edit_coat(self, coat: Coat) -> Coat:
        """Store a corrected coat; its piece and mix may have been deleted since, but not those it is moved to."""
        with self._writing() as session:
            row = live(session, CoatRow, "coat", coat.id, lock=True)
            if coat.piece_id != row.piece_id or coat.ended_at is None:
                live(session, PieceRow, "piece", coat.piece_id, lock=True)
            if coat.mix.id != row.mix_id:
                live(session, MixRow, "mix", coat.mix.id)
            changes = {
                **columns_of(coat, skip=("mix",)),
                "mix_id": coat.mix.id,
                "open_piece_id": coat.piece_id if coat.ended_at is None else None,
            }
            change(session, row, "coat", "edit", changes, "another coat is open on that piece; end it first")
            return coat

    def coat(self, coat_id: int) -> Coat:
        """One coat, by number."""
        with self._reading() as session:
            return to_coat(session, live(session, CoatRow, "coat", coat_id))

    def coats(
        self, piece_id: int | None = None, since: datetime | None = None, until: datetime | None = None
    ) -> list[Coat]:
        """Coats by start, newest first; ``since`` <= start < ``until``."""
        query = select(CoatRow).where(CoatRow.deleted_at.is_(None))
        if piece_id is not None:
            query = query.where(CoatRow.piece_id == piece_id)
        if since is not None:
            query = query.where(CoatRow.started_at >= since)
        if until is not None:
            query = query.where(CoatRow.started_at < until)
        with self._reading() as session:
            return list(coats_with_mixes(session, query.order_by(CoatRow.started_at.desc(), CoatRow.id.desc())))

    def open_coats(self) -> list[Coat]:
        """Coats being sprayed now, oldest first."""
        query = select(CoatRow).where(CoatRow.open_piece_id.is_not(None)).order_by(CoatRow.started_at)
        with self._reading() as session:
            return list(coats_with_mixes(session, query))

    def open_coat(self, piece_id: int) -> Coat | None:
        """The coat open on a piece, if any."""
        with self._reading() as session:
            row = session.scalar(select(CoatRow).where(CoatRow.open_piece_id == piece_id))
            return None if row is None else to_coat(session, row)

    def coat_spans(self, after: timedelta) -> list[tuple[datetime, datetime]]:
        """For each coat, from half an hour before spraying to ``after`` its end: readings that belong to it.

        Deleted coats are among them, as they can be brought back.
        """
        with self._reading() as session:
            found = session.execute(select(CoatRow.started_at, CoatRow.ended_at).order_by(CoatRow.started_at)).tuples()
            return [
                (started_at - BEFORE_SPRAYING, (ended_at or started_at + LONGEST_OPEN) + after)
                for started_at, ended_at in found
            ]

    # What stands in the booth

    def set_up_booth(self, setup: BoothSetup) -> BoothSetup:
        """Say which piece stands in a booth and which material is about to be sprayed there."""
        with self._writing() as session:
            if setup.piece_id is not None:
                live(session, PieceRow, "piece", setup.piece_id)
            if setup.material_id is not None:
                live(session, MaterialRow, "material", setup.material_id)
            row = session.get(BoothSetupRow, setup.booth)
            if row is None:
                session.add(BoothSetupRow(**columns_of(setup)))
            else:
                row.piece_id, row.material_id, row.changed_at = setup.piece_id, setup.material_id, setup.changed_at
            return setup

    def booth_setups(self) -> list[BoothSetup]:
        """What stands in each booth that was ever set up, by booth."""
        with self._reading() as session:
            found = session.scalars(select(BoothSetupRow).order_by(BoothSetupRow.booth))
            return [BoothSetup(**fields_of(row, BoothSetup)) for row in found]

    def presses_done_until(self, booth: str, node: str) -> datetime | None:
        """Time of the newest button press of a node that has been acted on."""
        with self._reading() as session:
            row = session.get(PressRow, (booth, node))
            return None if row is None else row.until

    def presses_done(self, booth: str, node: str, until: datetime) -> None:
        """Note that a node's button presses up to a time have been acted on."""
        with self._writing() as session:
            session.merge(PressRow(booth=booth, node=node, until=until))

    # Checks and outcomes

    def add_check(self, check: Check) -> Check:
        """Store a readiness check of a coat."""
        with self._writing() as session:
            live(session, CoatRow, "coat", check.coat_id)
            row = CheckRow(**columns_of(check))
            insert(session, row, "check", "this check exists already")
            return replace(check, id=row.id)

    def checks(self, coat_id: int | None = None) -> list[Check]:
        """Checks of a coat, oldest first; without one, of every coat that is not deleted."""
        query = select(CheckRow).where(CheckRow.deleted_at.is_(None))
        if coat_id is None:
            query = query.join(CoatRow, CoatRow.id == CheckRow.coat_id).where(CoatRow.deleted_at.is_(None))
        else:
            query = query.where(CheckRow.coat_id == coat_id)
        with self._reading() as session:
            found = session.scalars(query.order_by(CheckRow.at, CheckRow.id))
            return [Check(**fields_of(row, Check)) for row in found]

    def add_outcome(self, outcome: Outcome) -> Outcome:
        """Store how a coat came out."""
        with self._writing() as session:
            live(session, CoatRow, "coat", outcome.coat_id)
            row = OutcomeRow(**columns_of(outcome))
            insert(session, row, "outcome", "this outcome exists already")
            return replace(outcome, id=row.id)

    def outcomes(self, coat_id: int) -> list[Outcome]:
        """Outcomes of a coat, oldest first."""
        with self._reading() as session:
            found = session.scalars(
                select(OutcomeRow)
                .where(OutcomeRow.coat_id == coat_id, OutcomeRow.deleted_at.is_(None))
                .order_by(OutcomeRow.seen_at, OutcomeRow.id)
            )
            return [Outcome(**fields_of(row, Outcome)) for row in found]

    # Sanding

    def add_sanding(self, sanding: Sanding) -> Sanding:
        """Store how a piece was sanded, and whether it went through."""
        with self._writing() as session:
            live(session, PieceRow, "piece", sanding.piece_id)
            row = SandingRow(**sanding_columns(sanding))
            insert(session, row, "sanding", "this sanding exists already")
            return replace(sanding, id=row.id)

    def sandings(self, piece_id: int | None = None) -> list[Sanding]:
        """Sandings of a piece, oldest first; without one, of every piece that is not deleted."""
        query = select(SandingRow).where(SandingRow.deleted_at.is_(None))
        if piece_id is None:
            query = query.join(PieceRow, PieceRow.id == SandingRow.piece_id).where(PieceRow.deleted_at.is_(None))
        else:
            query = query.where(SandingRow.piece_id == piece_id)
        with self._reading() as session:
            return [to_sanding(row) for row in session.scalars(query.order_by(SandingRow.at, SandingRow.id))]

    # What is brought in from elsewhere

    def add_notes(self, pieces: Sequence[Piece], coats: Sequence[tuple[str, Coat]]) -> None:
        """Store pieces and coats from a shop's own notes, all in one transaction or none.

        Parameters
        ----------
        pieces
            New ones.
        coats
            Each with the name of its piece, new or there already; their mixes are stored too, equal ones once.

        Raises
        ------
        Conflict
            If a piece's name is taken, or the piece has a coat of that start; then nothing is written.
        NotFound
            If a coat's piece or material is not there.
        """
        with self._writing() as session:
            rows.add_notes(session, pieces, coats)

    # Solvent beside the coats

    def add_solvent_use(self, use: SolventUse) -> SolventUse:
        """Store solvent used for cleaning and the like."""
        with self._writing() as session:
            row = SolventUseRow(**columns_of(use))
            insert(session, row, "solvent_use", "this solvent use exists already")
            return replace(use, id=row.id)

    def solvent_uses(self, since: datetime | None = None, until: datetime | None = None) -> list[SolventUse]:
        """Solvent used beside the coats, newest first; ``since`` <= time < ``until``."""
        query = select(SolventUseRow).where(SolventUseRow.deleted_at.is_(None))
        if since is not None:
            query = query.where(SolventUseRow.at >= since)
        if until is not None:
            query = query.where(SolventUseRow.at < until)
        with self._reading() as session:
            found = session.scalars(query.order_by(SolventUseRow.at.desc(), SolventUseRow.id.desc()))
            return [SolventUse(**fields_of(row, SolventUse)) for row in found]

    # Deleting, undoing, auditing

    def delete(self, kind: str, record_id: int) -> AuditEntry:
        """Delete a record so that it can be brought back with :meth:`undo`.

        Parameters
        ----------
        kind : str
            ``material``, ``mix``, ``piece``, ``piece_place``, ``schedule``, ``coat``, ``check``, ``outcome``,
            ``sanding`` or ``solvent_use``.
        """
        with self._writing() as session:
            row = live(session, table_of(kind), kind, record_id, lock=True)
            changes: dict[str, Any] = {"deleted_at": datetime.now(UTC)}
            changes |= {column: None for column in GIVEN_UP if hasattr(row, column)}
            return change(session, row, kind, "delete", changes)

    def undo(self, audit_id: int) -> AuditEntry:
        """Put a record back to what it was before one change.

        Raises
        ------
        Conflict
            If the record has changed since, or its name or place is taken.
        """
        with self._writing() as session:
            entry = session.get(AuditRow, audit_id) if 0 < audit_id < 2**63 else None
            if entry is None:
                raise NotFound(f"there is no change {audit_id}")
            row = held(session, table_of(entry.record), entry.record, entry.record_id, lock=True)
            if state_of(row) != entry.after:
                raise Conflict(f"{entry.record} {entry.record_id} has changed since; undo the later change first")
            before: dict[str, Any] = loaded(row, entry.before) if entry.before else {"deleted_at": datetime.now(UTC)}
            if not entry.before:
                before |= {column: None for column in GIVEN_UP if hasattr(row, column)}
            return change(session, row, entry.record, "undo", before, "its name or place has been taken since")

    def audit(self, kind: str | None = None, record_id: int | None = None, most: int = 100) -> list[AuditEntry]:
        """Changes, newest first, of all records, one kind, or one record."""
        query = select(AuditRow).order_by(AuditRow.id.desc()).limit(most)
        if kind is not None:
            query = query.where(AuditRow.record == kind)
        if record_id is not None:
            query = query.where(AuditRow.record_id == record_id)
        with self._reading() as session:
            return [to_entry(row) for row in session.scalars(query)]

    def _reading(self) -> AbstractContextManager[Session]:
        return session_on(self._engine)

    def _writing(self) -> AbstractContextManager[Session]:
        return session_on(self._writer)


def _add_examples(connection: Connection) -> None:
    with Session(connection) as session:
        for material in documents.example_materials():
            rows.add_material(session, material)
        session.flush()
