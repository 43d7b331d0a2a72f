from __future__ import annotations

from typing import Any

import pytest

from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.counters.modbus import COUNTER_MAP, ModbusCounter, ModbusLatchingCounter, open_counter
from stepwitness.devices.counters.wrapping import Unwrapper, Wrap
from stepwitness.devices.interfaces import EncoderCounter, LatchesCounts
from stepwitness.devices.part import Part
from stepwitness.devices.registers import Reads, Script, Space, Value
from stepwitness.errors import BadInput, Place
from stepwitness.standin.modbus_parts import counter_bank


class Counter:
    """A counter of which a test says what it has counted."""

    counted = 0

    def identity(self) -> Any:
        from stepwitness.devices.interfaces import Identity

        return Identity("Tarnbrook", "counter")

    def counts(self) -> int:
        return self.counted

    def faults(self) -> int:
        return 3


class Direct:
    name = "line unit 2"

    def __init__(self, counter: Counter) -> None:
        self._bank = counter_bank(counter)

    def values(self, reads: Reads) -> dict[str, Value]:
        def read(_: Space, start: int, count: int) -> list[int]:
            reply = self._bank.answer(b"\x04" + start.to_bytes(2, "big") + count.to_bytes(2, "big"))
            return [int.from_bytes(reply[at : at + 2], "big") for at in range(2, len(reply), 2)]

        return reads.values(read)

    def run(self, script: Script, *, again: bool) -> None:  # noqa: ARG002
        for item, words in script.writes():
            self._bank.answer(b"\x06" + item.address.to_bytes(2, "big") + words[0].to_bytes(2, "big"))

    def reconnect(self) -> None: ...


def _counter(kind: type[ModbusCounter], wrap: Wrap, **options: str) -> tuple[Any, Counter]:
    truth = Counter()
    registers = COUNTER_MAP.with_options(options, Place())
    return kind(Direct(truth), registers, Unwrapper(wrap)), truth  # type: ignore[arg-type]


def test_counts_of_both_signs_faults_and_identity() -> None:
    counter, truth = _counter(ModbusCounter, Wrap())
    assert isinstance(counter, EncoderCounter)
    assert not isinstance(counter, LatchesCounts)
    truth.counted = -40_000
    assert (counter.counts(), counter.faults(), str(counter.identity())) == (-40_000, 3, "Tarnbrook counter")
    assert _counter(ModbusCounter, Wrap(), faults="")[0].faults() == 0


def test_a_counter_of_16_bits_goes_on_where_it_wraps() -> None:
    counter, truth = _counter(ModbusCounter, Wrap(16, 8000), counts="input 0x0001 uint16")
    found = []
    for truth.counted in (65_000, 70_000, 65_000, 60_000):
        found.append(counter.counts())
    assert [value - found[0] for value in found] == [0, 5000, 0, -5000]


def test_latched_counts_are_those_of_the_latch() -> None:
    counter, truth = _counter(ModbusLatchingCounter, Wrap())
    assert isinstance(counter, LatchesCounts)
    truth.counted = 100
    counter.latch()
    truth.counted = 900
    assert (counter.latched_counts(), counter.counts()) == (100, 900)


def test_an_unknown_way_of_sampling_is_told() -> None:
    with pytest.raises(BadInput, match=r"b\.yaml:8 counter.sampling: no such sampling; found 'latch'"):
        open_counter(Part("modbus", {"sampling": "latch"}, Place("b.yaml", 8, "counter")), VirtualClock())
