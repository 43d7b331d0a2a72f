from __future__ import annotations

import re
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.exchange_log import LOG_SIZE
from stepwitness.devices.wire import HEARD_SIZE, Conversation, LineFramer, Phase

_replies = st.from_regex(rb"@[1-9] [a-z0-9]{1,5}\n", fullmatch=True)


def _cut(data: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[start:end] for start, end in pairwise(edges)]


def test_a_part_of_a_line_waits_for_its_end() -> None:
    framer = LineFramer()
    assert list(framer.feed(b"32")) == []
    assert framer.rest == b"32"
    assert list(framer.feed(b"00\nena")) == ["3200"]
    assert list(framer.feed(b"bled\r\n")) == ["enabled"]


@given(st.lists(st.binary(max_size=30).filter(lambda line: b"\n" not in line)), st.lists(st.integers(0, 500)))
def test_lines_are_the_same_however_the_bytes_arrive(lines: list[bytes], places: list[int]) -> None:
    data = b"".join(line + b"\n" for line in lines)
    whole, cut = LineFramer(), LineFramer()
    expected = list(whole.feed(data))
    found = [line for chunk in _cut(data, places) for line in cut.feed(chunk)]
    assert found == expected
    assert len(expected) == sum(1 for line in lines if line.decode("ascii", errors="backslashreplace").strip())


@given(st.lists(st.binary(max_size=200), max_size=30))
def test_whatever_arrives_memory_stays_bounded(chunks: list[bytes]) -> None:
    framer = LineFramer(longest=50)
    for chunk in chunks:
        assert all(len(line) <= 4 * 50 for line in framer.feed(chunk))  # four characters escape one byte
        assert len(framer.rest) <= 50


def test_a_line_that_is_too_long_is_dropped_whole_and_the_next_one_read() -> None:
    framer = LineFramer(longest=5)
    assert list(framer.feed(b"123456")) == []
    assert list(framer.feed(b"789\nabc\n")) == ["abc"]
    assert framer.dropped == 1
    assert list(framer.feed(b"1234567\nok\n")) == ["ok"]
    assert framer.dropped == 2


def test_an_end_of_two_bytes_may_arrive_in_two_parts_even_after_an_overlong_line() -> None:
    framer = LineFramer(end=b"\r\n", longest=4)
    assert list(framer.feed(b"toolong\r")) == []
    assert list(framer.feed(b"\nok\r\n")) == ["ok"]


def test_a_reply_answers_the_request_with_its_tag() -> None:
    talk = Conversation(tagged=True, first_tag=6)
    assert talk.ask("position?", now_s=0.0) == b"@7 position?\n"
    assert talk.hear(b"@7 32", now_s=0.1) is None
    assert talk.hear(b"00\n", now_s=0.2) == "3200"
    assert talk.phase is Phase.IDLE


def test_a_late_reply_never_answers_the_next_request() -> None:
    talk = Conversation(tagged=True)
    talk.ask("position?", now_s=0.0)
    assert talk.give_up(now_s=1.0) == "heard nothing"
    assert talk.unanswered
    asked = talk.ask("counts?", now_s=1.0)
    assert asked.startswith(b"\n"), "half a request may stand on the wire"
    assert talk.hear(b"@2 111\n", now_s=1.1) is None
    assert talk.hear(b"@3 222\n", now_s=1.2) == "222"


def test_a_request_that_an_exception_cut_short_counts_as_unanswered() -> None:
    talk = Conversation(tagged=True)
    talk.ask("move by 1", now_s=0.0)
    assert talk.ask("halt", now_s=0.1) == b"\n@3 halt\n"
    assert talk.hear(b"@2 ok\n@3 refused: no\n", now_s=0.2) == "refused: no"
    assert [entry.answered for entry in talk.log] == [False, True]


def test_garbage_without_an_end_before_the_tag_is_passed_over() -> None:
    talk = Conversation(tagged=True, first_tag=0)
    talk.ask("position?", now_s=0.0)
    assert talk.hear(b"\xff\x00@1 5\n", now_s=0.0) == "5"


def test_a_reply_that_comes_twice_is_taken_once() -> None:
    talk = Conversation(tagged=True, first_tag=0)
    talk.ask("position?", now_s=0.0)
    assert talk.hear(b"@1 5\n@1 5\n", now_s=0.0) == "5"
    talk.ask("counts?", now_s=0.0)
    assert talk.hear(b"@1 5\n", now_s=0.0) is None
    assert talk.hear(b"@2 6\n", now_s=0.0) == "6"


def test_without_tags_only_what_fits_ends_the_search_for_step() -> None:
    talk = Conversation(tagged=False)
    talk.ask("position?", now_s=0.0)
    talk.give_up(now_s=1.0)
    talk.ask("identity?", now_s=1.0, only=re.compile(".*;.*"))
    assert talk.hear(b"3200\nmaker;model\n", now_s=1.1) == "maker;model"
    talk.ask("counts?", now_s=1.2)
    assert talk.hear(b"7\n", now_s=1.2) == "7"


@given(st.lists(st.tuples(st.sampled_from(["ask", "give up", "hear"]), st.binary(max_size=40) | _replies), max_size=60))
def test_whatever_is_heard_no_reply_is_invented(steps: list[tuple[str, bytes]]) -> None:
    talk = Conversation(tagged=True, first_tag=0)
    tag, waiting, arrived = 0, False, b""
    for step, data in steps:
        if step == "ask":
            talk.ask("position?", now_s=0.0)
            tag, waiting = tag + 1, True
        elif step == "give up" and waiting:
            talk.give_up(now_s=0.0)
            waiting = False
        elif step == "hear":
            arrived += data
            if (reply := talk.hear(data, now_s=0.0)) is not None:
                assert waiting
                assert f"@{tag} {reply}".encode() in arrived
                waiting = False


def test_the_log_and_what_was_heard_are_bounded() -> None:
    talk = Conversation(tagged=True)
    for number in range(LOG_SIZE + 50):
        talk.ask(f"{number}?", now_s=float(number))
        talk.hear(b"noise\n" * 1000, now_s=0.0)
        assert talk.give_up(now_s=0.0).count("noise") == 3
    assert len(talk.log) == LOG_SIZE
    assert talk.log[0].sent.endswith(" 50?")
    assert len(talk.log[-1].heard) == HEARD_SIZE
