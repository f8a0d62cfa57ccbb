"""Analyses by hand with their raw weights, and figures with their accuracy.

Why: (to be written)
Locks: nothing.
"""

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
