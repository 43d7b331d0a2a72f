"""Signatures beside sealed documents, kept as they are: those of a record among its files, others as documents."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, select

from stepwitness.records.signature import signature_files
from stepwitness.records.store.documents import has_document, put_document
from stepwitness.records.store.models import RecordRow
from stepwitness.records.store.pieces import file_names, put_file

KIND = "signature"
"""As what the store keeps a signature of a document; its key is that document's seal and the name of its file."""


def put_signatures(connection: Connection, document: Path, seal: str) -> list[str]:
    """Keep the signatures beside a document of this seal, where that is here; the names of those that weren't.

    Raises
    ------
    StoreError : where one can't be read.
    """
    paths = signature_files(document)
    record_id = connection.scalar(select(RecordRow.id).where(RecordRow.seal == seal)) if paths else None
    if record_id is not None:
        held = file_names(connection, record_id)
        paths = [path for path in paths if path.name not in held]
        for path in paths:
            put_file(connection, record_id, path)
        return [path.name for path in paths]
    if not paths or not has_document(connection, seal):
        return []
    return [path.name for path in paths if put_document(connection, kind=KIND, key=f"{seal}/{path.name}", path=path)]
