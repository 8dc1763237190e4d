"""What stands in each booth, and which button presses have been acted on."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "booth_setup",
        sa.Column("booth", sa.String, nullable=False),
        sa.Column("piece_id", sa.Integer),
        sa.Column("material_id", sa.Integer),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("booth", name="pk_booth_setup"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_booth_setup_piece_id_piece"),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name="fk_booth_setup_material_id_material"),
    )
    op.create_table(
        "button_press",
        sa.Column("booth", sa.String, nullable=False),
        sa.Column("node", sa.String, nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("booth", "node", name="pk_button_press"),
    )
