"""A drive behind Modbus registers.

1. No move is ever resent. When its reply is lost, the drive is read back and what is known decides (`lost_reply`).
2. A halt is the one command that is sent again, and that goes first on a line that is out of step.
3. Status and position are read together where the map puts them side by side.
"""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from stepwitness.devices.drives.loop_words import loop_words
from stepwitness.devices.drives.lost_reply import Standing, read_back, start_or_tell
from stepwitness.devices.errors import BadReply, NoReply, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.interfaces import Clock, ClosedLoopSettings, ClosedLoopStatus, DriveStatus, Identity
from stepwitness.devices.modbus import LINK_OPTIONS, ModbusUnit, open_unit
from stepwitness.devices.modbus_last_words import ModbusWords
from stepwitness.devices.modbus_part import check_probe, identity_of
from stepwitness.devices.part import Part
from stepwitness.devices.part_options import word_option
from stepwitness.devices.register_map import IDENTITY, RegisterMap, register_map
from stepwitness.devices.registers import Reads, Register, Value

_STATE = {
    "enabled": "input 0x0000 bit 0",
    "moving": "input 0x0000 bit 1",
    "fault": "input 0x0001 uint16",
    "position": "input 0x0002 int32",
}
_LOOP = {
    "alarm": "input 0x0000 bit 2",
    "target_reached": "input 0x0000 bit 3",
    "following_error": "input 0x0004 float32",
    "attempts_made": "input 0x0006 uint32",
}
_COMMANDS = {
    "enable": "holding 0 = 1",
    "disable": "holding 0 = 2",
    "halt": "holding 0 = 3",
    "move_to": "holding 0 = 5 + holding 1 int32 = value",
    "move_by": "holding 0 = 6 + holding 1 int32 = value",
    "set_position": "holding 0 = 7 + holding 1 int32 = value",
    "set_speed": "holding 0x10 float32 = value",
    "set_acceleration": "holding 0x12 float32 = value",
    "set_run_current": "holding 0x14 int16 scale 0.001 = value",
    "set_hold_current": "holding 0x15 int16 scale 0.001 = value",
}
_LOOP_COMMANDS = {
    "clear_alarm": "holding 0 = 4",
    "configure_loop": "holding 0x20 float32 = window + holding 0x22 float32 = timeout"
    " + holding 0x24 float32 = position_window + holding 0x26 float32 = position_time"
    " + holding 0x28 uint32 = attempts + holding 0x2a = halt + holding 0x2b = quick_stop"
    " + holding 0x2c = fault_reaction",
}
_AGAIN = ("disable", "set_speed", "set_acceleration", "set_run_current", "set_hold_current", "configure_loop")
_OPTIONAL = (IDENTITY, "fault", "output", "set_position", "move_by", "attempts_made")

DRIVE_MAP: RegisterMap = register_map(
    registers={**_STATE, "output": "coil 0", IDENTITY: "input 0x0100 text40"},
    scripts=_COMMANDS,
    optional=_OPTIONAL,
    again=_AGAIN,
    probe="input 0x0008 uint32 = 0x12345678",
    words={("fault", 1): "following error"},
)
"""The map of the stand-in's own drive. Positions are in microsteps, speeds in microsteps per second."""

CLOSED_LOOP_MAP: RegisterMap = register_map(
    registers={**_STATE, **_LOOP, "output": "coil 0", IDENTITY: "input 0x0100 text40"},
    scripts={**_COMMANDS, **_LOOP_COMMANDS},
    optional=_OPTIONAL,
    again=_AGAIN,
    probe="input 0x0008 uint32 = 0x12345678",
    words={("fault", 1): "following error"},
)
"""The same, of a drive that watches an encoder of its own."""


class ModbusDrive:
    """`Drive` over a unit that has `DRIVE_MAP` or a map of the same names."""

    def __init__(self, unit: ModbusUnit, registers: RegisterMap) -> None:
        self._unit, self._map = unit, registers
        self._state = self._reads(*_STATE)
        self._position = self._reads("position")

    @property
    def log(self) -> ExchangeLog:
        """The last exchanges, oldest first; `log.texts()` for the record."""
        return self._unit.log

    def close_link(self) -> None:
        self._unit.close()

    def reconnect(self) -> None:
        """Connect anew after `LinkLost`, and ask who is there; nothing moves."""
        self._unit.reconnect()
        self.identity()

    @property
    def descriptor(self) -> int:
        """The port's descriptor, or -1; see `stepwitness.devices.last_words`."""
        return self._unit.descriptor

    def last_words(self, name: str) -> ModbusWords:
        """What the script `name`, which needs no value, says once this process is gone."""
        return self._unit.last_words(self._map.scripts[name])

    def identity(self) -> Identity:
        return identity_of(self._unit, self._map)

    def enable(self) -> None:
        self._run("enable")

    def disable(self) -> None:
        self._run("disable")

    def set_speed(self, microsteps_per_s: float) -> None:
        self._run("set_speed", value=microsteps_per_s)

    def set_acceleration(self, microsteps_per_s2: float) -> None:
        self._run("set_acceleration", value=microsteps_per_s2)

    def set_run_current(self, current_a: float) -> None:
        self._run("set_run_current", value=current_a)

    def set_hold_current(self, current_a: float) -> None:
        self._run("set_hold_current", value=current_a)

    def start_move_by(self, microsteps: int) -> None:
        """Start a relative move; as an absolute one where the map has no relative move.

        Raises
        ------
        Refused : by the drive. NotStarted : the command was lost, the drive stands where it stood.
        NoReply : whether it started isn't known.
        """
        before = self._standing()
        target = before.position + microsteps
        if "move_by" in self._map.scripts:
            self._start("move_by", microsteps, before, target=target)
        else:
            self._start("move_to", target, before, target=target)

    def start_move_to(self, microsteps: int) -> None:
        """Start an absolute move; errors as for `start_move_by`."""
        self._start("move_to", microsteps, self._standing(), target=microsteps)

    def halt(self) -> None:
        try:
            self._run("halt", urgent=True)
        except (NoReply, BadReply):
            self._run("halt", urgent=True)

    def status(self) -> DriveStatus:
        return self._standing().status

    def position(self) -> int:
        return _whole(self._unit.values(self._position)["position"])

    def set_position(self, microsteps: int) -> None:
        if "set_position" not in self._map.scripts:
            raise Refused(f"{self._unit.name}: its register map has no 'set_position'")
        try:
            self._run("set_position", value=microsteps)
        except NoReply as lost:
            command = f"set position {microsteps}"
            found = read_back(self._standing, name=self._unit.name, command=command, lost=lost)
            if found.position != microsteps:
                raise NoReply(f"{lost}; read back: {found}") from lost

    def set_output(self, number: int, on: bool) -> None:
        self._unit.write_coil(self._coil(number).address, on)

    def output(self, number: int) -> bool:
        return bool(self._unit.values(Reads({"output": self._coil(number)}))["output"])

    # -- registers ---------------------------------------------------------------------------------------------

    def _reads(self, *names: str) -> Reads:
        return Reads({name: self._map.registers[name] for name in names if name in self._map.registers})

    def _run(self, name: str, *, urgent: bool = False, **values: float) -> None:
        self._unit.run(self._map.scripts[name], again=name in self._map.again, urgent=urgent, **values)

    def _coil(self, number: int) -> Register:
        """The coil of an output; the map names that of output 1."""
        first = self._map.registers.get("output")
        if first is None:
            raise Refused(f"{self._unit.name}: its register map has no 'output'")
        if number < 1:
            raise Refused(f"{self._unit.name}: output {number}; outputs count from 1")
        return replace(first, address=first.address + number - 1)

    def _standing(self) -> Standing:
        found = self._unit.values(self._state)
        code = int(cast(float, found.get("fault", 0)))
        fault = self._map.words.get(("fault", code), f"code {code}") if code else ""
        status = DriveStatus(enabled=bool(found["enabled"]), moving=bool(found["moving"]), fault=fault)
        return Standing(status, _whole(found["position"]))

    def _start(self, name: str, value: int, before: Standing, *, target: int) -> None:
        start_or_tell(
            lambda: self._run(name, value=value),
            self._standing,
            name=self._unit.name,
            command=f"{name.replace('_', ' ')} {value}",
            before=before,
            target=target,
        )


class ModbusClosedLoopDrive(ModbusDrive):
    """The same with `ClosesLoop`, over `CLOSED_LOOP_MAP`."""

    def __init__(self, unit: ModbusUnit, registers: RegisterMap) -> None:
        super().__init__(unit, registers)
        self._loop = self._reads(*_LOOP)

    def configure_loop(self, settings: ClosedLoopSettings) -> None:
        self._run("configure_loop", **loop_words(settings))

    def loop_status(self) -> ClosedLoopStatus:
        found = self._unit.values(self._loop)
        return ClosedLoopStatus(
            following_error=float(found["following_error"]),
            alarm=bool(found["alarm"]),
            target_reached=bool(found["target_reached"]),
            attempts_made=int(found.get("attempts_made", 0)),
        )

    def clear_alarm(self) -> None:
        self._run("clear_alarm")


def _whole(value: Value) -> int:
    return value if isinstance(value, int) else round(float(value))


def open_drive(part: Part, clock: Clock) -> ModbusDrive:
    """The drive that `part` names; ``loop: closed`` for one that watches its own encoder."""
    loop = word_option(part.options, "loop", "open", part.place, ("open", "closed"))
    kind, default = (ModbusClosedLoopDrive, CLOSED_LOOP_MAP) if loop == "closed" else (ModbusDrive, DRIVE_MAP)
    items = {key: text for key, text in part.options.items() if key not in (*LINK_OPTIONS, "loop")}
    registers = default.with_options(items, part.place)
    drive = kind(open_unit(part.options, part.place, clock.now), registers)
    try:
        drive._unit.hello(lambda: check_probe(drive._unit, registers, part.place, first="position"))
    except BaseException:
        drive.close_link()
        raise
    return drive
