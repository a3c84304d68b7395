"""The log of check-ins."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

MOMENT = sa.String(27)


def upgrade() -> None:
    """To this schema."""
    op.create_table(
        "entries",
        sa.Column("plan_id", sa.String(64), nullable=False),
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("plan_id", "id", name="pk_entries"),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name="fk_entries_plans", ondelete="CASCADE"),
    )


def downgrade() -> None:
    """To the schema before: what was said of the blocks is dropped."""
    op.drop_table("entries")
