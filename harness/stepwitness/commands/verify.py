"""`stepwitness verify`: seals, every batch of the journals, signatures, and the chain of a bench's records.

Of a folder with many: every record and every other document below it, and the chains of the records.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.documents import broken_in, document_at, documents_below
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.records.kinds import RECORD

if TYPE_CHECKING:
    from stepwitness.records.signature import Signature

UNSIGNED = "not signed: the seal shows accident, not forgery"


def add(commands: Commands) -> None:
    verify = commands.add_parser(
        "verify", help="say which field, reading or record was changed since it was sealed, or that none was"
    )
    verify.add_argument(
        "path",
        metavar="DOCUMENT",
        type=Path,
        help="the folder of a run, a lot, a qualification or an installation's proof; or a folder with many, whose "
        "chains are checked too; or another sealed file",
    )
    verify.add_argument("--public-key", type=Path, metavar="FILE", help="demand a signature with this key")
    verify.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    path: Path = given.path
    wanted = _Wanted.of(given.public_key)
    file = document_at(path)
    return _one(path, file, wanted) if file is not None else _many(path, documents_below(path), wanted)


@dataclass(frozen=True)
class _Wanted:
    """The key with which a document must be signed, and its file; both empty where none is demanded."""

    key: str
    file: str

    @classmethod
    def of(cls, public_key: Path | None) -> _Wanted:
        if public_key is None:
            return cls("", "")
        from stepwitness.records.signature import key_in

        return cls(key_in(public_key), str(public_key))


@dataclass(frozen=True)
class _Found:
    """What is wrong with one document, and what else is to be said of it.

    `lacks` : the file of the key with which it should be signed and isn't; empty where nothing is lacking.
    """

    broken: tuple[str, ...]
    lacks: str
    notes: tuple[str, ...]
    signed: bool

    @property
    def good(self) -> bool:
        return not self.broken and not self.lacks

    @property
    def verdict(self) -> str:
        if not self.lacks:
            return "not what was sealed" if self.broken else "whole, as sealed"
        return f"{'not what was sealed, and' if self.broken else 'whole, as sealed, but'} {_without(self.lacks)}"


def _without(key: str) -> str:
    return f"not signed with the key of {key}"


def _one(path: Path, file: Path, wanted: _Wanted) -> int:
    found = _found(file, wanted)
    for place in found.broken:
        say(place)
    say(f"{path}: {found.verdict}")
    for note in found.notes:
        say(f"  {note}")
    return OK if found.good else NOT_GOOD


def _many(path: Path, files: Sequence[Path], wanted: _Wanted) -> int:
    from stepwitness.display import counted
    from stepwitness.records.chain import broken_chains

    runs = [file.parent for file in files if file.name == RECORD.file]
    whole = unsigned = 0
    for file in files:
        found = _found(file, wanted)
        whole += not found.broken
        unsigned += bool(found.lacks) if wanted.key else not found.signed
        if not found.good:
            say(f"{file.parent if file.name == RECORD.file else file}: {found.verdict}")
        for place in found.broken:
            say(f"  {place}")
    chains = broken_chains(runs)
    for place in chains:
        say(place)
    kinds = ((len(runs), "record"), (len(files) - len(runs), "other document" if runs else "document"))
    held = " and ".join(counted(count, what, gap=" ") for count, what in kinds if count)
    chained = f"; chains of records {'broken' if chains else 'whole'}" if runs else ""
    say(f"{path}: {held}, {_so_many(whole, len(files))}{chained}")
    if unsigned and wanted.key:
        say(f"  {unsigned} {_without(wanted.file)}")
    elif unsigned:
        say(f"  {unsigned} {UNSIGNED.replace('the seal shows', 'their seals show') if unsigned > 1 else UNSIGNED}")
    return NOT_GOOD if chains or whole < len(files) or (unsigned and wanted.key) else OK


def _so_many(whole: int, of: int) -> str:
    told = f"{whole} of {of} " if whole < of else "all " if of > 1 else ""
    return f"{told}whole, as sealed"


def _found(file: Path, wanted: _Wanted) -> _Found:
    from stepwitness.records.sealed import RecordError, read_sealed
    from stepwitness.records.signature import signatures

    broken = broken_in(file)
    try:
        sealed = read_sealed(file)
    except RecordError:
        return _Found(tuple(broken), wanted.file, (), signed=False)
    seal = str(sealed.seal.get("sha256", ""))
    held = signatures(file, seal)
    broken += [f"{one.file}: {one.broken}" for one in held if one.broken]
    good = [one for one in held if not one.broken]
    lacks = "" if wanted.key in {one.key for one in good} else wanted.file
    chain = sealed.sections.get("chain")
    notes = [_place(chain, seal) if isinstance(chain, dict) else f"seal {seal[:16]}…", *_signed(good, wanted)]
    return _Found(tuple(broken), lacks, tuple(notes), signed=bool(good))


def _place(chain: dict[str, object], seal: str) -> str:
    after = f", after {str(chain['previous'])[:16]}…" if chain.get("previous") else ""
    return f"record {chain.get('number')} of {chain.get('bench')}, seal {seal[:16]}…{after}"


def _signed(good: Sequence[Signature], wanted: _Wanted) -> Iterator[str]:
    if not good:
        yield UNSIGNED
    for one in good:
        signed = f"signed {one.signed} with"
        if one.key == wanted.key:
            yield f"{signed} the key of {wanted.file}"
        else:
            yield f"{signed} key {one.fingerprint[:16]}…" + ("" if wanted.key else "; --public-key says whose that is")
