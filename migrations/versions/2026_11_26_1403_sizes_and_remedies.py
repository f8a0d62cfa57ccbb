"""The size a pile was meant to have.

Why: a crew tells how high a heap stands sooner than how much it holds; beside the height it was meant to have, that
tells whether it was built to its full size. The design's volume is on record already.
Locks: ``pile`` exclusively for an instant; the new column is null, so no row is written.
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("pile", sa.Column("design_height_m", sa.Float(), nullable=True))


def downgrade() -> None:
    op.drop_column("pile", "design_height_m")
