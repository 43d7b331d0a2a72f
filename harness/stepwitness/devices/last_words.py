"""What stops a part, said over the descriptor that an owner who died has left.

1. Words do no I/O: bytes in, bytes out. `speak` alone reads and writes, and needs none of the libraries that the owner
   had the port open with.
2. Words may be heard twice without harm, and are said again until the part confirms them.
3. An owner that isn't dead, only stopped, keeps its replies: `tell` says the words, twice, and reads nothing.
4. The dead may have left half a request: each try begins with what ends it, a line end or a silence, and the silence
   grows from try to try.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from stepwitness.devices.errors import LinkLost, NoReply
from stepwitness.devices.inherited import write_all


class LastWords(Protocol):
    """A conversation that stops a part. An instance speaks once.

    Attributes
    ----------
    silence_s : for which nothing may have come before the first try. patience_s : after which a try has failed.
    tries : how many are worth making before the part is opened anew.
    confirmed : whether the part has said that it does as told; True from the start where nobody listens to that.
    """

    @property
    def silence_s(self) -> float: ...

    @property
    def patience_s(self) -> float: ...

    @property
    def tries(self) -> int: ...

    @property
    def confirmed(self) -> bool: ...

    def begin(self) -> bytes:
        """What a try begins with."""
        ...

    def hear(self, data: bytes) -> bytes:
        """What is said to what has come; may be empty."""
        ...

    def unheard(self) -> Sequence[bytes]:
        """What is said, one after the other, where nothing may be read."""
        ...


@dataclass(frozen=True)
class Told:
    """Bytes that are said once; whoever takes the line over asks whether they did their work."""

    data: bytes
    silence_s: float = 0.0
    patience_s: float = 0.0
    tries: int = 1
    confirmed: bool = True

    def begin(self) -> bytes:
        return self.data

    def hear(self, data: bytes) -> bytes:  # noqa: ARG002  nobody listens
        return b""

    def unheard(self) -> Sequence[bytes]:
        return (self.data,)


def speak(words: LastWords, descriptor: int, *, name: str) -> None:
    """Say `words` on `descriptor` until they are confirmed.

    Raises
    ------
    LinkLost : where nothing can be written or read. NoReply : not confirmed by the last try.
    """
    for tried in range(words.tries):
        if words.silence_s:
            _await_silence(descriptor, words.silence_s * 2**tried, name=name)
        write_all(descriptor, words.begin(), name=name)
        _converse(words, descriptor, name=name)
        if words.confirmed:
            return
    raise NoReply(f"{name}: the halt was sent {words.tries} times and never confirmed")


def tell(words: LastWords, descriptor: int, *, name: str) -> None:
    """Say `words` twice and leave every reply to the owner of the line.

    Raises
    ------
    LinkLost : where nothing can be written.
    """
    for said in (*words.unheard(), *words.unheard()):
        time.sleep(words.silence_s)
        write_all(descriptor, said, name=name)
        time.sleep(words.patience_s)


def _converse(words: LastWords, descriptor: int, *, name: str) -> None:
    """Until the words are confirmed, or patience ends."""
    ends_s = time.monotonic() + words.patience_s
    while not words.confirmed and (left_s := ends_s - time.monotonic()) > 0:
        if answer := words.hear(_heard(descriptor, left_s, name=name)):
            write_all(descriptor, answer, name=name)


def _await_silence(descriptor: int, silence_s: float, *, name: str) -> None:
    """Drop what comes until nothing has come for `silence_s`; a line that is never silent isn't waited for."""
    ends_s = time.monotonic() + 3 * silence_s
    while time.monotonic() < ends_s and _heard(descriptor, silence_s, name=name):
        pass


def _heard(descriptor: int, within_s: float, *, name: str) -> bytes:
    """What comes within a time, or nothing."""
    try:
        if not select.select([descriptor], [], [], within_s)[0]:
            return b""
        data = os.read(descriptor, 4096)
    except BlockingIOError:
        return b""
    except (OSError, ValueError) as error:
        raise LinkLost(f"{name}: reading failed: {error}") from error
    if not data:
        raise LinkLost(f"{name}: the other end closed the connection")
    return data
