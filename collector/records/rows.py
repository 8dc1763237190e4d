"""Between rows and records: finding, inserting and changing rows, each change with its audit entry."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from sqlalchemy import Select, func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from collector.errors import Conflict, NotFound
from collector.records import documents
from collector.records.model import AuditEntry, Coat, Material, Mix, Piece, Sanding
from collector.records.tables import (
    AuditRow,
    Base,
    CheckRow,
    CoatRow,
    MaterialRow,
    MaterialVersionRow,
    MixRow,
    OutcomeRow,
    PiecePlaceRow,
    PieceRow,
    Row,
    SandingRow,
    ScheduleRow,
    SolventUseRow,
    UtcDateTime,
)

KINDS: Final[dict[str, type[Row]]] = {
    "material": MaterialRow,
    "mix": MixRow,
    "piece": PieceRow,
    "coat": CoatRow,
    "check": CheckRow,
    "outcome": OutcomeRow,
    "solvent_use": SolventUseRow,
    "sanding": SandingRow,
    "piece_place": PiecePlaceRow,
    "schedule": ScheduleRow,
}
GIVEN_UP: Final = ("name_key", "open_piece_id", "live_piece_id")
"""Columns by which a row holds a name or a place; a deleted one gives them up."""

_R = TypeVar("_R", bound=Row)


def insert(session: Session, row: Row, kind: str, taken: str, action: str = "create") -> None:
    """Add a row with its audit entry; ``taken`` is said if the database refuses it as a duplicate."""
    session.add(row)
    flush(session, taken)
    _keep_open_coats_within_reach(session, row)
    session.add(
        AuditRow(at=datetime.now(UTC), record=kind, record_id=row.id, action=action, before=None, after=state_of(row))
    )


def change(
    session: Session, row: Row, kind: str, action: str, changes: dict[str, Any], taken: str = "it is taken"
) -> AuditEntry:
    """Change columns of a row with its audit entry; ``taken`` is said if the database refuses a duplicate."""
    before = state_of(row)
    for column, value in changes.items():
        setattr(row, column, value)
    flush(session, taken)
    _keep_open_coats_within_reach(session, row)
    entry = AuditRow(
        at=datetime.now(UTC), record=kind, record_id=row.id, action=action, before=before, after=state_of(row)
    )
    session.add(entry)
    session.flush()
    return to_entry(entry)


def flush(session: Session, taken: str) -> None:
    """Send what is pending to the database, saying ``taken`` if it refuses a duplicate."""
    try:
        session.flush()
    except IntegrityError as error:
        raise Conflict(taken) from error


def _keep_open_coats_within_reach(session: Session, row: Row) -> None:
    """Refuse a step that leaves a coat open on a deleted piece: nobody could end it."""
    if isinstance(row, PieceRow) and row.deleted_at is not None:
        if session.scalar(select(CoatRow.id).where(CoatRow.open_piece_id == row.id)) is not None:
            raise Conflict(f"a coat is open on {row.name!r}; end it first")
    elif isinstance(row, CoatRow) and row.open_piece_id is not None:
        piece = session.get_one(PieceRow, row.open_piece_id)
        if piece.deleted_at is not None:
            raise Conflict(f"the coat's piece {piece.name!r} is deleted; bring that back first")


def table_of(kind: str) -> type[Row]:
    """The table of a kind of record; NotFound for an unknown kind."""
    if kind not in KINDS:
        raise NotFound(f"there is no kind of record {kind!r}; expected one of {', '.join(KINDS)}")
    return KINDS[kind]


def held(session: Session, table: type[_R], kind: str, record_id: int, *, lock: bool = False) -> _R:
    """The row of a record, deleted or not; NotFound otherwise.

    ``lock`` keeps other writers off the row until the transaction ends. SQLite, where a writer has the whole file to
    itself, ignores it.
    """
    row = session.get(table, record_id, with_for_update=lock or None) if 0 < record_id < 2**63 else None
    if row is None:
        raise NotFound(f"there is no {kind} {record_id}")
    return row


def live(session: Session, table: type[_R], kind: str, record_id: int, *, lock: bool = False) -> _R:
    """The row of a record that is not deleted; NotFound otherwise."""
    row = held(session, table, kind, record_id, lock=lock)
    if row.deleted_at is not None:
        raise NotFound(f"there is no {kind} {record_id}")
    return row


def by_name(session: Session, table: Any, kind: str, name_or_id: str | int) -> Any:
    """A live row by number, or by name in any case; NotFound suggests near names."""
    if isinstance(name_or_id, int):
        return live(session, table, kind, name_or_id)
    row = session.scalar(select(table).where(table.name_key == name_key(name_or_id)))
    if row is None:
        names = session.scalars(select(table.name).where(table.deleted_at.is_(None)).order_by(table.name))
        by_key = {name_key(name): name for name in names}
        near = [by_key[key] for key in difflib.get_close_matches(name_key(name_or_id), by_key, n=3, cutoff=0.4)]
        hint = f"; did you mean {' or '.join(map(repr, near))}?" if near else ""
        raise NotFound(f"there is no {kind} {name_or_id!r}{hint}")
    return row


def name_key(name: str) -> str:
    """What makes two names the same: any case, blanks at the ends aside."""
    return name.strip().casefold()


def version_row(session: Session, material_id: int, version: int) -> MaterialVersionRow:
    """One version of a material; NotFound if there is none."""
    row = session.scalar(
        select(MaterialVersionRow).where(
            MaterialVersionRow.material_id == material_id, MaterialVersionRow.version == version
        )
    )
    if row is None:
        raise NotFound(f"there is no version {version} of material {material_id}")
    return row


def add_material(session: Session, material: Material) -> Material:
    """Store a material under a free name."""
    row = MaterialRow(name=material.name, name_key=name_key(material.name), version=1)
    insert(session, row, "material", f"there is a material {material.name!r} already")
    stored = replace(material, id=row.id, version=1)
    session.add(MaterialVersionRow(material_id=row.id, version=1, document=documents.to_document(stored)))
    return stored


def edit_material(session: Session, material: Material) -> Material:
    """Store a material as its next version; the versions before stay."""
    row = live(session, MaterialRow, "material", material.id, lock=True)
    newest = session.scalar(
        select(func.max(MaterialVersionRow.version)).where(MaterialVersionRow.material_id == row.id)
    )
    stored = replace(material, version=(newest or 0) + 1)
    document = documents.to_document(stored)
    session.add(MaterialVersionRow(material_id=row.id, version=stored.version, document=document))
    changes = {"name": stored.name, "name_key": name_key(stored.name), "version": stored.version}
    change(session, row, "material", "edit", changes, f"there is a material {stored.name!r} already")
    return stored


def add_notes(session: Session, pieces: Sequence[Piece], coats: Sequence[tuple[str, Coat]]) -> None:
    """Store pieces, and coats with their mixes."""
    for piece in pieces:
        row = PieceRow(name_key=name_key(piece.name), **columns_of(piece))
        insert(session, row, "piece", f"there is a piece {piece.name!r} already", "import")
    mixes: list[tuple[Mix, MixRow]] = []  # a material holds a mapping, so that a mix is no key
    for name, coat in coats:
        on = by_name(session, PieceRow, "piece", name)
        twin = select(CoatRow.id).where(
            CoatRow.piece_id == on.id, CoatRow.started_at == coat.started_at, CoatRow.deleted_at.is_(None)
        )
        if session.scalar(twin) is not None:
            raise Conflict(f"{on.name!r} has a coat started at {coat.started_at.isoformat()} already")
        mix = next((row for made, row in mixes if made == coat.mix), None)
        if mix is None:
            version = version_row(session, coat.mix.material.id, coat.mix.material.version)
            mix = MixRow(material_version_id=version.id, **columns_of(coat.mix, skip=("material",)))
            insert(session, mix, "mix", "this mix exists already", "import")
            mixes.append((coat.mix, mix))
        columns = {**columns_of(coat, skip=("mix",)), "piece_id": on.id}
        insert(session, CoatRow(mix_id=mix.id, open_piece_id=None, **columns), "coat", "a coat is open", "import")


def to_material(row: MaterialRow, version: MaterialVersionRow) -> Material:
    """A material in the version given."""
    return replace(documents.from_document(version.document), id=row.id, version=version.version)


def to_mix(session: Session, row: MixRow) -> Mix:
    """A mix with the material version it was made of."""
    return _mix_of(row, session.get_one(MaterialVersionRow, row.material_version_id))


def _mix_of(row: MixRow, version: MaterialVersionRow) -> Mix:
    material = replace(documents.from_document(version.document), id=version.material_id, version=version.version)
    return Mix(material=material, **fields_of(row, Mix, skip=("material",)))


def to_piece(row: PieceRow) -> Piece:
    """A piece."""
    return Piece(**fields_of(row, Piece))


def to_coat(session: Session, row: CoatRow) -> Coat:
    """A coat with its mix."""
    mix = to_mix(session, session.get_one(MixRow, row.mix_id))
    return Coat(mix=mix, **fields_of(row, Coat, skip=("mix",)))


def coats_with_mixes(session: Session, query: Select[tuple[CoatRow]]) -> Iterator[Coat]:
    """The coats a query finds; each mix is read once, however many coats were sprayed of it."""
    mixes: dict[int, Mix] = {}
    for row, mix_row, version in session.execute(
        query.join(MixRow, MixRow.id == CoatRow.mix_id)
        .join(MaterialVersionRow, MaterialVersionRow.id == MixRow.material_version_id)
        .add_columns(MixRow, MaterialVersionRow)
    ):
        if mix_row.id not in mixes:
            mixes[mix_row.id] = _mix_of(mix_row, version)
        yield Coat(mix=mixes[mix_row.id], **fields_of(row, Coat, skip=("mix",)))


_GRADES: Final = ("grits", "fresh")


def sanding_columns(sanding: Sanding) -> dict[str, Any]:
    """A sanding's fields as columns."""
    grades = {name: ",".join(getattr(sanding, name)) for name in _GRADES}
    return {**columns_of(sanding, skip=_GRADES), **grades}


def to_sanding(row: SandingRow) -> Sanding:
    """A sanding."""
    grades: dict[str, Any] = {name: tuple(filter(None, getattr(row, name).split(","))) for name in _GRADES}
    return Sanding(**{**fields_of(row, Sanding, skip=_GRADES), **grades})


def columns_of(record: Any, skip: Sequence[str] = ()) -> dict[str, Any]:
    """A record's fields as columns, its number aside."""
    return {item.name: getattr(record, item.name) for item in fields(record) if item.name not in (*skip, "id")}


def fields_of(row: Base, kind: Any, skip: Sequence[str] = ()) -> dict[str, Any]:
    """A row's columns as the fields of a record."""
    return {item.name: getattr(row, item.name) for item in fields(kind) if item.name not in skip}


def state_of(row: Row) -> dict[str, Any]:
    """A row as JSON can hold it."""
    values = {column.key: getattr(row, column.key) for column in row.__table__.columns}
    return {key: value.isoformat() if isinstance(value, datetime) else value for key, value in values.items()}


def loaded(row: Row, state: dict[str, Any]) -> dict[str, Any]:
    """A row's values from what :func:`state_of` made of them."""
    times = {column.key for column in row.__table__.columns if isinstance(column.type, UtcDateTime)}
    return {
        key: datetime.fromisoformat(value) if key in times and value is not None else value
        for key, value in state.items()
    }


def to_entry(row: AuditRow) -> AuditEntry:
    """An audit entry."""
    return AuditEntry(
        id=row.id,
        at=row.at,
        record=row.record,
        record_id=row.record_id,
        action=row.action,
        before=row.before,
        after=row.after,
    )
