"""Calls that go wrong on a part in this process, which stays what it is."""

from __future__ import annotations

import math

import pytest

from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import BadReply, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.interfaces import DriveStatus
from stepwitness.standin.faults import Fault, Injection
from stepwitness.standin.faulty_part import FaultyPart


class Part:
    def __init__(self) -> None:
        self.done: list[int] = []

    def move(self, number: int) -> None:
        self.done.append(number)

    def travel_m(self) -> float:
        return 0.5

    def status(self) -> DriveStatus:
        return DriveStatus(enabled=True, moving=False)


def _put(fault: Fault | None, *, at: int = 1) -> tuple[Part, FaultyPart]:
    part = Part()
    faulty = FaultyPart(Injection(fault, at=at, seed=1) if fault else None, VirtualClock())
    faulty.put_on(part)
    return part, faulty


def test_without_a_fault_it_only_counts_calls() -> None:
    part, faulty = _put(None)
    part.move(1)
    assert part.travel_m() == 0.5
    assert (part.done, faulty.calls, faulty.struck) == ([1], ["move", "travel_m"], False)


@pytest.mark.parametrize(
    ("fault", "error", "done"),
    [
        (Fault.LOST_REQUEST, NoReply, [1]),
        (Fault.LOST_REPLY, NoReply, [1, 2]),
        (Fault.ERROR_REPLY, Refused, [1]),
        (Fault.OVERRANGE, OutOfRange, [1]),
        (Fault.GARBAGE, BadReply, [1, 2]),
        (Fault.DISCONNECT, LinkLost, [1]),
        (Fault.TAKEN, LinkLost, [1]),
    ],
)
def test_a_call_fails_before_or_after_it_is_carried_out(fault: Fault, error: type[Exception], done: list[int]) -> None:
    part, faulty = _put(fault)
    part.move(1)
    with pytest.raises(error):
        part.move(2)
    assert (part.done, faulty.struck) == (done, True)


def test_a_link_that_is_gone_stays_so_and_other_faults_pass() -> None:
    part, _ = _put(Fault.DISCONNECT, at=0)
    for _ in range(3):
        with pytest.raises(LinkLost):
            part.travel_m()
    part, _ = _put(Fault.NOT_A_NUMBER, at=0)
    assert math.isnan(part.travel_m())
    assert part.travel_m() == 0.5


def test_a_part_that_is_stuck_says_that_it_moves_from_then_on() -> None:
    part, _ = _put(Fault.STUCK_BUSY)
    assert [part.status().moving for _ in range(3)] == [False, True, True]
