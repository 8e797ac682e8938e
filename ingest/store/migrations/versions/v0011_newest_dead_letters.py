"""The dead letters of a gateway in the order in which a receipt names them."""

from __future__ import annotations

from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Replace the index by one that has the newest of a gateway side by side."""
    op.drop_index("ix_dead_letter_gateway", table_name="dead_letter")
    op.create_index("dead_letter_of_gateway", "dead_letter", ["gateway", "last_seen_at", "id"])


def downgrade() -> None:
    """Put the narrower one back."""
    op.drop_index("dead_letter_of_gateway", table_name="dead_letter")
    op.create_index("ix_dead_letter_gateway", "dead_letter", ["gateway"])
