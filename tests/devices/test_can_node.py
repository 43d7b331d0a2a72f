"""A node over canopen and python-can's slcan on a terminal of ours, with faults between them."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from stepwitness.devices.can_node import CanNode, open_node
from stepwitness.devices.can_objects import CanObject
from stepwitness.devices.errors import DeviceError, LinkLost, NoReply, Refused
from stepwitness.errors import BadInput, Place
from stepwitness.standin.can_protocol import Abort, SlcanResponder

pytest.importorskip("canopen")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")
TIMEOUT_S = 0.15
A, B = CanObject(0x6064, 0, "int32"), CanObject(0x6041, 0, "uint16")


class Objects:
    def __init__(self) -> None:
        self.values = {(0x1000, 0): 402, (0x1001, 0): 0, (0x6064, 0): 1, (0x6041, 0): 2}
        self.written: list[bytes] = []

    def read(self, index: int, sub: int) -> bytes:
        if (index, sub) == (0x1008, 0):
            return b"a name of more than seven letters"
        if (index, sub) not in self.values:
            raise Abort(Abort.NO_OBJECT)
        return self.values[index, sub].to_bytes(2 if index == 0x6041 else 4, "little")

    def write(self, index: int, sub: int, data: bytes) -> None:  # noqa: ARG002
        self.written.append(data)


class Wired:
    def __init__(self, running: Any, faulty: Callable[[Any], Any], **options: str) -> None:
        self.objects = Objects()
        self.wire = faulty(SlcanResponder({1: self.objects}))
        channel = running.server.add_terminal(lambda: self.wire)
        given = {"interface": "slcan", "channel": channel, "node": "1", "timeout": f"{TIMEOUT_S} s", "retries": "0"}
        self.node: CanNode = open_node({**given, **options}, Place(), time.monotonic)
        time.sleep(0.05)  # the adapter's own commands have been answered by then


@pytest.fixture
def wired(running: Any, faulty: Callable[[Any], Any]) -> Iterator[Callable[..., Wired]]:
    made: list[Wired] = []

    def make(**options: str) -> Wired:
        made.append(Wired(running, faulty, **options))
        return made[-1]

    yield make
    for one in made:
        one.node.close()


def test_objects_are_read_and_written(wired: Callable[..., Wired]) -> None:
    one = wired()
    assert (one.node.read(A), one.node.read(B)) == (1, 2)
    assert one.node.read_text(0x1008) == "a name of more than seven letters"
    one.node.write(A, -2)
    assert one.objects.written == [b"\xfe\xff\xff\xff"]
    with pytest.raises(Refused, match=r"refused to read 7777h:00: no such object \(06020000h\)"):
        one.node.read(CanObject(0x7777, 0, "uint8"))
    assert "write 6064h:00" in one.node.log.texts()[-2]


@pytest.mark.parametrize("delay_s", [1.3 * TIMEOUT_S, 2.5 * TIMEOUT_S])
def test_a_late_answer_never_answers_the_next_question(wired: Callable[..., Wired], delay_s: float) -> None:
    one = wired()

    def late(reply: bytes) -> bytes:
        time.sleep(delay_s)
        return reply

    one.wire.faults.append(late)
    with pytest.raises(NoReply):
        one.node.read(A)
    one.objects.values[0x6064, 0] = 7
    found = []
    for _ in range(30):  # a slow host may miss several
        with contextlib.suppress(NoReply):
            found.append(one.node.read(A))
        if len(found) == 3:
            break
    assert found
    assert set(found) == {7}, "what was read before the change came late and was taken for the answer"


@pytest.mark.parametrize(
    "fault",
    [
        lambda _: b"",
        lambda reply: reply[:-5],
        lambda _: b"\xff\xfe\x00garbage\r",
        lambda _: b"t5818\r",
        lambda _: b"txyz8zz\r",
        lambda reply: reply.replace(b"t581", b"t582"),
        lambda reply: reply.replace(b"6460", b"6560"),
    ],
    ids=["lost", "cut", "noise", "short-frame", "no-numbers", "other-node", "other-object"],
)
def test_a_spoilt_answer_is_never_a_value_and_the_next_one_is(
    wired: Callable[..., Wired], fault: Callable[[bytes], bytes]
) -> None:
    one = wired()
    one.wire.faults.append(fault)
    with pytest.raises(DeviceError):
        one.node.read(A)
    found = []
    for _ in range(4):
        try:
            found.append(one.node.read(B))
        except NoReply:
            continue
    assert found
    assert set(found) == {2}


def test_reads_are_retried_and_counted_and_a_halt_goes_first(wired: Callable[..., Wired]) -> None:
    one = wired(retries="2")
    one.wire.faults.append(lambda _: b"")
    assert (one.node.read(A), one.node.retried) == (1, 1)
    one.wire.faults.append(lambda _: b"")
    with pytest.raises(NoReply, match="whether it was carried out isn't known"):
        one.node.write(A, 5, again=False)
    assert len(one.objects.written) == 1
    before = len(one.wire.heard)
    one.node.write(A, 6, again=False, urgent=True)
    assert len(one.objects.written) == 2
    assert b"t6018" in one.wire.heard[before]


def test_a_wrong_node_is_told_with_those_that_answer(wired: Callable[..., Wired]) -> None:
    one = wired(node="5", timeout="0.5 s", retries="1")
    started_s = time.monotonic()
    with pytest.raises(NoReply) as caught:
        one.node.hello(lambda: one.node.read(B))
    assert time.monotonic() - started_s < 3.0
    assert "nodes that answer on slcan" in str(caught.value)
    assert str(caught.value).endswith(": 1; try 'node: 1'")


def test_a_bus_without_frames_is_told(running: Any) -> None:
    class Deaf:
        def hear(self, _: bytes) -> bytes:
            return b""

    channel = running.server.add_terminal(Deaf)
    given = {"interface": "slcan", "channel": channel, "node": "1", "timeout": "0.3 s"}
    node = open_node(given, Place(), time.monotonic)
    with pytest.raises(NoReply, match=r"heard no frame at all on slcan .* at 500000 bit/s: is the node powered"):
        node.hello(lambda: node.read(B))
    node.close()


def test_an_adapter_that_is_not_there_is_told() -> None:
    given = {"interface": "slcan", "channel": "/dev/no-such-port", "node": "1"}
    with pytest.raises(LinkLost, match=r"can't be opened: .*are interface and channel its own"):
        open_node(given, Place(), time.monotonic)
    with pytest.raises(LinkLost, match="can't be opened"):
        open_node({**given, "interface": "slcam"}, Place(), time.monotonic)


def test_two_nodes_share_a_bus_and_must_agree_on_its_rate(running: Any) -> None:
    channel = running.server.add_terminal(lambda: SlcanResponder({1: Objects(), 2: Objects()}))
    given = {"interface": "slcan", "channel": channel, "timeout": "0.5 s"}
    first, second = (open_node({**given, "node": number}, Place(), time.monotonic) for number in "12")
    assert [node.read(A) for node in (first, second, first)] == [1, 1, 1]
    with pytest.raises(BadInput, match="two parts on one bus with different settings"):
        open_node({**given, "node": "3", "bitrate": "250000"}, Place(), time.monotonic)
    first.close()
    assert second.read(A) == 1
    second.close()


def test_a_bus_that_cant_be_opened_again_stays_lost_and_says_why(wired: Callable[..., Wired]) -> None:
    import serial

    one = wired()
    one.node._bus._close_network()
    with serial.Serial(one.node._bus.settings.channel, exclusive=True), pytest.raises(LinkLost, match="another owner"):
        one.node.reconnect()
    with pytest.raises(LinkLost, match=r"can't be opened: .*another owner"):
        one.node.read(A)
    one.node.reconnect()
    assert one.node.read(A) == 1


def test_a_bus_that_is_gone_stays_lost_until_it_is_opened_again(wired: Callable[..., Wired]) -> None:
    one = wired()
    assert one.node.read(A) == 1
    one.node._bus.close("was pulled")
    with pytest.raises(LinkLost, match="was pulled"):
        one.node.read(A)
    one.node.reconnect()
    assert one.node.read(A) == 1
