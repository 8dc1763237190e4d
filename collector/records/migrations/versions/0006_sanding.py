"""Pieces level-sanded: with which grits, and whether it went through."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.create_table(
        "sanding",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True)),
        sa.Column("piece_id", sa.Integer, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grits", sa.String, nullable=False),
        sa.Column("zone", sa.String, nullable=False),
        sa.Column("texture_um", sa.Float),
        sa.Column("texture_grade", sa.Integer),
        sa.Column("compounded", sa.Boolean, nullable=False),
        sa.Column("through", sa.Boolean, nullable=False),
        sa.Column("through_at", sa.String, nullable=False),
        sa.Column("sanded_back", sa.Boolean, nullable=False),
        sa.Column("fresh", sa.String, nullable=False),
        sa.Column("minutes", sa.Float),
        sa.Column("area_m2", sa.Float),
        sa.Column("note", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sanding"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_sanding_piece_id_piece"),
    )
    op.create_index("ix_sanding_piece_id", "sanding", ["piece_id"])
