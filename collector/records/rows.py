"""Between rows and records: finding, inserting and changing rows, each change with its audit entry."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from collector.errors import Conflict, NotFound
from collector.records import documents
from collector.records.model import AuditEntry, Coat, Material, Mix, Piece
from collector.records.tables import (
    AuditRow,
    Base,
    CheckRow,
    CoatRow,
    MaterialRow,
    MaterialVersionRow,
    MixRow,
    OutcomeRow,
    PieceRow,
    Row,
    UtcDateTime,
)

KINDS: Final[dict[str, type[Row]]] = {
    "material": MaterialRow,
    "mix": MixRow,
    "piece": PieceRow,
    "coat": CoatRow,
    "check": CheckRow,
    "outcome": OutcomeRow,
}
_R = TypeVar("_R", bound=Row)


def insert(session: Session, row: Row, kind: str, taken: str, action: str = "create") -> None:
    """Add a row with its audit entry; ``taken`` is said if the database refuses it as a duplicate."""
    session.add(row)
    flush(session, taken)
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


def table_of(kind: str) -> type[Row]:
    """The table of a kind of record; NotFound for an unknown kind."""
    if kind not in KINDS:
        raise NotFound(f"there is no kind of record {kind!r}; expected one of {', '.join(KINDS)}")
    return KINDS[kind]


def live(session: Session, table: type[_R], kind: str, record_id: int) -> _R:
    """The row of a record that is not deleted; NotFound otherwise."""
    row = session.get(table, record_id)
    if row is None or row.deleted_at is not None:
        raise NotFound(f"there is no {kind} {record_id}")
    return row


def by_name(session: Session, table: Any, kind: str, name_or_id: str | int) -> Any:
    """A live row by number, or by name in any case; NotFound suggests near names."""
    if isinstance(name_or_id, int):
        return live(session, table, kind, name_or_id)
    row = session.scalar(select(table).where(table.name_key == name_key(name_or_id)))
    if row is None:
        names = list(session.scalars(select(table.name).where(table.deleted_at.is_(None)).order_by(table.name)))
        near = difflib.get_close_matches(name_or_id, names, n=3, cutoff=0.4)
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


def to_material(row: MaterialRow, version: MaterialVersionRow) -> Material:
    """A material in the version given."""
    return replace(documents.from_document(version.document), id=row.id, version=version.version)


def to_mix(session: Session, row: MixRow) -> Mix:
    """A mix with the material version it was made of."""
    version = session.get_one(MaterialVersionRow, row.material_version_id)
    material = replace(documents.from_document(version.document), id=version.material_id, version=version.version)
    return Mix(material=material, **fields_of(row, Mix, skip=("material",)))


def to_piece(row: PieceRow) -> Piece:
    """A piece."""
    return Piece(**fields_of(row, Piece))


def to_coat(session: Session, row: CoatRow) -> Coat:
    """A coat with its mix."""
    mix = to_mix(session, session.get_one(MixRow, row.mix_id))
    return Coat(mix=mix, **fields_of(row, Coat, skip=("mix",)))


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
    """A row's values from what :func:`_state` made of them."""
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
