"""Where a case comes from, so that a run that is stopped and started again keeps each of its cases once."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the column and let no two cases have the same origin."""
    op.add_column("cases", sa.Column("origin", sa.String(64)))
    op.create_index("ux_cases_origin", "cases", ["origin"], unique=True)


def downgrade() -> None:
    """Take the column away."""
    op.drop_index("ux_cases_origin", table_name="cases")
    op.drop_column("cases", "origin")
