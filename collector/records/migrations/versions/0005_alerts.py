"""Alerts, and the outbox of their messages."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "alert",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("subject", sa.String, nullable=False),
        sa.Column("open_key", sa.String),
        sa.Column("booth", sa.String, nullable=False),
        sa.Column("level", sa.String, nullable=False),
        sa.Column("what", sa.String, nullable=False),
        sa.Column("why", sa.String, nullable=False),
        sa.Column("what_to_do", sa.String, nullable=False),
        sa.Column("caution", sa.String, nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("raised_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cleared_at", sa.DateTime(timezone=True)),
        sa.Column("acknowledged_at", sa.DateTime(timezone=True)),
        sa.Column("snoozed_until", sa.DateTime(timezone=True)),
        sa.PrimaryKeyConstraint("id", name="pk_alert"),
        sa.UniqueConstraint("open_key", name="uq_alert_open_key"),
    )
    op.create_index("ix_alert_raised_at", "alert", ["raised_at"])
    op.create_table(
        "alert_message",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("alert_id", sa.Integer, nullable=False),
        sa.Column("place", sa.String, nullable=False),
        sa.Column("dedupe_id", sa.String, nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("sent_at", sa.DateTime(timezone=True)),
        sa.Column("dropped_at", sa.DateTime(timezone=True)),
        sa.Column("trouble", sa.String, nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name="fk_alert_message_alert_id_alert"),
        sa.PrimaryKeyConstraint("id", name="pk_alert_message"),
        sa.UniqueConstraint("dedupe_id", name="uq_alert_message_dedupe_id"),
    )
    op.create_index("ix_alert_message_alert_id", "alert_message", ["alert_id"])
