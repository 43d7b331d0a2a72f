"""Sealed documents that aren't the record of a run: the sheet of a lot, a qualification, an installation's proof."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from sqlalchemy import Connection, select

from stepwitness.records.store.errors import StoreError
from stepwitness.records.store.filing import now, put_once
from stepwitness.records.store.models import DocumentRow
from stepwitness.records.store.stored import StoredDocument


def put_document(connection: Connection, *, kind: str, key: str, path: Path) -> bool:
    """Keep the document at `path`; another state of the same key stands beside the earlier one. Whether it is new.

    Raises
    ------
    StoreError : where it can't be read.
    """
    data = _bytes_of(path)
    columns = {"kind": kind, "key": key, "seal": _seal(data), "filed": now(), "data": data}
    return put_once(connection, DocumentRow, columns) is not None


def has_document(connection: Connection, seal: str) -> bool:
    """Whether a document of this seal is kept."""
    return connection.scalar(select(DocumentRow.id).where(DocumentRow.seal == seal).limit(1)) is not None


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror}") from error


def seal_at(path: Path) -> str:
    """As which a document is kept: the seal that it says, or the SHA-256 of its bytes where it says none."""
    return _seal(_bytes_of(path))


def _seal(data: bytes) -> str:
    try:
        return str(json.loads(data)["seal"]["sha256"])
    except (ValueError, TypeError, KeyError):
        return hashlib.sha256(data).hexdigest()


def documents_of(connection: Connection, *, kind: str, key_prefix: str) -> tuple[StoredDocument, ...]:
    """By key; the states of one key in the order in which they were filed."""
    wanted = select(DocumentRow.kind, DocumentRow.key, DocumentRow.seal, DocumentRow.filed, DocumentRow.data).where(
        DocumentRow.kind == kind
    )
    if key_prefix:
        wanted = wanted.where(DocumentRow.key.startswith(key_prefix, autoescape=True))
    return tuple(StoredDocument(*row) for row in connection.execute(wanted.order_by(DocumentRow.key, DocumentRow.id)))
