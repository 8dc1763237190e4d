"""The tables behind the records, as SQLAlchemy maps them; they hold on SQLite and on PostgreSQL alike.

Some columns exist to let the database itself keep a rule on both: ``name_key`` (a name in lower case, empty when the
row is deleted) makes live names unique, ``open_piece_id`` (set while a coat is open) allows one open coat a piece, and
``live_piece_id`` (empty when the row is deleted) one schedule.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, Dialect, ForeignKey, MetaData, String, TypeDecorator, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class UtcDateTime(TypeDecorator[datetime]):
    """An aware UTC time; SQLite has no zones, so there it is stored without one."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Aware time to what the database keeps."""
        if value is None:
            return None
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """What the database keeps to an aware time."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Common base; constraints get names that migrations can refer to."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {datetime: UtcDateTime(), str: String(), dict[str, Any]: JSON()}  # noqa: RUF012


class Row(Base):
    """What every record has: a number, and the time it was deleted at."""

    __abstract__ = True
    id: Mapped[int] = mapped_column(primary_key=True)
    deleted_at: Mapped[datetime | None]


class MaterialRow(Row):
    """A material; what it holds is in its versions."""

    __tablename__ = "material"
    name: Mapped[str]
    name_key: Mapped[str | None] = mapped_column(unique=True)
    version: Mapped[int]


class MaterialVersionRow(Base):
    """A material as it was from one edit to the next; never changed."""

    __tablename__ = "material_version"
    __table_args__ = (UniqueConstraint("material_id", "version"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    material_id: Mapped[int] = mapped_column(ForeignKey("material.id"))
    version: Mapped[int]
    document: Mapped[dict[str, Any]]


class MixRow(Row):
    """A material as applied."""

    __tablename__ = "mix"
    material_version_id: Mapped[int] = mapped_column(ForeignKey("material_version.id"))
    reducer_fraction: Mapped[float]
    retarder_fraction: Mapped[float]
    catalyst_fraction: Mapped[float]
    mixed_at: Mapped[datetime | None]
    note: Mapped[str]


class PieceRow(Row):
    """A thing being finished."""

    __tablename__ = "piece"
    name: Mapped[str]
    name_key: Mapped[str | None] = mapped_column(unique=True)
    substrate: Mapped[str]
    thickness_mm: Mapped[float | None]
    owner_reference: Mapped[str]
    due: Mapped[datetime | None]
    note: Mapped[str]
    done_at: Mapped[datetime | None]


class CoatRow(Row):
    """One coat on one piece."""

    __tablename__ = "coat"
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    mix_id: Mapped[int] = mapped_column(ForeignKey("mix.id"))
    booth: Mapped[str]
    started_at: Mapped[datetime] = mapped_column(index=True)
    ended_at: Mapped[datetime | None]
    passes: Mapped[int | None]
    wet_film_low_um: Mapped[float | None]
    wet_film_high_um: Mapped[float | None]
    sprayed_ml: Mapped[float | None]
    gun_note: Mapped[str]
    sprayed_by: Mapped[str]
    note: Mapped[str]
    open_piece_id: Mapped[int | None] = mapped_column(unique=True)


class CheckRow(Row):
    """A readiness observation."""

    __tablename__ = "readiness_check"
    coat_id: Mapped[int] = mapped_column(ForeignKey("coat.id"), index=True)
    at: Mapped[datetime]
    stage: Mapped[str]
    method: Mapped[str]
    passed: Mapped[bool]
    value: Mapped[float | None]
    note: Mapped[str]


class OutcomeRow(Row):
    """How a coat came out."""

    __tablename__ = "outcome"
    coat_id: Mapped[int] = mapped_column(ForeignKey("coat.id"), index=True)
    seen_at: Mapped[datetime]
    defect: Mapped[str | None]
    degree: Mapped[int | None]
    zone: Mapped[str]
    note: Mapped[str]


class PiecePlaceRow(Row):
    """Where a piece was moved to."""

    __tablename__ = "piece_place"
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    at: Mapped[datetime]
    place: Mapped[str]
    booth: Mapped[str]
    node: Mapped[str]
    air_c: Mapped[float | None]
    relative_humidity_pct: Mapped[float | None]
    note: Mapped[str]


class SandingRow(Row):
    """A piece level-sanded; grades are kept with commas between them."""

    __tablename__ = "sanding"
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    at: Mapped[datetime]
    grits: Mapped[str]
    zone: Mapped[str]
    texture_um: Mapped[float | None]
    texture_grade: Mapped[int | None]
    compounded: Mapped[bool]
    through: Mapped[bool]
    through_at: Mapped[str]
    sanded_back: Mapped[bool]
    fresh: Mapped[str]
    minutes: Mapped[float | None]
    area_m2: Mapped[float | None]
    note: Mapped[str]


class SolventUseRow(Row):
    """Solvent gone beside the coats."""

    __tablename__ = "solvent_use"
    at: Mapped[datetime] = mapped_column(index=True)
    what: Mapped[str]
    litres: Mapped[float]
    voc_g_l: Mapped[float | None]
    note: Mapped[str]


class ScheduleRow(Row):
    """A piece's finishing schedule; ``live_piece_id`` is empty when it is deleted, and allows one a piece."""

    __tablename__ = "schedule"
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    live_piece_id: Mapped[int | None] = mapped_column(unique=True)
    template: Mapped[str]
    steps: Mapped[list[Any]] = mapped_column(JSON)
    copied_at: Mapped[datetime]


class AuditRow(Base):
    """One change to one record, with the row before and after."""

    __tablename__ = "audit"
    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    record: Mapped[str]
    record_id: Mapped[int] = mapped_column(index=True)
    action: Mapped[str]
    before: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    after: Mapped[dict[str, Any] | None] = mapped_column(JSON)


class BoothSetupRow(Base):
    """What stands in a booth."""

    __tablename__ = "booth_setup"
    booth: Mapped[str] = mapped_column(primary_key=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"))
    material_id: Mapped[int | None] = mapped_column(ForeignKey("material.id"))
    changed_at: Mapped[datetime]


class PressRow(Base):
    """Up to when a node's button presses have been acted on."""

    __tablename__ = "button_press"
    booth: Mapped[str] = mapped_column(primary_key=True)
    node: Mapped[str] = mapped_column(primary_key=True)
    until: Mapped[datetime]


class AlertRow(Base):
    """One episode of an alert; ``open_key`` (kind and subject) is set while it is open, and allows one."""

    __tablename__ = "alert"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    subject: Mapped[str]
    open_key: Mapped[str | None] = mapped_column(unique=True)
    booth: Mapped[str]
    level: Mapped[str]
    what: Mapped[str]
    why: Mapped[str]
    what_to_do: Mapped[str]
    caution: Mapped[str]
    since: Mapped[datetime]
    raised_at: Mapped[datetime] = mapped_column(index=True)
    cleared_at: Mapped[datetime | None]
    acknowledged_at: Mapped[datetime | None]
    snoozed_until: Mapped[datetime | None]


class AlertMessageRow(Base):
    """One message of an alert to one place."""

    __tablename__ = "alert_message"
    id: Mapped[int] = mapped_column(primary_key=True)
    alert_id: Mapped[int] = mapped_column(ForeignKey("alert.id"), index=True)
    place: Mapped[str]
    dedupe_id: Mapped[str] = mapped_column(unique=True)
    created_at: Mapped[datetime]
    due_at: Mapped[datetime]
    attempts: Mapped[int]
    sent_at: Mapped[datetime | None]
    dropped_at: Mapped[datetime | None]
    trouble: Mapped[str]
