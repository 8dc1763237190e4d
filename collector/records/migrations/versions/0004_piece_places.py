"""Where pieces were moved to: another booth, or a place with a typed climate."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "piece_place",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True)),
        sa.Column("piece_id", sa.Integer, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("place", sa.String, nullable=False),
        sa.Column("booth", sa.String, nullable=False),
        sa.Column("node", sa.String, nullable=False),
        sa.Column("air_c", sa.Float),
        sa.Column("relative_humidity_pct", sa.Float),
        sa.Column("note", sa.String, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_piece_place"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_piece_place_piece_id_piece"),
    )
    op.create_index("ix_piece_place_piece_id", "piece_place", ["piece_id"])
