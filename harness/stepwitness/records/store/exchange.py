"""Records from one store to another, in a zip of their folders as they were sealed.

1. What goes out is what came in, to the byte; whoever takes it in verifies it first.
2. Of a zip from elsewhere, names are taken only as far as they name a file of a run's folder below the place of
   unpacking.
"""

from __future__ import annotations

import re
import tempfile
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePosixPath

from stepwitness.errors import BadInput, Place
from stepwitness.records import signature
from stepwitness.records.journal import SUFFIX
from stepwitness.records.manifest import FILE
from stepwitness.records.store.errors import StoreError
from stepwitness.records.store.store import Store
from stepwitness.records.store.stored import StoredRecord

_CHUNK_BYTES = 1 << 20
_WORD = re.compile(r"[^/\\:*?\"<>|\x00-\x1f]+")


def write_zip(store: Store, records: Iterable[StoredRecord], path: Path) -> int:
    """Write the folders of `records`, with journals and signatures, to a new zip; how many.

    Raises
    ------
    BadInput : where the file is there already, or can't be written.
    """
    number, taken = 0, set()
    try:
        with zipfile.ZipFile(path, "x", zipfile.ZIP_DEFLATED) as archive:
            for record in records:
                folder = record.folder if record.folder not in taken else f"{record.folder}-{record.seal[:8]}"
                taken.add(folder)
                for name in store.file_names(record.seal):
                    with archive.open(f"{folder}/{name}", "w", force_zip64=True) as member:
                        for piece in store.pieces(record.seal, name):
                            member.write(piece)
                number += 1
    except FileExistsError:
        raise BadInput("exists already and isn't replaced", place=Place(str(path))) from None
    except OSError as error:
        raise BadInput(f"can't be written ({error.strerror})", place=Place(str(path))) from None
    return number


def take_in(store: Store, path: Path) -> Iterator[StoredRecord | StoreError]:
    """File each record in a zip, in a run's folder, or in the folders below one; a record, or why it isn't taken.

    Raises
    ------
    BadInput : where there is no record at all, or the file is no zip of records.
    """
    if path.is_dir():
        yield from _file_all(store, path, path)
        return
    with tempfile.TemporaryDirectory() as room:
        _unpack(path, Path(room))
        yield from _file_all(store, Path(room), path)


def _file_all(store: Store, top: Path, named: Path) -> Iterator[StoredRecord | StoreError]:
    found = sorted(file.parent for file in top.rglob(FILE))
    if not found:
        raise BadInput("there is no record here", place=Place(str(named)), allowed=f"a zip or folders with {FILE}")
    for directory in found:
        folder = directory.relative_to(top).as_posix()
        try:
            yield store.file(directory, folder="" if folder == "." else folder)
        except StoreError as error:
            yield error


def _unpack(path: Path, room: Path) -> None:
    place = Place(str(path))
    try:
        with zipfile.ZipFile(path) as archive:
            for member in archive.infolist():
                if member.is_dir():
                    continue
                target = room / _checked(member.filename, place)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as packed, open(target, "xb") as file:
                    while data := packed.read(_CHUNK_BYTES):
                        file.write(data)
    except FileNotFoundError:
        raise BadInput("there is no such file", place=place) from None
    except (zipfile.BadZipFile, FileExistsError, EOFError) as error:
        raise BadInput(f"isn't a zip of records: {error}", place=place) from None
    except OSError as error:
        raise BadInput(f"can't be unpacked ({error.strerror})", place=place) from None


def _checked(name: str, place: Place) -> PurePosixPath:
    """The name of a member, where it is that of a record, a journal or a signature and stays below."""
    inside = PurePosixPath(name)
    words = all(_WORD.fullmatch(part) and part not in (".", "..") for part in inside.parts)
    if not words or inside.is_absolute() or not _is_of_a_record(inside.name):
        raise BadInput("holds a file that is no part of a record", place=place, found=f"'{name}'")
    return inside


def _is_of_a_record(name: str) -> bool:
    return name == FILE or name.endswith((SUFFIX, signature.SUFFIX))
