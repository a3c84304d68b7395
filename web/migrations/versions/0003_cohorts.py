"""Cohorts: what they were made from, and a row for each student."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

MOMENT = sa.String(27)


def upgrade() -> None:
    """To this schema."""
    op.create_table(
        "cohorts",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("generation", sa.Integer, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("seed", sa.Text, nullable=False),
        sa.Column("courses", sa.LargeBinary, nullable=False),
        sa.Column("doubts", sa.Text, nullable=False),
        sa.Column("as_of", MOMENT, nullable=False),
        sa.Column("created", MOMENT, nullable=False),
        sa.Column("changed", MOMENT, nullable=False),
        sa.Column("ends", sa.Date, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_cohorts"),
    )
    op.create_index("ix_cohorts_ends", "cohorts", ["ends"])
    op.create_table(
        "cohort_files",
        sa.Column("cohort_id", sa.String(64), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("cohort_id", "name", name="pk_cohort_files"),
        sa.ForeignKeyConstraint(["cohort_id"], ["cohorts.id"], name="fk_cohort_files_cohorts", ondelete="CASCADE"),
    )
    op.create_table(
        "members",
        sa.Column("cohort_id", sa.String(64), nullable=False),
        sa.Column("key", sa.String(80), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("cells", sa.Text, nullable=False),
        sa.Column("status", sa.String(32), nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("plan_id", sa.String(64)),
        sa.PrimaryKeyConstraint("cohort_id", "key", name="pk_members"),
        sa.ForeignKeyConstraint(["cohort_id"], ["cohorts.id"], name="fk_members_cohorts", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_members_plans", ondelete="SET NULL"),
    )
    op.create_index("ix_members_plan_id", "members", ["plan_id"])
    op.create_index("ix_members_open", "members", ["cohort_id", "status", "number"])
    op.create_table(
        "classes",
        sa.Column("cohort_id", sa.String(64), nullable=False),
        sa.Column("course", sa.String(40), nullable=False),
        sa.Column("section", sa.String(40), nullable=False),
        sa.Column("plan_id", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("cohort_id", "course", "section", name="pk_classes"),
        sa.ForeignKeyConstraint(["cohort_id"], ["cohorts.id"], name="fk_classes_cohorts", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_classes_plans", ondelete="CASCADE"),
    )
    op.create_index("ix_classes_plan_id", "classes", ["plan_id"])


def downgrade() -> None:
    """To the schema before: cohorts are dropped, their students' plans stay."""
    for table in ("classes", "members", "cohort_files", "cohorts"):
        op.drop_table(table)
