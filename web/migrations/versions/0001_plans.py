"""Plans, their feeds, busy calendars and earlier versions; uploads."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

MOMENT = sa.String(27)


def upgrade() -> None:
    """To this schema."""
    op.create_table(
        "plans",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("seed", sa.Text, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("plan", sa.LargeBinary, nullable=False),
        sa.Column("created", MOMENT, nullable=False),
        sa.Column("changed", MOMENT, nullable=False),
        sa.Column("ends", sa.Date, nullable=False),
        sa.Column("alarm", sa.Integer),
        sa.Column("view_on", sa.Boolean, nullable=False),
        sa.Column("view_generation", sa.Integer, nullable=False),
        sa.Column("check_in_generation", sa.Integer, nullable=False),
        sa.Column("manage_generation", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_plans"),
    )
    op.create_index("ix_plans_ends", "plans", ["ends"])
    op.create_table(
        "feeds",
        sa.Column("plan_id", sa.String(64), nullable=False),
        sa.Column("generation", sa.Integer, nullable=False),
        sa.Column("etag", sa.String(128), nullable=False),
        sa.Column("modified", MOMENT, nullable=False),
        sa.Column("fetched", MOMENT),
        sa.PrimaryKeyConstraint("plan_id", name="pk_feeds"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_feeds_plans", ondelete="CASCADE"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "bodies",
        sa.Column("plan_id", sa.String(64), nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("plan_id", name="pk_bodies"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_bodies_plans", ondelete="CASCADE"),
    )
    op.create_table(
        "calendars",
        sa.Column("plan_id", sa.String(64), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.Column("read_at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("plan_id", "name", name="pk_calendars"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_calendars_plans", ondelete="CASCADE"),
    )
    op.create_table(
        "revisions",
        sa.Column("plan_id", sa.String(64), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("saved", MOMENT, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("plan", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("plan_id", "version", name="pk_revisions"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_revisions_plans", ondelete="CASCADE"),
    )
    op.create_table(
        "uploads",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.Column("saved", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_uploads"),
    )
    op.create_index("ix_uploads_saved", "uploads", ["saved"])


def downgrade() -> None:
    """To nothing: the database is emptied."""
    for table in ("uploads", "revisions", "calendars", "bodies", "feeds", "plans"):
        op.drop_table(table)
