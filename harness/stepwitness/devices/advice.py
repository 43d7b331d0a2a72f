"""What to try when a part on a text line has never answered as it should, from what was heard instead."""

from __future__ import annotations

from collections.abc import Sequence

from stepwitness.devices.checksums import Seal, fitting

SHARE_OF_NOISE = 0.2
"""Share of characters that aren't printable ASCII from which a line is taken for noise (common practice, no source)."""


def what_to_try(lines: Sequence[str], rest: str, *, tagged: bool, seal: Seal | None) -> str:
    """One sentence of advice.

    Parameters
    ----------
    lines, rest : whole lines that were heard and what came without a line end, escaped beyond ASCII.
    tagged, seal : what the conversation expects.
    """
    if not lines and not rest:
        return "try: is the part powered and connected, is this its port, are baud rate and line end its own?"
    if _noisy("".join(lines) + rest):
        return "that isn't text: try another baud rate, and look for a second owner of the port"
    if not lines:
        return "a reply without an end: try another 'line_end'"
    last = lines[-1]
    if seal is not None and seal.take(last) is None:
        other = fitting(last, seal.mark)
        if other:
            return f"the checksum of that line is {other}, not {seal.checksum.name}: try 'checksum: {other}'"
        return f"that line has no {seal.checksum.name} behind '{seal.mark}': try without 'checksum', or another mark"
    if seal is None and (other := fitting(last)):
        return f"that line ends in a checksum: try 'checksum: {other}'"
    if tagged and not last.startswith("@"):
        return "it answers without a tag: try 'tags: no'"
    return "another part may answer on this port, or one with other words: compare port and command set"


def _noisy(text: str) -> bool:
    noise = text.count("\\x") + sum(not (" " <= character <= "~") for character in text)
    return noise > SHARE_OF_NOISE * (len(text) - 3 * text.count("\\x"))
