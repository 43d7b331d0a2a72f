from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from stepwitness.devices.counters.text_line import COUNTER_COMMANDS, TextLineCounter
from stepwitness.devices.errors import BadReply, LinkLost
from stepwitness.devices.interfaces import EncoderCounter
from stepwitness.devices.text_line import TextLine

Scripted = Callable[..., tuple[TextLine, Any]]


def test_counts_and_faults_are_whole_numbers(scripted: Scripted) -> None:
    replies = {"counts?": "-40000", "faults?": "0"}
    line, _ = scripted(COUNTER_COMMANDS, replies.get)
    counter = TextLineCounter(line)
    assert isinstance(counter, EncoderCounter)
    assert (counter.counts(), counter.faults()) == (-40_000, 0)
    for word in ("1.5", "nan", "1e3", "0x10", "12 34"):
        replies["counts?"] = word
        with pytest.raises(BadReply):
            counter.counts()


def test_closing_lets_go_of_the_link_and_says_so(scripted: Scripted) -> None:
    line, link = scripted(COUNTER_COMMANDS, lambda _: "1")
    counter = TextLineCounter(line)
    counter.counts()
    counter.close_link()
    assert link.dead
    with pytest.raises(LinkLost, match="was closed"):
        counter.counts()
    assert [entry.sent.partition(" ")[2] for entry in counter.log] == ["counts?"]
