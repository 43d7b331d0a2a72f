"""What the commands share: exit codes, the voice of the terminal, and the folder of a record."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from stepwitness.errors import BadInput, Place, StepwitnessError
from stepwitness.records.kinds import RECORD

if TYPE_CHECKING:
    from stepwitness.axis import Axis
    from stepwitness.findings import Finding
    from stepwitness.findings_table import Row

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

OK, NOT_GOOD, BAD_INPUT = 0, 1, 2
INTERRUPTED = 130

WIDTH = 80


def say(text: str, *, to_error: bool = False) -> None:
    """Print `text`, in ASCII where the stream can't carry it."""
    stream = sys.stderr if to_error else sys.stdout
    try:
        text.encode(stream.encoding or "ascii")
    except UnicodeEncodeError:
        from stepwitness.display import ascii_fallback

        text = ascii_fallback(text)
    print(text, file=stream)


def told(error: StepwitnessError) -> int:
    """Say `error` in one line; the exit code that belongs to it."""
    say(" ".join(str(error).splitlines()), to_error=True)
    return BAD_INPUT if isinstance(error, BadInput) else NOT_GOOD


def record_folder(directory: Path) -> Path:
    if not (directory / RECORD.file).is_file():
        raise BadInput("there is no record here", place=Place(str(directory)), allowed=f"a folder with {RECORD.file}")
    return directory


def good_enough(findings: Sequence[Finding], *, strict: bool) -> bool:
    """Whether the worst of them lets a plan of its purpose pass."""
    from stepwitness.findings import Verdict, worst

    enough = (Verdict.PASS,) if strict else (Verdict.PASS, Verdict.NOT_OBSERVABLE)
    return worst(finding.verdict for finding in findings) in enough


def say_findings(findings: Sequence[Finding], axis: Axis) -> None:
    """The table of findings."""
    from stepwitness.display import columns

    say_table_of_findings([columns(finding, axis) for finding in findings])


def say_table_of_findings(rows: Sequence[Row]) -> None:
    """The table of so many rows, with its head."""
    from stepwitness.findings_table import HEAD, table

    for line in table([HEAD, *rows]):
        say(line.text)
