"""An encoder counter behind Modbus registers; counts that wrap are unwrapped (`wrapping`)."""

from __future__ import annotations

from stepwitness.devices.counters.wrapping import WRAP_OPTIONS, Unwrapper, unwrapper_from
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.interfaces import Clock, EncoderCounter, Identity
from stepwitness.devices.modbus import LINK_OPTIONS, ModbusUnit, open_unit
from stepwitness.devices.modbus_part import check_probe, identity_of
from stepwitness.devices.part import Part
from stepwitness.devices.part_options import Options, word_option
from stepwitness.devices.register_map import IDENTITY, RegisterMap, register_map
from stepwitness.devices.registers import Reads

COUNTER_MAP: RegisterMap = register_map(
    registers={
        "counts": "input 0x0000 int32",
        "faults": "input 0x0002 uint32",
        "latched": "input 0x0004 int32",
        IDENTITY: "input 0x0100 text40",
    },
    scripts={"latch": "holding 0 = 1"},
    optional=(IDENTITY, "faults", "latched", "latch"),
    again=("latch",),
    probe="input 0x0008 uint32 = 0x12345678",
)
"""The map of the stand-in's own counter."""


class ModbusCounter:
    """`EncoderCounter` over a unit that has `COUNTER_MAP` or a map of the same names."""

    def __init__(self, unit: ModbusUnit, registers: RegisterMap, unwrapper: Unwrapper) -> None:
        self._unit, self._map, self._unwrapper = unit, registers, unwrapper
        self._reads = {name: Reads({name: item}) for name, item in registers.registers.items()}

    @property
    def log(self) -> ExchangeLog:
        """The last exchanges, oldest first; `log.texts()` for the record."""
        return self._unit.log

    def close_link(self) -> None:
        self._unit.close()

    def reconnect(self) -> None:
        """Connect anew after `LinkLost`, and ask who is there. Counts that wrap are unknown until `start_over`."""
        self._unit.reconnect()
        self._unwrapper.doubt("the link was lost meanwhile")
        self.identity()

    def start_over(self) -> None:
        """Count anew, after counts became unknown: the axis has to be referenced again."""
        self._unwrapper.start_over()

    def identity(self) -> Identity:
        return identity_of(self._unit, self._map)

    def counts(self) -> int:
        return self._unwrapped("counts")

    def faults(self) -> int:
        """0 for a counter that can't tell."""
        if "faults" not in self._reads:
            return 0
        return int(self._unit.values(self._reads["faults"])["faults"])

    def _unwrapped(self, name: str) -> int:
        return self._unwrapper.counts(int(self._unit.values(self._reads[name])[name]))


class ModbusLatchingCounter(ModbusCounter):
    """The same with `LatchesCounts`."""

    def latch(self) -> None:
        self._unit.run(self._map.scripts["latch"], again="latch" in self._map.again)

    def latched_counts(self) -> int:
        return self._unwrapped("latched")


def open_counter(part: Part, clock: Clock) -> EncoderCounter:
    """The counter that `part` names; ``sampling: latched`` for one that latches its counts on command."""
    own: Options = part.options
    sampling = word_option(own, "sampling", "direct", part.place, ("direct", "latched"))
    unwrapper = unwrapper_from(own, part.place, clock)
    known = (*LINK_OPTIONS, *WRAP_OPTIONS, "sampling")
    registers = COUNTER_MAP.with_options({key: text for key, text in own.items() if key not in known}, part.place)
    unit = open_unit(own, part.place, clock.now)
    kind = ModbusLatchingCounter if sampling == "latched" else ModbusCounter
    try:
        unit.hello(lambda: check_probe(unit, registers, part.place, first="counts"))
    except BaseException:
        unit.close()
        raise
    return kind(unit, registers, unwrapper)
