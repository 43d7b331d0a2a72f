"""`stepwitness verify`: seals, every batch of the journals, signatures, and the chain of a bench's records."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.terminal import NOT_GOOD, OK, RECORD_FILE, Commands, say
from stepwitness.errors import BadInput, Place

if TYPE_CHECKING:
    from stepwitness.records.signature import Signature

UNSIGNED = "not signed: the seal shows accident, not forgery"


def add(commands: Commands) -> None:
    verify = commands.add_parser(
        "verify", help="say which field, reading or record was changed since it was sealed, or that none was"
    )
    verify.add_argument(
        "path",
        metavar="RECORD",
        type=Path,
        help="the folder of a run; or a folder with many, whose chains are checked too; or another sealed file",
    )
    verify.add_argument("--public-key", type=Path, metavar="FILE", help="demand a signature with this key")
    verify.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    path: Path = given.path
    wanted = _Wanted.of(given.public_key)
    if path.is_file() or (path / RECORD_FILE).is_file():
        return _one(path, wanted)
    directories = sorted(found.parent for found in path.rglob(RECORD_FILE))
    if not directories:
        raise BadInput(
            "there is no record here",
            place=Place(str(path)),
            allowed=f"a folder with {RECORD_FILE}, or one above such folders",
        )
    return _many(path, directories, wanted)


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
    """What is wrong with one document, and what else is to be said of it."""

    broken: tuple[str, ...]
    notes: tuple[str, ...]
    signed: bool

    @property
    def verdict(self) -> str:
        return "not what was sealed" if self.broken else "whole, as sealed"


def _one(path: Path, wanted: _Wanted) -> int:
    found = _found(path, wanted)
    for place in found.broken:
        say(place)
    say(f"{path}: {found.verdict}")
    for note in found.notes:
        say(f"  {note}")
    return NOT_GOOD if found.broken else OK


def _many(path: Path, directories: Sequence[Path], wanted: _Wanted) -> int:
    from stepwitness.records.chain import broken_chains

    whole = unsigned = 0
    for directory in directories:
        found = _found(directory, wanted)
        whole, unsigned = whole + (not found.broken), unsigned + (not found.signed)
        if found.broken:
            say(f"{directory}: {found.verdict}")
        for place in found.broken:
            say(f"  {place}")
    chains = broken_chains(directories)
    for place in chains:
        say(place)
    chained = "broken" if chains else "whole"
    records = f"{len(directories)} record{'s' if len(directories) > 1 else ''}"
    say(f"{path}: {records}, {whole} of them whole, as sealed; chains {chained}")
    if unsigned:
        say(f"  {unsigned} {UNSIGNED.replace('the seal shows', 'their seals show') if unsigned > 1 else UNSIGNED}")
    return NOT_GOOD if chains or whole < len(directories) else OK


def _found(path: Path, wanted: _Wanted) -> _Found:
    from stepwitness.records.manifest import verify
    from stepwitness.records.sealed import RecordError, broken_places, read_sealed
    from stepwitness.records.signature import signatures

    file = path if path.is_file() else path / RECORD_FILE
    broken = broken_places(file) if path.is_file() and path.name != RECORD_FILE else verify(file.parent)
    try:
        sealed = read_sealed(file)
    except RecordError:
        return _Found(tuple(broken), (), signed=False)
    seal = str(sealed.seal.get("sha256", ""))
    held = signatures(file, seal)
    broken += [f"{one.file}: {one.broken}" for one in held if one.broken]
    good = [one for one in held if not one.broken]
    if wanted.key and wanted.key not in {one.key for one in good}:
        broken.append(f"{file.name}: isn't signed with the key of {wanted.file}")
    chain = sealed.sections.get("chain")
    notes = [_place(chain, seal) if isinstance(chain, dict) else f"seal {seal[:16]}…", *_signed(good, wanted)]
    return _Found(tuple(broken), tuple(notes), signed=bool(good))


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
