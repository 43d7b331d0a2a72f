"""The chain of a bench's records: each says its number and the seal of the one before.

1. A record is added under a lock of the folder that holds the bench's runs. The head file there is written first, with
   the record to come, then the record, then the head again: whatever breaks off in between, the next one knows which
   record is the last.
2. A head that is gone or torn is found again from the records that stand there.
3. What is dropped, doubled, renamed or from elsewhere shows in numbers, seals and the names of folders, and at the end
   of the chain in the head. Like a seal without a signature this shows accident, not forgery.
4. What was deleted on purpose keeps its place by the note in its folder.
"""

from __future__ import annotations

import contextlib
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from stepwitness.records.manifest import FILE, SCHEMA, Record, open_record, write_record
from stepwitness.records.sealed import RecordError, seal_of
from stepwitness.records.tombstone import tombstones
from stepwitness.records.writing import write_over

PATIENCE_S = 60.0
"""How long another process that adds a record of the bench is waited for."""


@dataclass(frozen=True)
class Link:
    """One record of a chain: its number, from 1, its seal, and the name of its folder."""

    number: int
    sha256: str
    folder: str


@dataclass(frozen=True)
class Head:
    """The last record of a bench, and the one that is about to follow it."""

    last: Link | None = None
    coming: Link | None = None


# -- adding --------------------------------------------------------------------------------------------------


def add_record(directory: Path, bench: str, sections: Mapping[str, Any]) -> Path:
    """Seal `sections` and write them as the next record of `bench`, in `directory`; the path of the record.

    Raises
    ------
    RecordError : where a record stands there already, the folder or the one above it can't be written, or another
        process keeps the chain.
    """
    directory = Path(directory).absolute()
    above = directory.parent
    with _held(above, bench):
        last = _last(above, bench, _read_head(above, bench))
        number = last.number + 1 if last else 1
        previous = last.sha256 if last else None
        chain = {"bench": bench, "number": number, "previous": previous, "folder": directory.name}
        sections = {**sections, "chain": chain}
        coming = Link(number, seal_of(SCHEMA, sections)["sha256"], directory.name)
        try:
            _write_head(above, bench, Head(last, coming))
        except OSError as error:
            raise RecordError(f"{_head_path(above, bench)}: can't be written: {error.strerror}") from error
        path = write_record(directory, sections)
        with contextlib.suppress(OSError):  # the record stands, and the head says that it was coming
            _write_head(above, bench, Head(coming))
    return path


@contextlib.contextmanager
def _held(above: Path, bench: str) -> Iterator[None]:
    from filelock import FileLock, Timeout

    lock = FileLock(above / f".{bench}.chain.lock")
    try:
        lock.acquire(timeout=PATIENCE_S)
    except Timeout:
        raise RecordError(f"{above}: another process keeps the chain of {bench}") from None
    except OSError as error:
        raise RecordError(f"{above}: can't be written: {error.strerror}") from error
    try:
        yield
    finally:
        lock.release()


def _head_path(above: Path, bench: str) -> Path:
    return above / f".{bench}.chain.json"


def _write_head(above: Path, bench: str, head: Head) -> None:
    write_over(_head_path(above, bench), json.dumps(asdict(head)).encode())


def _read_head(above: Path, bench: str) -> Head | None:
    """The head as it stands; None where it is gone or torn."""
    try:
        told = json.loads(_head_path(above, bench).read_bytes())
        return Head(*(Link(**told[name]) if told[name] else None for name in ("last", "coming")))
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _last(above: Path, bench: str, head: Head | None) -> Link | None:
    """The last record that was sealed."""
    if head is None:
        links = [*_links(_records(above.glob(f"*/{FILE}")), bench), *_deleted(above, bench)]
        return max(links, key=lambda link: link.number, default=None)
    coming = head.coming
    if coming and any(
        record.seal.get("sha256") == coming.sha256 for record in _records([above / coming.folder / FILE])
    ):
        return coming
    return head.last


def _records(paths: Iterable[Path]) -> Iterator[Record]:
    for path in paths:
        with contextlib.suppress(RecordError):
            yield open_record(path.parent)


def _deleted(above: Path, bench: str) -> dict[Link, Any]:
    """The places of records that were deleted on purpose, each with the seal before it."""
    return {
        Link(int(one.chain["number"]), one.sha256, one.folder): one.chain.get("previous")
        for one in tombstones(above)
        if one.chain.get("bench") == bench
    }


def _links(records: Iterable[Record], bench: str) -> Iterator[Link]:
    for record in records:
        link = _link(record)
        if link is not None and record.sections["chain"].get("bench") == bench:
            yield link


def _link(record: Record) -> Link | None:
    """What a record says of its place; None for one of a schema without a chain, or that was changed."""
    chain = record.sections["chain"]
    number = chain.get("number") if isinstance(chain, dict) else None
    return Link(number, str(record.seal.get("sha256")), record.directory.name) if isinstance(number, int) else None


# -- verifying -----------------------------------------------------------------------------------------------


def broken_chains(directories: Iterable[Path]) -> list[str]:
    """What is dropped, doubled, out of order or from elsewhere among the records in `directories`.

    The records of one bench below one folder are one chain, which is due from number 1 to what its head says.
    """
    chains: dict[tuple[Path, str], list[Record]] = defaultdict(list)
    for record in _records(Path(directory).absolute() / FILE for directory in directories):
        if _link(record) is not None:
            chains[record.directory.parent, str(record.sections["chain"].get("bench"))].append(record)
    broken = []
    for (above, bench), records in sorted(chains.items(), key=lambda item: item[0]):
        broken += [f"{above.name}: {text}" for text in _broken_chain(above, bench, records)]
    return broken


def _moved(record: Record) -> bool:
    """Whether a record stands in another folder than the one in which it was sealed."""
    return bool(record.sections["chain"].get("folder") != record.directory.name)


def _broken_chain(above: Path, bench: str, records: Sequence[Record]) -> list[str]:
    broken = []
    by_number: dict[int, Link] = {}
    previous: dict[int, Any] = {}
    for record in sorted(records, key=lambda record: (_moved(record), record.directory.name)):
        link, chain = _link(record), record.sections["chain"]
        assert link is not None, "only such records were chosen"
        if _moved(record):
            broken.append(f"{link.folder} was sealed in the folder {chain.get('folder')}")
        earlier = by_number.get(link.number)
        if earlier is not None:
            how = f"is a copy of {earlier.folder}" if earlier.sha256 == link.sha256 else f"as {earlier.folder} is"
            broken.append(f"{link.folder} {how}, record {link.number} of {bench}")
            continue
        by_number[link.number], previous[link.number] = link, chain.get("previous")
    for link, before_it in _deleted(above, bench).items():
        if link.number not in by_number:
            by_number[link.number], previous[link.number] = link, before_it
    head = _read_head(above, bench)
    last = _last(above, bench, head)
    if head is None:
        broken.append(f"the head of the chain of {bench} is missing, so records may be missing at its end")
    if last is not None and last.number in by_number and by_number[last.number].sha256 != last.sha256:
        broken.append(f"{by_number[last.number].folder} isn't the record {last.number} of {bench} that was sealed")
    numbers = sorted({0, *by_number, max(last.number if last else 0, *by_number) + 1})
    for before, after in pairwise(numbers):
        if after - before > 1:
            what = f"{before + 1}" if after - before == 2 else f"{before + 1} to {after - 1}"
            broken.append(f"record {what} of {bench} is missing")
        elif after in by_number and previous[after] != (by_number[before].sha256 if before else None):
            where = by_number[before].folder if before else "nothing"
            broken.append(f"{by_number[after].folder} doesn't follow {where}, as its number {after} says")
    return broken
