"""A store has an identity, and remembers what was deleted from it."""

from __future__ import annotations

import uuid

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def _plain(length: int) -> sa.String:
    return sa.String(length).with_variant(sa.String(length, collation="C"), "postgresql")


def upgrade() -> None:
    identity = op.create_table("identity", sa.Column("id", _plain(32), primary_key=True))
    op.bulk_insert(identity, [{"id": uuid.uuid4().hex}])
    op.create_table(
        "deletion",
        sa.Column("seal", _plain(64), primary_key=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("name", "bench", "folder")),
        sa.Column("started", _plain(25), nullable=False),
        sa.Column("number", sa.BigInteger),
        sa.Column("previous_seal", _plain(64)),
        sa.Column("deleted", _plain(25), nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("by", "why")),
    )
    op.create_index("record_by_previous_seal", "record", ["previous_seal"])
