"""What became of a member whose plan was changed on its own page: figures of the plan as it is now."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this schema: of members that were there nothing is known until their plans change or are made again."""
    op.add_column("members", sa.Column("own", sa.Text, nullable=True))


def downgrade() -> None:
    """To the schema before: all figures are those of when the row was planned."""
    op.drop_column("members", "own")
