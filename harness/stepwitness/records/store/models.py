"""The tables of the store.

1. A word that stands in many rows (who was tested by what, with what, which characteristic) stands once, in a table of
   its own, under the SHA-256 of its columns; rows refer to it by number.
2. Times are ISO 8601 in UTC to the second, and so sort as text; numbers are SI, as in the record.
3. A change here is a migration beside it: `migrations/versions`.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


def plain_text(length: int) -> String:
    """Text that sorts by its bytes, whatever language the database speaks."""
    return String(length).with_variant(String(length, collation="C"), "postgresql")


NUMBER = BigInteger().with_variant(Integer(), "sqlite")
"""A row's number; SQLite counts by itself in INTEGER alone."""

SEAL = plain_text(64)
INSTANT = plain_text(25)
DOUBLE = Float(53)


class Base(DeclarativeBase):
    """The tables' common metadata."""


class SubjectRow(Base):
    """Who was tested, on what bench, by which plan; stand-ins and real parts are never the same subject."""

    __tablename__ = "subject"
    __table_args__ = (
        Index("subject_by_axis", "axis", "serial"),
        Index("subject_by_bench", "bench"),
        Index("subject_by_serial", "serial"),
    )

    id: Mapped[int] = mapped_column(NUMBER, primary_key=True)
    digest: Mapped[str] = mapped_column(SEAL, unique=True)
    bench: Mapped[str] = mapped_column(Text)
    axis: Mapped[str] = mapped_column(Text)
    serial: Mapped[str] = mapped_column(Text)
    plan: Mapped[str] = mapped_column(Text)
    simulated: Mapped[bool] = mapped_column(Boolean)


class SplitsRow(Base):
    """What splits a history, by name, as a JSON object of texts."""

    __tablename__ = "splits"

    id: Mapped[int] = mapped_column(NUMBER, primary_key=True)
    digest: Mapped[str] = mapped_column(SEAL, unique=True)
    content: Mapped[str] = mapped_column(Text)


class CharacteristicRow(Base):
    """A characteristic of a procedure of a plan; `procedure` is its id there."""

    __tablename__ = "characteristic"
    __table_args__ = (Index("characteristic_by_name", "name", "procedure"),)

    id: Mapped[int] = mapped_column(NUMBER, primary_key=True)
    digest: Mapped[str] = mapped_column(SEAL, unique=True)
    procedure: Mapped[str] = mapped_column(Text)
    name: Mapped[str] = mapped_column(Text)
    title: Mapped[str] = mapped_column(Text)
    symbol: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    unit: Mapped[str] = mapped_column(Text)


class RecordRow(Base):
    """A record; `previous_seal` and `number` are its place in the chain of its bench, where it has one."""

    __tablename__ = "record"
    __table_args__ = (
        Index("record_by_time", "started", "seal"),
        Index("record_by_subject", "subject_id", "started", "seal"),
        Index("record_by_name", "name"),
        Index("record_by_previous_seal", "previous_seal"),
    )

    id: Mapped[int] = mapped_column(NUMBER, primary_key=True)
    seal: Mapped[str] = mapped_column(SEAL, unique=True)
    name: Mapped[str] = mapped_column(Text)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id"))
    splits_id: Mapped[int] = mapped_column(ForeignKey("splits.id"))
    purpose: Mapped[str] = mapped_column(Text)
    started: Mapped[str] = mapped_column(INSTANT)
    ended: Mapped[str] = mapped_column(INSTANT)
    verdict: Mapped[str] = mapped_column(Text)
    worst: Mapped[str] = mapped_column(Text)
    partial: Mapped[bool] = mapped_column(Boolean)
    attempt: Mapped[int] = mapped_column(Integer)
    previous: Mapped[str | None] = mapped_column(Text)
    folder: Mapped[str] = mapped_column(Text)
    number: Mapped[int | None] = mapped_column(BigInteger)
    previous_seal: Mapped[str | None] = mapped_column(SEAL)
    filed: Mapped[str] = mapped_column(INSTANT)


class FindingRow(Base):
    """An estimate of a record, and the finding where it had a limit; without one `verdict` and all about it are null.

    `subject_id` and `started` are the record's, repeated so that a trend is one range of one index.
    """

    __tablename__ = "finding"
    __table_args__ = (Index("finding_by_trend", "characteristic_id", "subject_id", "started"),)

    record_id: Mapped[int] = mapped_column(ForeignKey("record.id"), primary_key=True)
    position: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    characteristic_id: Mapped[int] = mapped_column(ForeignKey("characteristic.id"))
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id"))
    started: Mapped[str] = mapped_column(INSTANT)
    value: Mapped[float | None] = mapped_column(DOUBLE)
    u: Mapped[float | None] = mapped_column(DOUBLE)
    expanded: Mapped[float | None] = mapped_column(DOUBLE)
    k: Mapped[float | None] = mapped_column(DOUBLE)
    bound: Mapped[float | None] = mapped_column(DOUBLE)
    sense: Mapped[str | None] = mapped_column(Text)
    rule: Mapped[str | None] = mapped_column(Text)
    verdict: Mapped[str | None] = mapped_column(Text)
    statement: Mapped[str] = mapped_column(Text)
    reason: Mapped[str] = mapped_column(Text)


class FileRow(Base):
    """A file of a record, as it was sealed."""

    __tablename__ = "file"
    __table_args__ = (UniqueConstraint("record_id", "name", name="file_once"),)

    id: Mapped[int] = mapped_column(NUMBER, primary_key=True)
    record_id: Mapped[int] = mapped_column(ForeignKey("record.id"))
    name: Mapped[str] = mapped_column(Text)
    size: Mapped[int] = mapped_column(BigInteger)


class PieceRow(Base):
    """A piece of a file, compressed (zlib); pieces follow one another by number."""

    __tablename__ = "piece"

    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"), primary_key=True)
    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    data: Mapped[bytes] = mapped_column(LargeBinary)


class DocumentRow(Base):
    """A sealed document that isn't the record of a run; another state of it is another row."""

    __tablename__ = "document"
    __table_args__ = (
        UniqueConstraint("kind", "key", "seal", name="document_once"),
        Index("document_by_key", "kind", "key", "filed"),
    )

    id: Mapped[int] = mapped_column(NUMBER, primary_key=True)
    kind: Mapped[str] = mapped_column(plain_text(40))
    key: Mapped[str] = mapped_column(plain_text(400))
    seal: Mapped[str] = mapped_column(SEAL)
    filed: Mapped[str] = mapped_column(INSTANT)
    data: Mapped[bytes] = mapped_column(LargeBinary)


class IdentityRow(Base):
    """One row: which store this is, so that a rig remembers what it has handed over to it."""

    __tablename__ = "identity"

    id: Mapped[str] = mapped_column(plain_text(32), primary_key=True)


class DeletionRow(Base):
    """What stays of a record that was deleted: its seal, its place in the chain, and who deleted it when and why."""

    __tablename__ = "deletion"

    seal: Mapped[str] = mapped_column(SEAL, primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    bench: Mapped[str] = mapped_column(Text)
    folder: Mapped[str] = mapped_column(Text)
    started: Mapped[str] = mapped_column(INSTANT)
    number: Mapped[int | None] = mapped_column(BigInteger)
    previous_seal: Mapped[str | None] = mapped_column(SEAL)
    deleted: Mapped[str] = mapped_column(INSTANT)
    by: Mapped[str] = mapped_column(Text)
    why: Mapped[str] = mapped_column(Text)
