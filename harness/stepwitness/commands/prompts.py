"""An operator at a terminal, or a script on a pipe: lines out, lines in.

1. Answers are read line by line from the standard input, so that a script can give them.
2. ``q`` at any question breaks off; so does the end of the input.
3. What is told goes to the standard output, or to the standard error where that is kept for a machine.
"""

from __future__ import annotations

import sys
import textwrap
from dataclasses import dataclass

from stepwitness.commands.terminal import WIDTH, say

QUIT = "q"


@dataclass(frozen=True)
class AtTerminal:
    """Asks whoever is at the standard input."""

    to_error: bool = False

    def say(self, text: str) -> None:
        say_wrapped(text, to_error=self.to_error)

    def confirm(self, text: str) -> None:
        self._asked(text)

    def confirm_by(self, text: str, word: str) -> None:
        while self._asked(text).strip().lower() != word:
            self.say(f"nothing moves without the word '{word}'; '{QUIT}' breaks off")

    def scan(self, text: str, due: str) -> str:  # noqa: ARG002 (an operator knows no better than the label)
        return self._asked(text)

    def _asked(self, text: str) -> str:
        from stepwitness.attendance import BrokenOff

        stream = sys.stderr if self.to_error else sys.stdout
        print(f"  {text}: ", end="", file=stream, flush=True)
        answer = sys.stdin.readline()
        if not sys.stdin.isatty():  # where nobody typed it, nothing shows it
            print(answer.rstrip("\n"), file=stream)
        if not answer:
            raise BrokenOff("the input ended; the work can be carried on")
        if answer.strip() == QUIT:
            raise BrokenOff("broken off by the operator; the work can be carried on")
        return answer.rstrip("\n")


@dataclass(frozen=True)
class Unattended:
    """Nobody to ask: for stand-ins alone, where nothing has to be mounted and nobody can be hurt."""

    to_error: bool = False

    def say(self, text: str) -> None:
        say_wrapped(text, to_error=self.to_error)

    def confirm(self, text: str) -> None:
        pass

    def confirm_by(self, text: str, word: str) -> None:
        pass

    def scan(self, text: str, due: str) -> str:  # noqa: ARG002 (there is no label to read)
        return due


def say_wrapped(text: str, *, to_error: bool = False, indent: str = "  ") -> None:
    """Print `text` in lines that fit; a heading that begins with an empty line stands at the margin."""
    if text.startswith("\n"):
        say("", to_error=to_error)
        text, indent = text[1:], ""
    for line in textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
    ):
        say(line, to_error=to_error)
