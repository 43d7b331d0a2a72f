"""Files in the store: compressed piece by piece, so that neither way holds more than a piece in memory."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection, insert, select

from stepwitness.records.store.errors import StoreError
from stepwitness.records.store.models import FileRow, PieceRow

PIECE_BYTES = 1 << 20


def put_file(connection: Connection, record_id: int, path: Path) -> None:
    """Keep the file at `path`, under its name, for a record.

    Raises
    ------
    StoreError : where it can't be read.
    """
    try:
        with open(path, "rb") as file:
            size = path.stat().st_size
            row = insert(FileRow).values(record_id=record_id, name=path.name, size=size).returning(FileRow.id)
            file_id = connection.execute(row).scalar_one()
            for number, data in enumerate(iter(lambda: file.read(PIECE_BYTES), b"")):
                connection.execute(insert(PieceRow).values(file_id=file_id, number=number, data=zlib.compress(data, 6)))
    except OSError as error:
        raise StoreError(f"{path}: can't be read: {error.strerror}") from error


def file_names(connection: Connection, record_id: int) -> list[str]:
    """The names of a record's files, the record's own first."""
    return list(connection.scalars(select(FileRow.name).where(FileRow.record_id == record_id).order_by(FileRow.id)))


def file_pieces(connection: Connection, record_id: int, name: str) -> Iterator[bytes]:
    """What a file holds, piece by piece, as it was."""
    file = connection.execute(
        select(FileRow.id).where(FileRow.record_id == record_id, FileRow.name == name)
    ).scalar_one()
    number = 0
    while True:
        data = connection.scalar(select(PieceRow.data).where(PieceRow.file_id == file, PieceRow.number == number))
        if data is None:
            return
        yield zlib.decompress(data)
        number += 1
