"""The last exchanges with a part, for the record of a run that was aborted.

1. A ring: it holds `LOG_SIZE` exchanges and forgets the oldest.
2. What looks like a secret never enters it.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

LOG_SIZE = 200
SECRET = r"(?i)\b(?:pass(?:word|wd)?|pwd|pin|token|key|secret)\b[ =:]+(?P<secret>\S+)"
"""What is taken for a secret unless a part says otherwise: the word behind password, pin, token and the like."""
HIDDEN = "•••"


@dataclass(frozen=True)
class Exchanged:
    """One entry of the log: what was sent and heard, from when to when on the bench's clock."""

    asked_s: float
    ended_s: float
    sent: str
    heard: tuple[str, ...]
    answered: bool

    def __str__(self) -> str:
        heard = " | ".join(self.heard) or "nothing"
        ending = "" if self.answered else "  (not answered)"
        return (
            f"{self.asked_s:.4f} s  > {self.sent}  < {heard}  in {1e3 * (self.ended_s - self.asked_s):.1f} ms{ending}"
        )


class ExchangeLog:
    """Exchanges, oldest first.

    Parameters
    ----------
    redact : regular expression; the groups that it has, or the whole match without one, are hidden.
    """

    def __init__(self, *, size: int = LOG_SIZE, redact: str = SECRET) -> None:
        self._ring: deque[Exchanged] = deque(maxlen=size)
        self._secret = re.compile(redact) if redact else None

    def add(self, entry: Exchanged) -> None:
        search = self._secret.search if self._secret is not None else None
        if search is not None and (search(entry.sent) or any(map(search, entry.heard))):
            heard = tuple(self.redacted(line) for line in entry.heard)
            entry = replace(entry, sent=self.redacted(entry.sent), heard=heard)
        self._ring.append(entry)

    def note(self, sent: str, heard: str, *, asked_s: float, ended_s: float, answered: bool) -> None:
        """The same, of one request and one reply (empty: none)."""
        self.add(Exchanged(asked_s, ended_s, sent, (heard,) if heard else (), answered))

    def redacted(self, text: str) -> str:
        """`text` without what looks like a secret."""
        return self._secret.sub(_hide, text) if self._secret is not None else text

    def texts(self) -> list[str]:
        """Each exchange as one line."""
        return [str(entry) for entry in self._ring]

    def __len__(self) -> int:
        return len(self._ring)

    def __iter__(self) -> Iterator[Exchanged]:
        return iter(list(self._ring))

    def __getitem__(self, index: int) -> Exchanged:
        return self._ring[index]


def _hide(match: re.Match[str]) -> str:
    spans = [match.span(group) for group in range(1, match.re.groups + 1) if match.span(group) != (-1, -1)]
    text, start = match[0], match.start()
    for low, high in sorted(spans or [match.span()], reverse=True):
        text = text[: low - start] + HIDDEN + text[high - start :]
    return text
