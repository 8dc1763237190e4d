"""Finishing schedules of pieces."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "schedule",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True)),
        sa.Column("piece_id", sa.Integer, nullable=False),
        sa.Column("live_piece_id", sa.Integer),
        sa.Column("template", sa.String, nullable=False),
        sa.Column("steps", sa.JSON, nullable=False),
        sa.Column("copied_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_schedule"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_schedule_piece_id_piece"),
        sa.UniqueConstraint("live_piece_id", name="uq_schedule_live_piece_id"),
    )
    op.create_index("ix_schedule_piece_id", "schedule", ["piece_id"])
