"""Solvent gone beside the coats: cleaning, wiping, spills."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "solvent_use",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True)),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("what", sa.String, nullable=False),
        sa.Column("litres", sa.Float, nullable=False),
        sa.Column("voc_g_l", sa.Float),
        sa.Column("note", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_solvent_use"),
    )
    op.create_index("ix_solvent_use_at", "solvent_use", ["at"])
