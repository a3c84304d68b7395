"""What stands between the cells of a cohort's roster, for its results."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this schema: a cohort that was there gets its results with commas, as before."""
    op.add_column("cohorts", sa.Column("separator", sa.String(1), nullable=False, server_default=","))


def downgrade() -> None:
    """To the schema before: all results have commas."""
    op.drop_column("cohorts", "separator")
