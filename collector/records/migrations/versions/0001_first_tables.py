"""The first tables. Written out in full: a migration must not change when the mapped classes do."""

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _row(*columns: sa.schema.SchemaItem) -> tuple[sa.schema.SchemaItem, ...]:
    return (
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True)),
        *columns,
    )


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.String, nullable=False)


def _number(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Float, nullable=False)


def _time(name: str, *, nullable: bool = True) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "material",
        *_row(
            _text("name"),
            sa.Column("name_key", sa.String),
            sa.Column("version", sa.Integer, nullable=False),
            sa.PrimaryKeyConstraint("id", name="pk_material"),
            sa.UniqueConstraint("name_key", name="uq_material_name_key"),
        ),
    )
    op.create_table(
        "material_version",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("material_id", sa.Integer, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_material_version"),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name="fk_material_version_material_id_material"),
        sa.UniqueConstraint("material_id", "version", name="uq_material_version_material_id"),
    )
    op.create_table(
        "mix",
        *_row(
            sa.Column("material_version_id", sa.Integer, nullable=False),
            _number("reducer_fraction"),
            _number("retarder_fraction"),
            _number("catalyst_fraction"),
            _time("mixed_at"),
            _text("note"),
            sa.PrimaryKeyConstraint("id", name="pk_mix"),
            sa.ForeignKeyConstraint(
                ["material_version_id"], ["material_version.id"], name="fk_mix_material_version_id_material_version"
            ),
        ),
    )
    op.create_table(
        "piece",
        *_row(
            _text("name"),
            sa.Column("name_key", sa.String),
            _text("substrate"),
            sa.Column("thickness_mm", sa.Float),
            _text("owner_reference"),
            _time("due"),
            _text("note"),
            _time("done_at"),
            sa.PrimaryKeyConstraint("id", name="pk_piece"),
            sa.UniqueConstraint("name_key", name="uq_piece_name_key"),
        ),
    )
    op.create_table(
        "coat",
        *_row(
            sa.Column("piece_id", sa.Integer, nullable=False),
            sa.Column("mix_id", sa.Integer, nullable=False),
            _text("booth"),
            _time("started_at", nullable=False),
            _time("ended_at"),
            sa.Column("passes", sa.Integer),
            sa.Column("wet_film_low_um", sa.Float),
            sa.Column("wet_film_high_um", sa.Float),
            sa.Column("sprayed_ml", sa.Float),
            _text("gun_note"),
            _text("sprayed_by"),
            _text("note"),
            sa.Column("open_piece_id", sa.Integer),
            sa.PrimaryKeyConstraint("id", name="pk_coat"),
            sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_coat_piece_id_piece"),
            sa.ForeignKeyConstraint(["mix_id"], ["mix.id"], name="fk_coat_mix_id_mix"),
            sa.UniqueConstraint("open_piece_id", name="uq_coat_open_piece_id"),
        ),
    )
    op.create_index("ix_coat_piece_id", "coat", ["piece_id"])
    op.create_index("ix_coat_started_at", "coat", ["started_at"])
    op.create_table(
        "readiness_check",
        *_row(
            sa.Column("coat_id", sa.Integer, nullable=False),
            _time("at", nullable=False),
            _text("stage"),
            _text("method"),
            sa.Column("passed", sa.Boolean, nullable=False),
            sa.Column("value", sa.Float),
            _text("note"),
            sa.PrimaryKeyConstraint("id", name="pk_readiness_check"),
            sa.ForeignKeyConstraint(["coat_id"], ["coat.id"], name="fk_readiness_check_coat_id_coat"),
        ),
    )
    op.create_index("ix_readiness_check_coat_id", "readiness_check", ["coat_id"])
    op.create_table(
        "outcome",
        *_row(
            sa.Column("coat_id", sa.Integer, nullable=False),
            _time("seen_at", nullable=False),
            sa.Column("defect", sa.String),
            sa.Column("degree", sa.Integer),
            _text("zone"),
            _text("note"),
            sa.PrimaryKeyConstraint("id", name="pk_outcome"),
            sa.ForeignKeyConstraint(["coat_id"], ["coat.id"], name="fk_outcome_coat_id_coat"),
        ),
    )
    op.create_index("ix_outcome_coat_id", "outcome", ["coat_id"])
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer, nullable=False),
        _time("at", nullable=False),
        _text("record"),
        sa.Column("record_id", sa.Integer, nullable=False),
        _text("action"),
        sa.Column("before", sa.JSON),
        sa.Column("after", sa.JSON),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_index("ix_audit_record_id", "audit", ["record_id"])
