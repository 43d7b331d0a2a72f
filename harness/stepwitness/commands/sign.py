"""`stepwitness sign`: a signature beside a sealed document."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.terminal import NOT_GOOD, OK, RECORD_FILE, Commands, record_folder, say
from stepwitness.errors import BadInput


def add(commands: Commands) -> None:
    sign = commands.add_parser("sign", help="sign a record, so that forgery shows too")
    sign.add_argument("path", metavar="RECORD", type=Path, help="the folder of a run, or another sealed file")
    sign.add_argument(
        "--key", type=Path, required=True, metavar="FILE", help="private key, as 'stepwitness key' makes it"
    )
    sign.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.manifest import verify
    from stepwitness.records.sealed import broken_places, read_sealed
    from stepwitness.records.signature import sign

    path: Path = given.path
    file = path if path.is_file() else record_folder(path) / RECORD_FILE
    broken = broken_places(file) if path.is_file() else verify(path)
    for place in broken:
        say(place, to_error=True)
    if broken:
        say(f"{path}: not what was sealed, so it isn't signed", to_error=True)
        return NOT_GOOD
    say(str(sign(file, str(read_sealed(file).seal["sha256"]), given.key, passphrase=asked)))
    return OK


def asked(prompt: str = "passphrase of the key: ") -> str:
    """What somebody at the terminal types unseen."""
    import getpass
    import sys

    if not sys.stdin.isatty():
        raise BadInput("the key is encrypted, and nobody is at a terminal to type its passphrase")
    return getpass.getpass(prompt)
