"""`stepwitness key`: a pair of keys, one to sign with and one to give away."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.sign import asked
from stepwitness.commands.terminal import OK, Commands, say
from stepwitness.errors import BadInput


def add(commands: Commands) -> None:
    key = commands.add_parser("key", help="make a key to sign records with, and the public key that verifies them")
    key.add_argument("file", metavar="FILE", type=Path, help="the private key's file; the public one is FILE.pub")
    key.add_argument("--passphrase", action="store_true", help="ask for a passphrase that encrypts the private key")
    key.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.signature import make_key, public_path

    passphrase = ""
    if given.passphrase:
        passphrase = asked("passphrase: ")
        if not passphrase or asked("again: ") != passphrase:
            raise BadInput("the passphrases are empty or differ")
    fingerprint = make_key(given.file, passphrase)
    say(f"{given.file}: signs; keep it where nobody else can read it")
    say(f"{public_path(given.file)}: verifies; give it away, with its fingerprint by another way")
    say(fingerprint)
    return OK
