"""The size a pile was meant to have.

Why: (to be written)
Locks: nothing.
"""

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
