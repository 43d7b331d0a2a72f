from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from stepwitness.devices.checksums import CHECKSUMS, Seal
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


@pytest.mark.parametrize("options", [{}, {"tags": "no"}, {"tags": "no", "identity.send": ""}])
def test_half_a_request_is_never_completed(scripted: Scripted, options: dict[str, str]) -> None:
    """Whatever ends the half, the next request or a halt: ``go 48`` of ``go 4800`` would be another move."""
    commands = replace(SET, exchanges={**SET.exchanges, "go": Exchange("go {microsteps}")})
    for urgent in (False, True):
        line, link = scripted(commands.with_options(options, Place()), _answer)
        link.lost = len("00\n")
        with pytest.raises(NoReply):
            line.ask("go", microsteps=4800)
        assert line.ask("halt", urgent=urgent)
        assert line.whole("b") == 2
        assert not [request for request in link.sent if request.startswith("go")]


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
    assert link.raw[1].startswith(b"~\n")
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


# -- what may be asked again, checksums, and a link that was lost --------------------------------------------------

AGAIN = command_set(a=Exchange("a?", WHOLE, groups=("value",), again=True), go=Exchange("go"), halt=Exchange("halt"))


def _patient(clock: VirtualClock, link: Any, commands: CommandSet, retries: int) -> TextLine:
    return TextLine(link, clock, commands, timeout_s=0.1, retries=retries)


@pytest.mark.parametrize("tags", ["yes", "no"])
@pytest.mark.parametrize("spoilt", [[], [(0.0, b"\xff\xfe\n")], [(0.0, b"nonsense\n")]], ids=["lost", "noise", "wrong"])
def test_what_may_be_asked_again_is_so_many_times_and_counted(
    scripted: Scripted, clock: VirtualClock, tags: str, spoilt: list[tuple[float, bytes]]
) -> None:
    commands = AGAIN.with_options({"tags": tags}, Place())
    _, link = scripted(commands, lambda request: {"a?": "5", "identity?": "a;b;c;d"}.get(request, "ok"))
    line, left = _patient(clock, link, commands, 2), 2

    def spoil(request: str, reply: bytes) -> list[tuple[float, bytes]]:
        nonlocal left
        if request == "a?" and left:
            left -= 1
            return spoilt
        return [(0.0, reply)]

    link.mangle = spoil
    assert line.whole("a") == 5
    assert line.retried == 2
    left = 3
    with pytest.raises((NoReply, BadReply)):
        line.whole("a")


def test_what_moves_is_never_asked_again(scripted: Scripted, clock: VirtualClock) -> None:
    _, link = scripted(AGAIN, lambda _: "ok")
    line = _patient(clock, link, AGAIN, 5)
    link.mangle = lambda *_: []
    with pytest.raises(NoReply):
        line.ask("go")
    assert link.sent == ["go"]


def test_a_line_with_checksums_takes_no_reply_without_its_own(scripted: Scripted, clock: VirtualClock) -> None:
    commands = AGAIN.with_options({"tags": "no", "checksum": "crc16-ccitt"}, Place())
    seal = commands.seal
    assert seal is not None

    def answer(request: str) -> str:
        opened = seal.take(request)
        assert opened is not None
        return seal.put({"a?": "5", "identity?": "a;b;c;d"}[opened])

    _, link = scripted(commands, answer)
    line = _patient(clock, link, commands, 1)
    assert line.whole("a") == 5
    first = True

    def flip(_: str, reply: bytes) -> list[tuple[float, bytes]]:
        nonlocal first
        spoilt, first = first, False
        return [(0.0, b"7" + reply[1:])] if spoilt else [(0.0, reply)]

    link.mangle = flip
    assert line.whole("a") == 5
    assert line.retried == 1


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (lambda _: None, "try: is the part powered and connected"),
        (lambda _: Seal(CHECKSUMS["xor8"]).put("a;b;c;d"), "the checksum of that line is xor8, not sum8"),
        (lambda _: "a;b;c;d", "that line has no sum8 behind"),
    ],
    ids=["silence", "another", "none"],
)
def test_a_checksum_that_does_not_match_is_told_within_3_s_until_the_line_has_spoken(
    scripted: Scripted, clock: VirtualClock, answer: Callable[[str], str | None], says: str
) -> None:
    commands = AGAIN.with_options({"tags": "no", "checksum": "sum8"}, Place())
    _, link = scripted(commands, answer)
    line = TextLine(link, clock, commands, timeout_s=1.0, retries=1)
    with pytest.raises(NoReply, match=re.escape(says)):
        line.identity()
    assert clock.now() < 3.0
    seal = commands.seal
    assert seal is not None
    link.answer = lambda request: seal.put("5" if request.startswith("a?") else "a;b;c;d")
    assert line.whole("a") == 5
    link.answer = lambda _: None
    with pytest.raises(NoReply) as caught:
        line.whole("a")
    assert "try" not in str(caught.value)


def test_a_lost_link_is_opened_again_by_decision_alone_and_asks_only_who_is_there(
    scripted: Scripted, clock: VirtualClock
) -> None:
    replies = {"a?": "5", "identity?": "Tarnbrook;axis;7;1"}
    _, link = scripted(AGAIN, replies.get)
    _, second = scripted(AGAIN, replies.get)
    line = TextLine(link, clock, AGAIN, timeout_s=0.1, retries=2, reopen=lambda: second)
    line.identity()
    link.dead = True
    for _ in range(2):
        with pytest.raises(LinkLost):
            line.whole("a")
    assert second.sent == []
    line.reconnect()
    assert second.sent == ["identity?"]
    assert line.whole("a") == 5
    second.dead = True
    replies["identity?"] = "Tarnbrook;axis;8;1"
    _, third = scripted(AGAIN, replies.get)
    line._reopen = lambda: third
    with pytest.raises(LinkLost, match="came back as another part: 'Tarnbrook axis 8 1', was 'Tarnbrook axis 7 1'"):
        line.reconnect()
    with pytest.raises(LinkLost):
        line.whole("a")


def test_without_a_way_to_open_it_again_a_lost_link_stays_lost(scripted: Scripted) -> None:
    line, link = scripted(AGAIN, lambda _: "ok")
    link.dead = True
    with pytest.raises(LinkLost, match="can't be opened again from here"):
        line.reconnect()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"checksum": "crc"}, "drive.checksum: no such checksum; found 'crc'"),
        ({"checksum": "sum8", "checksum_mark": "x"}, "drive.checksum_mark: a mark that can't stand before"),
        ({"retries": "99"}, "drive.retries: out of bounds; found '99'; allowed: 0 to 5"),
        ({"redact": "("}, "drive.redact: not a regular expression"),
    ],
)
def test_new_options_that_cannot_be_read_name_their_place(options: dict[str, str], says: str) -> None:
    part = Part("text-line", {"port": "socket://127.0.0.1:9", **options}, Place("b.yaml", 2, "drive"))
    with pytest.raises(BadInput) as caught:
        open_line(part, VirtualClock(), AGAIN)
    assert str(caught.value).startswith(f"b.yaml:2 {says}")
