from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import pytest

from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.command_set import WHOLE, CommandSet, Exchange, command_set
from stepwitness.devices.errors import BadReply, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.part import Part
from stepwitness.devices.text_line import TextLine, open_line
from stepwitness.errors import BadInput, Place
from stepwitness.quantities import Kind

Scripted = Callable[..., tuple[TextLine, Any]]

SET = command_set(
    a=Exchange("a?", WHOLE, groups=("value",)),
    b=Exchange("b?", WHOLE, groups=("value",)),
    way=Exchange("way?", "(?P<value>.*) mm", kind=Kind.TRAVEL, unit="mm", groups=("value",)),
    halt=Exchange("halt"),
)
UNTAGGED = SET.with_options({"tags": "no"}, Place())


def _answer(request: str) -> str | None:
    return {"a?": "1", "b?": "2", "way?": "-2.5 mm", "identity?": "Tarnbrook;axis;7;1.0", "halt": "ok"}[request]


def test_values_come_out_in_si(scripted: Scripted) -> None:
    line, _ = scripted(SET, _answer)
    assert line.whole("a") == 1
    assert line.number("way") == pytest.approx(-2.5e-3)
    assert str(line.identity()) == "Tarnbrook axis 7 1.0"


def test_one_deadline_holds_for_the_whole_reply_however_it_drips(scripted: Scripted, clock: VirtualClock) -> None:
    line, link = scripted(SET, _answer, timeout_s=0.1)
    link.mangle = lambda _, reply: [(0.03 * place, reply[place : place + 1]) for place in range(len(reply))]
    with pytest.raises(NoReply, match=r"script didn't answer 'a\?' within 0.1 s \(heard '@\d+'? ?.*without a line end"):
        line.whole("a")
    assert clock.now() < 0.13


@pytest.mark.parametrize("commands", [SET, UNTAGGED])
@pytest.mark.parametrize("delay_s", [0.11, 0.15, 0.25, 1.0])
def test_a_late_reply_never_answers_the_next_question(
    scripted: Scripted, clock: VirtualClock, commands: CommandSet, delay_s: float
) -> None:
    line, link = scripted(commands, _answer, timeout_s=0.1)
    last_s = 0.0

    def late_once(request: str, reply: bytes) -> list[tuple[float, bytes]]:
        # A line keeps its order: what follows the late reply comes after it.
        nonlocal last_s
        last_s = max(last_s, clock.now() + (delay_s if request == "a?" else 0.0))
        return [(last_s - clock.now(), reply)]

    link.mangle = late_once
    with pytest.raises(NoReply):
        line.whole("a")
    for _ in range(20):
        try:
            assert line.whole("b") == 2
            break
        except NoReply:
            continue
    else:
        pytest.fail("the line never got back in step")
    assert line.whole("b") == 2


def test_without_tags_or_identity_the_line_is_left_to_fall_silent(scripted: Scripted, clock: VirtualClock) -> None:
    commands = SET.with_options({"tags": "no", "identity.send": ""}, Place())
    line, link = scripted(commands, _answer, timeout_s=0.1)
    link.mangle = lambda request, reply: [(0.15 if request == "a?" else 0.0, reply)]
    with pytest.raises(NoReply):
        line.whole("a")
    assert line.whole("b") == 2
    assert clock.now() > 0.25, "quiet for a whole time-out after the late reply"
    assert line.identity().model == ""


def test_an_identity_that_looks_like_any_reply_is_no_way_back_into_step(scripted: Scripted) -> None:
    commands = SET.with_options({"tags": "no", "identity.reply": ".*"}, Place())
    line, link = scripted(commands, _answer, timeout_s=0.1)
    link.mangle = lambda request, reply: [(0.15 if request == "a?" else 0.0, reply)]
    with pytest.raises(NoReply):
        line.whole("a")
    assert line.whole("b") == 2
    assert line.identity().model == "Tarnbrook;axis;7;1.0"


def test_a_line_that_never_falls_silent_is_told(scripted: Scripted) -> None:
    commands = SET.with_options({"tags": "no", "identity.send": ""}, Place())
    line, link = scripted(commands, lambda _: None, timeout_s=0.1)
    with pytest.raises(NoReply):
        line.whole("a")
    for number in range(200):
        link.add(b"chatter\n", delay_s=0.01 * number)
    with pytest.raises(BadReply, match="keeps sending what nobody asked for"):
        line.whole("b")


@pytest.mark.parametrize("commands", [SET, UNTAGGED])
def test_a_reply_that_comes_twice_answers_once(scripted: Scripted, commands: CommandSet) -> None:
    line, link = scripted(commands, _answer)
    link.mangle = lambda _, reply: [(0.0, reply), (0.0, reply)]
    assert [line.whole("a"), line.whole("b"), line.whole("a")] == [1, 2, 1]


@pytest.mark.parametrize("commands", [SET, UNTAGGED])
def test_a_reply_cut_short_is_never_a_number(scripted: Scripted, commands: CommandSet) -> None:
    line, link = scripted(commands, lambda request: "3200" if request == "a?" else _answer(request))
    link.mangle = lambda request, reply: [(0.0, reply[:-3])] if request == "a?" else [(0.0, reply)]
    with pytest.raises(NoReply, match="without a line end"):
        line.whole("a")
    try:
        assert line.whole("b") == 2
    except (NoReply, BadReply):
        assert line.whole("b") == 2


def test_refusal_overrange_and_nonsense_have_their_names(scripted: Scripted) -> None:
    replies = {"a?": "refused: disabled", "b?": "12.5", "way?": "out of range"}
    line, link = scripted(SET, replies.get)
    with pytest.raises(Refused, match=r"refused 'a\?': disabled"):
        line.whole("a")
    with pytest.raises(BadReply, match=r"answered '12.5' to 'b\?'"):
        line.whole("b")
    with pytest.raises(OutOfRange):
        line.number("way")
    for word in ("nan mm", "inf mm", "1e999 mm"):
        replies["way?"] = word
        with pytest.raises(OutOfRange):
            line.number("way")
    replies["way?"] = "far mm"
    with pytest.raises(BadReply):
        line.number("way")
    assert len(link.sent) == 7, "nothing is asked twice"


def test_a_dead_link_stays_dead(scripted: Scripted) -> None:
    line, link = scripted(SET, _answer)
    link.dead = True
    with pytest.raises(LinkLost):
        line.whole("a")
    link.dead = False
    with pytest.raises(LinkLost, match="gone"):
        line.whole("a")
    assert link.sent == []


def test_an_urgent_request_goes_out_before_the_line_is_in_step(scripted: Scripted, clock: VirtualClock) -> None:
    line, link = scripted(UNTAGGED, lambda request: None if request == "a?" else _answer(request))
    with pytest.raises(NoReply):
        line.whole("a")
    asked_s = clock.now()
    line.ask("halt", urgent=True)
    assert link.sent == ["a?", "halt", "identity?", "halt"]
    assert link.raw[1].startswith(b"\n")
    assert clock.now() - asked_s < 0.05


def test_an_interrupt_in_the_middle_leaves_the_line_usable(scripted: Scripted) -> None:
    line, link = scripted(SET, _answer)
    read, struck = link.read, [False]

    def interrupted() -> bytes:
        if not struck[0]:
            struck[0] = True
            raise KeyboardInterrupt
        data: bytes = read()
        return data

    link.read = interrupted
    with pytest.raises(KeyboardInterrupt):
        line.whole("a")
    line.ask("halt", urgent=True)
    assert line.whole("b") == 2


def test_two_threads_take_turns(scripted: Scripted) -> None:
    line, _ = scripted(SET, _answer)
    wrong: list[object] = []

    def ask(name: str, expected: int) -> None:
        for _ in range(200):
            found = line.whole(name)
            if found != expected:
                wrong.append((name, found))

    threads = [threading.Thread(target=ask, args=pair) for pair in (("a", 1), ("b", 2))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert all(entry.answered for entry in line.log)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({}, "a text line needs its port"),
        ({"port": "socket://127.0.0.1:1", "timeout": "soon"}, "drive.timeout: not a quantity"),
        ({"port": "socket://127.0.0.1:1", "timeout": "0 s"}, "a time-out must be positive"),
        ({"port": "socket://127.0.0.1:1", "baud": "fast"}, "drive.baud: not a baud rate"),
        ({"port": "socket://127.0.0.1:1", "colour": "red"}, "drive.colour: an unknown option"),
        ({"port": "socket://127.0.0.1"}, "drive.port: not an address"),
        ({"port": "socket://127.0.0.1:99999"}, "drive.port: not an address"),
        ({"port": "carrier://pigeon"}, "drive.port: an unknown kind of port"),
    ],
)
def test_options_that_cannot_be_read_are_told_with_their_place(
    clock: VirtualClock, options: dict[str, str], says: str
) -> None:
    with pytest.raises(BadInput) as caught:
        open_line(Part("text-line", options, Place("b.yaml", 3, "drive")), clock, SET)
    assert str(caught.value).startswith("b.yaml:3 drive")
    assert says in str(caught.value)
