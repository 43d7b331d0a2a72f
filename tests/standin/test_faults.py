"""Faults on the wire: the same seed gives the same fault, a healthy wire changes nothing, and no fault moves a part."""

from __future__ import annotations

import contextlib
import itertools
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.standin.dialects import TEXT
from stepwitness.standin.faults import Down, Fault, FaultyWire, Injection

REPLY = b"@17 enabled resting\n"


def _exchange(wire: FaultyWire, request: bytes, reply: bytes, now_s: float) -> tuple[bytes, list[tuple[float, bytes]]]:
    """What reaches the part, and what reaches the host with the time at which it does."""
    wire.from_host(request, now_s=now_s)
    heard = wire.due_to_part(now_s)
    if heard:
        wire.from_part(reply, now_s=now_s)
    arrived = []
    while (due_s := wire.next_due_s()) < math.inf:
        arrived.append((due_s, wire.due_to_host(due_s)))
    return heard, arrived


def _struck(fault: Fault, seed: int, *, request: bytes = b"@17 status?\n", reply: bytes = REPLY) -> tuple[bytes, bytes]:
    wire = FaultyWire(Injection(fault, at=1, seed=seed), dialect=TEXT)
    assert _exchange(wire, b"@16 counts?\n", b"@16 12345\n", 0.0) == (b"@16 counts?\n", [(0.0, b"@16 12345\n")])
    heard, arrived = _exchange(wire, request, reply, 1.0)
    return heard, b"".join(data for _, data in arrived)


@given(st.lists(st.binary(min_size=1, max_size=30), max_size=10))
def test_a_healthy_wire_passes_everything(chunks: list[bytes]) -> None:
    wire = FaultyWire(dialect=TEXT)
    for number, chunk in enumerate(chunks):
        assert _exchange(wire, chunk, chunk[::-1], float(number)) == (chunk, [(float(number), chunk[::-1])])


@pytest.mark.parametrize("fault", [fault for fault in Fault if fault not in (Fault.DISCONNECT, Fault.RETURN)])
@given(seed=st.integers(0, 10**6))
def test_the_same_seed_gives_the_same_fault(fault: Fault, seed: int) -> None:
    assert _struck(fault, seed) == _struck(fault, seed)


@pytest.mark.parametrize("fault", list(Fault))
@given(seed=st.integers(0, 10**6))
def test_no_fault_asks_for_a_move_or_asks_twice(fault: Fault, seed: int) -> None:
    request = b"@17 move by 3200\n"
    try:
        heard, _ = _struck(fault, seed, request=request, reply=b"@17 ok\n")
    except Down:
        return
    assert len(re.findall(rb"move by 3200\n", heard)) <= 1
    if fault not in (Fault.GARBAGE, Fault.TRUNCATED):
        assert heard in (request, b"")


@pytest.mark.parametrize(
    ("fault", "seen"),
    [
        (Fault.LOST_REPLY, b""),
        (Fault.LOST_REQUEST, b""),
        (Fault.STALE, b"@16 12345\n"),
        (Fault.WRONG_UNIT, b"@18 enabled resting\n"),
        (Fault.STUCK_BUSY, b"@17 enabled moving\n"),
        (Fault.ERROR_REPLY, b"@17 refused: internal error 7\n"),
        (Fault.OVERRANGE, b"@17 out of range\n"),
        (Fault.DRIP, REPLY),
        (Fault.DELAY, REPLY),
    ],
)
def test_what_the_host_hears(fault: Fault, seen: bytes) -> None:
    assert _struck(fault, 3)[1] == seen


def test_a_number_that_is_none_keeps_its_unit() -> None:
    assert _struck(Fault.NOT_A_NUMBER, 1, reply=b"@17 +1.25 mm\n")[1] == b"@17 nan mm\n"


@given(st.integers(0, 10**6))
def test_a_changed_character_is_one_character(seed: int) -> None:
    reply = b"@17 3200*5C\n"
    seen = _struck(Fault.WRONG_CHECKSUM, seed, reply=reply)[1]
    assert len(seen) == len(reply)
    assert sum(one != other for one, other in zip(seen, reply, strict=True)) == 1


def test_a_drip_comes_byte_by_byte_in_order() -> None:
    wire = FaultyWire(Injection(Fault.DRIP, at=0, seed=2), dialect=TEXT)
    _, arrived = _exchange(wire, b"@17 status?\n", REPLY, 0.0)
    assert [len(data) for _, data in arrived] == [1] * len(REPLY)
    assert b"".join(data for _, data in arrived) == REPLY


def test_a_late_reply_isnt_overtaken() -> None:
    wire = FaultyWire(Injection(Fault.DELAY, at=0, seed=4), dialect=TEXT)
    wire.from_host(b"@1 a?\n", now_s=0.0)
    wire.from_part(b"@1 1\n", now_s=0.0)
    wire.from_host(b"@2 b?\n", now_s=0.01)
    wire.from_part(b"@2 2\n", now_s=0.01)
    assert wire.due_to_host(0.01) == b""
    assert wire.due_to_host(10.0) == b"@1 1\n@2 2\n"


@pytest.mark.parametrize(("fault", "half"), [(Fault.WRAP_16, 1 << 15), (Fault.WRAP_32, 1 << 31)])
@pytest.mark.parametrize("seed", range(4))
def test_a_counter_wraps_soon_after_and_either_way(fault: Fault, half: int, seed: int) -> None:
    wire = FaultyWire(Injection(fault, at=0, seed=seed), dialect=TEXT)
    seen = []
    for counts in [*range(1000, 1100, 10), *range(1100, 900, -10)]:
        _, arrived = _exchange(wire, b"@1 counts?\n", b"@1 %d\n" % counts, 0.0)
        seen.append(int(arrived[0][1].split()[1]))
    assert all(-half <= value < half for value in seen)
    jumps = [abs(after - before) for before, after in itertools.pairwise(seen)]
    assert any(jump > half for jump in jumps)
    assert {jump % (2 * half) for jump in jumps} <= {0, 10, 2 * half - 10}


def test_a_wire_that_is_cut_stays_so_or_comes_back() -> None:
    for fault, back in ((Fault.DISCONNECT, False), (Fault.RETURN, True)):
        wire = FaultyWire(Injection(fault, at=0, seed=1, timeout_s=0.5), dialect=TEXT)
        with contextlib.suppress(Down):
            wire.from_host(b"@1 a?\n", now_s=0.0)
        with pytest.raises(Down):
            wire.due_to_host(0.01)
        if back:
            assert _exchange(wire, b"@2 b?\n", b"@2 2\n", 2.0) == (b"@2 b?\n", [(2.0, b"@2 2\n")])
        else:
            with pytest.raises(Down):
                wire.from_host(b"@2 b?\n", now_s=1e6)


def test_hooks_reach_what_no_byte_does() -> None:
    told: list[object] = []
    for fault in (Fault.REBOOT, Fault.REBOOT_ENABLED, Fault.CLOCK_JUMP):
        wire = FaultyWire(Injection(fault, at=0, seed=1, reboot=told.append, jump=told.append), dialect=TEXT)
        _exchange(wire, b"@1 a?\n", b"@1 1\n", 0.0)
    assert told[:2] == [False, True]
    assert told[2] in (5.0, 60.0, 3600.0, -60.0, -3600.0)
