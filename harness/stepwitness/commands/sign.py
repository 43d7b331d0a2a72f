"""`stepwitness sign`: a signature beside a sealed document, in its sheet, and in the store that has the document."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.documents import draw_page, one_document, told_broken
from stepwitness.commands.stored import add_store
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.errors import BadInput, Place, StepwitnessError

if TYPE_CHECKING:
    from stepwitness.records.store.address import Address


def add(commands: Commands) -> None:
    sign = commands.add_parser("sign", help="sign a record, or another sealed document, so that forgery shows too")
    sign.add_argument(
        "path",
        metavar="DOCUMENT",
        type=Path,
        help="the folder of a run, a lot, a qualification or an installation's proof; or another sealed file",
    )
    sign.add_argument(
        "--key", type=Path, required=True, metavar="FILE", help="private key, as 'stepwitness key' makes it"
    )
    add_store(sign, default="STEPWITNESS_STORE, or the one in the folder of reports")
    sign.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.sealed import read_sealed
    from stepwitness.records.signature import sign

    file = one_document(given.path)
    store = _store(given.store, file)
    if told_broken(file):
        say(f"{given.path}: not what was sealed, so it isn't signed", to_error=True)
        return NOT_GOOD
    seal = str(read_sealed(file).seal["sha256"])
    signature = sign(file, seal, given.key, passphrase=asked)
    draw_page(file)  # it says who signed
    say(str(signature))
    if store is not None:
        _file(store, file, seal, is_named=bool(given.store))
    return OK


def _store(where: str | None, file: Path) -> Address | None:
    """The store that may have the document: the one that is meant, or that of the folder of reports above it."""
    from stepwitness.records.store import address

    reports = next(
        (above for above in (*file.parents, *file.absolute().parents) if (above / address.FILE).is_file()),
        address.REPORTS,
    )
    found = address.Address(where, reports=reports)
    if found.file is None or found.file.is_file():
        return found
    if where:
        raise BadInput("there is no store here", place=Place(str(found.file)))
    return None


def _file(store: Address, file: Path, seal: str, *, is_named: bool) -> None:
    """A store that has the document takes its signature; what hinders it costs a line, and no signature.

    One that hasn't the document is no fault, unless it was named.
    """
    from stepwitness.records.store import Store

    try:
        with Store(store) as opened:
            if opened.file_signatures(file, seal):
                say(f"filed in {store}, too")
            elif is_named:
                say(f"not filed in {store}: it hasn't the document", to_error=True)
    except StepwitnessError as error:
        say(
            f"not in the store yet, 'stepwitness hand-over' files it: {' '.join(str(error).splitlines())}",
            to_error=True,
        )


def asked(prompt: str = "passphrase of the key: ") -> str:
    """What somebody at the terminal types unseen."""
    import getpass
    import sys

    if not sys.stdin.isatty():
        raise BadInput("the key is encrypted, and nobody is at a terminal to type its passphrase")
    return getpass.getpass(prompt)
