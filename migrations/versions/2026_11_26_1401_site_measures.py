"""The barrows, buckets and forks a site measures by, what its crew may lift, and how high a bay's mark stands.

Why: a build sheet is written in the crew's own measures, and a fill mark in centimetres needs the bay's height.
Locks: site and bay, each for an instant; the new columns are null or a constant, so no row is rewritten.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column(
        "site",
        sa.Column(
            "measures",
            postgresql.JSONB(none_as_null=True, astext_type=sa.Text()),
            server_default=sa.text("'[]'"),
            nullable=False,
        ),
    )
    op.add_column("site", sa.Column("lifting_limit_kg", sa.Float(), nullable=True))
    op.create_check_constraint(op.f("ck_site_lifting_limit_positive"), "site", "lifting_limit_kg > 0")
    op.add_column("bay", sa.Column("height_m", sa.Float(), nullable=True))
    op.create_check_constraint(op.f("ck_bay_height_positive"), "bay", "height_m > 0")


def downgrade() -> None:
    op.drop_column("bay", "height_m")
    op.drop_column("site", "lifting_limit_kg")
    op.drop_column("site", "measures")
