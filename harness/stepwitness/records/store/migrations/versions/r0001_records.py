"""Records with their findings and files, and sealed documents."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_DOUBLE = sa.Float(53)


def _plain(length: int) -> sa.String:
    return sa.String(length).with_variant(sa.String(length, collation="C"), "postgresql")


def upgrade() -> None:
    seal, instant = _plain(64), _plain(25)
    op.create_table(
        "subject",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("digest", seal, nullable=False, unique=True),
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("axis", sa.Text, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("plan", sa.Text, nullable=False),
        sa.Column("simulated", sa.Boolean, nullable=False),
    )
    op.create_index("subject_by_axis", "subject", ["axis", "serial"])
    op.create_index("subject_by_bench", "subject", ["bench"])
    op.create_index("subject_by_serial", "subject", ["serial"])
    op.create_table(
        "splits",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("digest", seal, nullable=False, unique=True),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_table(
        "characteristic",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("digest", seal, nullable=False, unique=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("procedure", "name", "title")),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("symbol", "kind", "unit")),
    )
    op.create_index("characteristic_by_name", "characteristic", ["name", "procedure"])
    op.create_table(
        "record",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("seal", seal, nullable=False, unique=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("subject_id", _NUMBER, sa.ForeignKey("subject.id"), nullable=False),
        sa.Column("splits_id", _NUMBER, sa.ForeignKey("splits.id"), nullable=False),
        sa.Column("purpose", sa.Text, nullable=False),
        sa.Column("started", instant, nullable=False),
        sa.Column("ended", instant, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("worst", sa.Text, nullable=False),
        sa.Column("partial", sa.Boolean, nullable=False),
        sa.Column("attempt", sa.Integer, nullable=False),
        sa.Column("previous", sa.Text),
        sa.Column("folder", sa.Text, nullable=False),
        sa.Column("number", sa.BigInteger),
        sa.Column("previous_seal", seal),
        sa.Column("filed", instant, nullable=False),
    )
    op.create_index("record_by_time", "record", ["started", "seal"])
    op.create_index("record_by_subject", "record", ["subject_id", "started", "seal"])
    op.create_index("record_by_name", "record", ["name"])
    op.create_table(
        "finding",
        sa.Column("record_id", _NUMBER, sa.ForeignKey("record.id"), primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("characteristic_id", _NUMBER, sa.ForeignKey("characteristic.id"), nullable=False),
        sa.Column("subject_id", _NUMBER, sa.ForeignKey("subject.id"), nullable=False),
        sa.Column("started", instant, nullable=False),
        *(sa.Column(name, _DOUBLE) for name in ("value", "u", "expanded", "k", "bound")),
        *(sa.Column(name, sa.Text) for name in ("sense", "rule", "verdict")),
        sa.Column("statement", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
    )
    op.create_index("finding_by_trend", "finding", ["characteristic_id", "subject_id", "started"])
    op.create_table(
        "file",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("record_id", _NUMBER, sa.ForeignKey("record.id"), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.UniqueConstraint("record_id", "name", name="file_once"),
    )
    op.create_table(
        "piece",
        sa.Column("file_id", _NUMBER, sa.ForeignKey("file.id"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "document",
        sa.Column("id", _NUMBER, primary_key=True),
        sa.Column("kind", _plain(40), nullable=False),
        sa.Column("key", _plain(400), nullable=False),
        sa.Column("seal", seal, nullable=False),
        sa.Column("filed", instant, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("kind", "key", "seal", name="document_once"),
    )
    op.create_index("document_by_key", "document", ["kind", "key", "filed"])
