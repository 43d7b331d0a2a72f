"""Request and reply over a line of text, without any I/O: bytes in, replies out.

1. A reply answers the request that is under way, or nothing. One that comes late is told by its tag; where
   the protocol has no tags, the conversation is *adrift* after an unanswered request, and whoever does the
   I/O gets it back in step (see `only` and `resume`) before the next question.
2. A part of a line is kept until its end arrives; a line longer than the longest allowed is dropped whole.
3. Where lines carry a checksum, one without the right checksum is heard and answers nothing.
4. Nothing is ever sent twice from here.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from enum import Enum

from stepwitness.devices.advice import what_to_try
from stepwitness.devices.checksums import Seal, fitting
from stepwitness.devices.exchange_log import Exchanged, ExchangeLog

LONGEST_LINE = 400
HEARD_SIZE = 8
TAGS = 1_000_000


class LineFramer:
    """Cuts a stream of bytes into lines.

    Parameters
    ----------
    end : what ends a line. Blanks and line ends around a line are dropped, so CR LF reads like LF.
    longest : bytes that a line may have; a longer one is dropped to its end and counted in `dropped`.
    """

    def __init__(self, *, end: bytes = b"\n", longest: int = LONGEST_LINE) -> None:
        self._end, self._longest = end, longest
        self._rest = bytearray()
        self._skipping = False
        self.dropped = 0

    @property
    def rest(self) -> bytes:
        """What has arrived of a line that hasn't ended."""
        return bytes(self._rest)

    def forget(self) -> None:
        """Drop what has arrived of a line that hasn't ended."""
        self._rest.clear()
        self._skipping = False

    def feed(self, data: bytes) -> Iterator[str]:
        """Yield each line that `data` ends; bytes beyond ASCII come out escaped."""
        self._rest += data
        while (at := self._rest.find(self._end)) >= 0:
            line = bytes(self._rest[:at])
            del self._rest[: at + len(self._end)]
            if self._skipping or len(line) > self._longest:
                self._count_dropped()
                self._skipping = False
            elif text := line.decode("ascii", errors="backslashreplace").strip():
                yield text
        if len(self._rest) > self._longest:
            self._count_dropped()
            self._skipping = True
            # The end itself may have arrived in part.
            del self._rest[: len(self._rest) - len(self._end) + 1]

    def _count_dropped(self) -> None:
        if not self._skipping:
            self.dropped += 1


class Phase(Enum):
    """IDLE: all is answered. ASKED: a request is under way. ADRIFT: one was given up, a reply may come."""

    IDLE = "idle"
    ASKED = "asked"
    ADRIFT = "adrift"


class Conversation:
    """Matches replies to requests on one line.

    Parameters
    ----------
    tagged : requests go out as ``@17 text`` and their replies come back as ``@17 reply``.
    ending : what goes before a request where an earlier one may have left half a line.
    first_tag : of the first request; a random one keeps replies to an earlier owner of the line apart.
    seal : the checksum behind each line, both ways; None where there is none.
    log : where exchanges are noted.
    """

    def __init__(
        self,
        *,
        tagged: bool,
        end: bytes = b"\n",
        ending: bytes = b"\n",
        longest: int = LONGEST_LINE,
        first_tag: int = 1,
        seal: Seal | None = None,
        log: ExchangeLog | None = None,
    ) -> None:
        self.log = ExchangeLog() if log is None else log
        self.phase = Phase.IDLE
        self._seal = seal
        self.tagged = tagged
        self._end, self._ending = end, ending
        self._framer = LineFramer(end=end, longest=longest)
        self._tag = first_tag % TAGS
        self._sent, self._asked_s = "", 0.0
        self._only: re.Pattern[str] | None = None
        self._heard: deque[str] = deque(maxlen=HEARD_SIZE)

    @property
    def unanswered(self) -> bool:
        """Whether an earlier request may still be answered, or has left half a line on the wire."""
        return self.phase is not Phase.IDLE

    def ask(self, text: str, *, now_s: float, only: re.Pattern[str] | None = None) -> bytes:
        """The bytes that put `text` on the wire; from now on its reply is awaited.

        `only` makes every line that doesn't match it count as a late reply to something else. Where an
        earlier request is unanswered `ending` goes first, in case its own was lost.
        """
        lead = self._ending if self.unanswered else b""
        if self.phase is Phase.ASKED:
            self._note(self._asked_s, answered=False)
        self._tag = (self._tag + 1) % TAGS
        self._sent = f"@{self._tag} {text}" if self.tagged else text
        if self._seal is not None:
            self._sent = self._seal.put(self._sent)
        self._asked_s, self._only = now_s, only
        self._heard.clear()
        if not self.tagged:
            self._framer.forget()
        self.phase = Phase.ASKED
        return lead + self._sent.encode("ascii", errors="replace") + self._end

    def hear(self, data: bytes, *, now_s: float) -> str | None:
        """The reply to the request under way, once `data` has completed it; its tag is taken off."""
        reply = None
        for line in self._framer.feed(data):
            self._heard.append(line)
            if reply is None and self.phase is Phase.ASKED:
                reply = self._reply_in(line)
        if reply is not None:
            self._note(now_s, answered=True)
            self.phase = Phase.IDLE
        return reply

    def give_up(self, *, now_s: float) -> str:
        """Await the reply no longer; returns what was heard instead, in words."""
        self._note(now_s, answered=False)
        self.phase = Phase.ADRIFT
        heard = [f"'{line}'" for line in list(self._heard)[-3:]]
        heard += [f"'{self._rest}' without a line end"] if self._rest else []
        return f"heard {', '.join(heard)}" if heard else "heard nothing"

    def advice(self) -> str:
        """What to try, from what was heard since the last request."""
        return what_to_try(list(self._heard), self._rest, tagged=self.tagged, seal=self._seal)

    def unexpected_checksum(self) -> str:
        """The name of the checksum that the last line heard ends in, where none is expected; or an empty text."""
        return fitting(self._heard[-1]) if self._seal is None and self._heard else ""

    def start_over(self) -> None:
        """The line is a new one: what was heard is gone, and a reply to an earlier request may still come."""
        self._framer.forget()
        self.phase = Phase.ADRIFT

    def resume(self) -> None:
        """All late replies are known to have come in: the next line answers the next request."""
        self.phase = Phase.IDLE

    @property
    def _rest(self) -> str:
        return self._framer.rest.decode("ascii", errors="backslashreplace")

    def _reply_in(self, line: str) -> str | None:
        tag = f"@{self._tag} " if self.tagged else ""
        if tag not in line:
            return None
        # Garbage without a line end may stand before the tag.
        opened: str | None = line[line.index(tag) :]
        if self._seal is not None:
            opened = self._seal.take(opened or "")
            if opened is None:
                return None
        line = (opened or "").removeprefix(tag)
        return line if self._only is None or self._only.fullmatch(line) else None

    def _note(self, ended_s: float, *, answered: bool) -> None:
        self.log.add(Exchanged(self._asked_s, ended_s, self._sent, tuple(self._heard), answered))
