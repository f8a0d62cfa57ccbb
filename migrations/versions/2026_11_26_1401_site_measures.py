"""The barrows, buckets and forks a site measures by.

Why: (to be written)
Locks: nothing.
"""

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
