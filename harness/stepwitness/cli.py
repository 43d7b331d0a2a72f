"""The `stepwitness` command: checks without motion, schemas for editors, and work on records.

Exit codes: 0 all is well; 1 a finding isn't good enough or a record isn't whole; 2 the input is wrong. An error is
one line on the standard error stream. Renderers are reached by entry point, never by import.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import NoReturn

from stepwitness.commands import (
    check,
    compare,
    delete,
    evaluate,
    evaluate_csv,
    export,
    hand_over,
    import_,
    key,
    list_,
    lot,
    prove_installation,
    qualify,
    readings,
    report,
    runs,
    sample,
    schema,
    show,
    sign,
    since_last_good,
    study,
    summary,
    trend,
    verify,
)
from stepwitness.commands.terminal import INTERRUPTED, OK, told
from stepwitness.errors import BadInput, Place, StepwitnessError

COMMANDS = (
    check,
    runs,
    sample,
    lot,
    qualify,
    schema,
    evaluate,
    evaluate_csv,
    study,
    report,
    summary,
    list_,
    show,
    compare,
    trend,
    since_last_good,
    readings,
    export,
    import_,
    hand_over,
    delete,
    verify,
    key,
    sign,
    prove_installation,
)
"""In the order in which `--help` lists them."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    try:
        given = _parser().parse_args(arguments)
        code: int = given.run(given)
        sys.stdout.flush()
    except StepwitnessError as error:
        return told(error)
    except BrokenPipeError:  # the reader went away, as `| head` does; nothing is left to say
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except KeyboardInterrupt:
        return INTERRUPTED
    return code


class _Parser(argparse.ArgumentParser):
    """Says its errors as we say all others."""

    def error(self, message: str) -> NoReturn:
        raise BadInput(message, place=Place(self.prog), cure=f"see '{self.prog} --help'")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="stepwitness",
        description="Checks plans without motion, and works on the records of runs. Runs themselves go by pytest.",
        epilog="exit codes: 0 all is well, 1 a finding or a record isn't good enough, 2 wrong input",
    )
    parser.add_argument("--version", action="version", version=version("pytest-stepwitness"))
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
