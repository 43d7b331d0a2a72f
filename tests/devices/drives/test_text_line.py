"""The drive layer against a drive of a few lines that loses replies and requests at will."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.drives.text_line import (
    CLOSED_LOOP_COMMANDS,
    DRIVE_COMMANDS,
    TextLineClosedLoopDrive,
    TextLineDrive,
    open_drive,
)
from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, NotStarted, Refused
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop, Drive, DriveStatus
from stepwitness.devices.part import Part
from stepwitness.devices.text_line import TextLine
from stepwitness.errors import BadInput, Place

SPEED = 10_000.0


class OtherEnd:
    """A link to a drive that moves on virtual time.

    `lose_request` and `lose_reply` hold commands whose next request or reply is lost; `reboot_on` one that restarts
    the drive. `moved` lists each move that really started.
    """

    name = "bench"

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.lose_request: list[str] = []
        self.lose_reply: list[str] = []
        self.reboot_on = ""
        self.delay_s = 0.0
        self.moved: list[int] = []
        self.requests: list[str] = []
        self._start, self._target, self._since_s = 0, 0, -1e9
        self._enabled = True
        self._buffer = bytearray()
        self._late: list[tuple[float, bytes]] = []
        self.dead = False

    def position(self) -> int:
        way = self._target - self._start
        gone = min(abs(way), int((self.clock.now() - self._since_s) * SPEED))
        return self._start + (gone if way > 0 else -gone)

    def write(self, data: bytes) -> None:
        if self.dead:
            raise LinkLost("bench: gone")
        for line in data.decode().splitlines():
            if line:
                tag, _, request = line.partition(" ")
                self._take(tag, request)

    def _take(self, tag: str, request: str) -> None:
        self.requests.append(request)
        if self.reboot_on and request.startswith(self.reboot_on):
            self._start = self._target = 0
            self._enabled = False
            self.reboot_on = ""
            return
        if _take_from(self.lose_request, request):
            return
        reply = self._obey(request)
        if not _take_from(self.lose_reply, request):
            self._late.append((self.clock.now() + self.delay_s, f"{tag} {reply}\n".encode()))

    def _obey(self, request: str) -> str:
        word, *rest = request.rsplit(" ", 1)
        moving = self.position() != self._target
        if request == "status?":
            return f"{'enabled' if self._enabled else 'disabled'} {'moving' if moving else 'resting'}"
        if request == "position?":
            return str(self.position())
        if word in ("move by", "move to"):
            if moving or not self._enabled:
                return f"refused: {'moving' if moving else 'disabled'}"
            self._start, self._since_s = self.position(), self.clock.now()
            self._target = int(rest[0]) + (self._start if word == "move by" else 0)
            self.moved.append(self._target - self._start)
        elif word == "set position":
            self._start = self._target = int(rest[0])
        elif request == "halt":
            self._start = self._target = self.position()
        return "ok"

    def read(self) -> bytes:
        if self.dead:
            raise LinkLost("bench: gone")
        if self._late and self._late[0][0] <= self.clock.now():
            return self._late.pop(0)[1]
        self.clock.sleep(0.005)
        return b""

    def discard(self) -> None: ...

    def close(self) -> None:
        self.dead = True


def _take_from(commands: list[str], request: str) -> bool:
    for command in commands:
        if request.startswith(command):
            commands.remove(command)
            return True
    return False


def _drive() -> tuple[TextLineDrive, OtherEnd, VirtualClock]:
    clock = VirtualClock()
    end = OtherEnd(clock)
    return TextLineDrive(TextLine(end, clock, DRIVE_COMMANDS, timeout_s=0.05)), end, clock


def test_it_is_a_drive_and_says_only_what_it_can() -> None:
    drive, _, _ = _drive()
    assert isinstance(drive, Drive)
    assert not isinstance(drive, ClosesLoop)


@pytest.mark.parametrize("start", [TextLineDrive.start_move_by, TextLineDrive.start_move_to])
@pytest.mark.parametrize("way", [100, -100, 5000, -5000])
def test_a_move_whose_reply_is_lost_is_found_to_have_started(
    start: Callable[[TextLineDrive, int], None], way: int
) -> None:
    drive, end, _ = _drive()
    end.lose_reply = ["move"]
    start(drive, way)
    assert end.moved == [way]
    assert sum(request.startswith("move") for request in end.requests) == 1


@pytest.mark.parametrize("start", [TextLineDrive.start_move_by, TextLineDrive.start_move_to])
def test_a_move_that_never_arrived_is_told_and_not_sent_again(start: Callable[[TextLineDrive, int], None]) -> None:
    drive, end, _ = _drive()
    end.lose_request = ["move"]
    with pytest.raises(NotStarted, match=r"'move (by|to) 3200' was lost on its way; still at rest at 0"):
        start(drive, 3200)
    assert end.moved == []
    assert sum(request.startswith("move") for request in end.requests) == 1


def test_a_move_of_nothing_is_done_whatever_was_lost() -> None:
    drive, end, _ = _drive()
    end.lose_request = ["move"]
    drive.start_move_by(0)


def test_a_reboot_in_the_middle_is_not_taken_for_a_move() -> None:
    drive, end, clock = _drive()
    drive.start_move_by(500)
    clock.sleep(1.0)
    end.reboot_on = "move by"
    with pytest.raises(NoReply, match=r"whether 'move by 100' started isn't known.*before: at rest at 500; read back"):
        drive.start_move_by(100)


def test_a_lost_reply_while_another_move_runs_leaves_it_unknown() -> None:
    drive, end, _ = _drive()
    drive.start_move_by(50_000)
    end.lose_reply = ["move"]
    with pytest.raises(NoReply, match="isn't known"):
        drive.start_move_by(100)
    assert end.moved == [50_000]


def test_reading_back_that_fails_too_is_told() -> None:
    drive, end, _ = _drive()
    end.lose_reply = ["move", "status", "status"]
    drive.status = _then_lost(end)  # type: ignore[method-assign]
    with pytest.raises(NoReply, match="reading back failed too"):
        drive.start_move_by(100)


def _then_lost(end: OtherEnd) -> Callable[[], DriveStatus]:
    """Status that works once, before the move, and finds the link dead after it."""
    asked: list[int] = []

    def status() -> DriveStatus:
        asked.append(1)
        if len(asked) > 1:
            end.dead = True
            raise LinkLost("bench: gone")
        return DriveStatus(enabled=True, moving=False)

    return status


def test_a_refusal_is_not_a_lost_reply() -> None:
    drive, end, _ = _drive()
    drive.start_move_by(5000)
    with pytest.raises(Refused, match="moving"):
        drive.start_move_by(1)
    assert end.moved == [5000]


@given(
    ways=st.lists(st.integers(-2000, 2000), min_size=1, max_size=8),
    losses=st.lists(st.sampled_from(["", "request", "reply", "late"]), min_size=8, max_size=8),
)
def test_no_fault_moves_the_axis_twice_or_reports_what_did_not_happen(ways: list[int], losses: list[str]) -> None:
    drive, end, clock = _drive()
    for way, loss in zip(ways, losses, strict=False):
        end.lose_request = ["move"] if loss == "request" else []
        end.lose_reply = ["move"] if loss == "reply" else []
        end.delay_s = 0.06 if loss == "late" else 0.0
        before = len(end.moved)
        try:
            drive.start_move_by(way)
            assert end.moved[before:] == [way] or way == 0
        except NotStarted:
            assert end.moved[before:] == []
        except NoReply:
            assert end.moved[before:] in ([], [way])
        end.delay_s = 0.0
        clock.sleep(1.0)
        assert drive.position() == sum(end.moved)


def test_a_halt_is_sent_again_once() -> None:
    drive, end, _ = _drive()
    end.lose_reply = ["halt"]
    drive.halt()
    end.lose_request = ["halt"]
    drive.halt()
    end.lose_request = ["halt", "halt"]
    with pytest.raises(NoReply, match="halt"):
        drive.halt()
    assert end.requests.count("halt") == 6


def test_a_position_whose_reply_is_lost_is_read_back() -> None:
    drive, end, _ = _drive()
    end.lose_reply = ["set position"]
    drive.set_position(-77)
    assert end.position() == -77
    end.lose_request = ["set position"]
    with pytest.raises(NoReply, match="read back: at rest at -77"):
        drive.set_position(5)


def test_a_drive_with_words_of_its_own_needs_no_code() -> None:
    clock = VirtualClock()
    sent: list[str] = []
    replies = {"S": "E=1 M=0", "P": "P+0120", "I 500": ">", "O3=1": ">", "O3": "1", "G -40": "E07 limit"}

    class Link(OtherEnd):
        def write(self, data: bytes) -> None:
            request = data.decode().strip("\r")
            sent.append(request)
            self._late.append((0.0, replies[request].encode() + b"\r"))

    commands = DRIVE_COMMANDS.with_options(
        {
            "tags": "no",
            "line_end": "CR",
            "refusal": "E[0-9]+ (?P<reason>.*)",
            "status.send": "S",
            "status.reply": "E=(?:(?P<enabled>1)|0) M=(?:(?P<moving>1)|0)",
            "position.send": "P",
            "position.reply": "P(?P<value>[-+][0-9]+)",
            "set_run_current.send": "I {value:.0f}",
            "set_run_current.reply": ">",
            "set_run_current.unit": "mA",
            "output_on.send": "O{number}=1",
            "output_on.reply": ">",
            "output.send": "O{number}",
            "output.reply": "(?P<on>1)|0",
            "move_by.send": "G {value}",
        },
        Place(),
    )
    drive = TextLineDrive(TextLine(Link(clock), clock, commands, timeout_s=0.1))
    assert drive.status() == DriveStatus(enabled=True, moving=False)
    assert drive.position() == 120
    drive.set_run_current(0.5)
    drive.set_output(3, True)
    assert drive.output(3) is True
    with pytest.raises(Refused, match="limit"):
        drive.start_move_by(-40)
    assert sent[-1] == "G -40"


def test_a_status_that_is_not_one_is_a_bad_reply() -> None:
    drive, end, _ = _drive()
    end._obey = lambda request: "enabled perhaps"  # type: ignore[method-assign]  # noqa: ARG005
    with pytest.raises(BadReply):
        drive.status()


def test_the_loop_of_a_drive_that_closes_its_own() -> None:
    clock = VirtualClock()
    end = OtherEnd(clock)
    replies = {"loop?": "error -2.5 alarm travelling attempts 3"}
    end._obey = lambda request: replies.get(request, "ok")  # type: ignore[method-assign]
    drive = TextLineClosedLoopDrive(TextLine(end, clock, CLOSED_LOOP_COMMANDS, timeout_s=0.05))
    assert isinstance(drive, ClosesLoop)
    drive.configure_loop(ClosedLoopSettings(40.0, 0.01, 4.0, 0.05, attempts=3))
    assert end.requests == ["loop following 40.0 0.01 position 4.0 0.05 attempts 3 options 1 2 2"]
    status = drive.loop_status()
    assert (status.following_error, status.alarm, status.target_reached, status.attempts_made) == (-2.5, True, False, 3)
    drive.clear_alarm()


def test_an_option_that_is_no_loop_is_told() -> None:
    part = Part("text-line", {"loop": "clsoed", "port": "socket://127.0.0.1:1"}, Place("b.yaml", 2, "drive"))
    with pytest.raises(BadInput, match=r"b.yaml:2 drive.loop: no such loop; found 'clsoed'; allowed: open, closed"):
        open_drive(part, VirtualClock())


def test_every_error_is_of_one_family() -> None:
    assert issubclass(NotStarted, DeviceError)
