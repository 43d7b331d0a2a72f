"""The stand-in drive and counter as Modbus units, with a register map of their own invention.

Input registers of the drive: 0 state bits (enabled, moving, alarm, target reached), 1 fault code, 2 position,
4 following error, 6 attempts, 8 probe, 0x100 identity. Holding registers: 0 command, 1 argument of 32 bits (both in one
write, or the command alone), 0x10 speed, 0x12 acceleration, 0x14 and 0x15 run and hold current in milliamperes,
0x20 the loop's settings. Coils: the outputs from 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from struct import pack, unpack

from stepwitness.devices.errors import DeviceError, Refused
from stepwitness.devices.interfaces import (
    ClosedLoopSettings,
    ClosesLoop,
    Drive,
    EncoderCounter,
    HaltOption,
    Identity,
)
from stepwitness.standin.modbus_protocol import Bank

IDENTITY_AT, IDENTITY_WORDS = 0x100, 40
PROBE_AT, PROBE = 8, 0x12345678
OUTPUTS = 4
FAULTS = ("", "following error")
OTHER_FAULT = 99
Words = Sequence[int]


def _words(data: bytes) -> list[int]:
    return list(unpack(f">{len(data) // 2}H", data))


def _bytes(words: Words) -> bytes:
    return pack(f">{len(words)}H", *words)


def _float(words: Words) -> float:
    value: float = unpack(">f", _bytes(words))[0]
    return value


def _whole32(value: int) -> list[int]:
    """The low 32 bits of a position or a count, as a counter of that size shows them."""
    return _words((value & 0xFFFF_FFFF).to_bytes(4, "big"))


def _identity(identity: Callable[[], Identity]) -> dict[int, Callable[[], Words]]:
    def told() -> Words:
        found = identity()
        fields = (found.maker, found.model, found.serial, found.version)
        text = ";".join(field.replace(";", ",") for field in fields).encode("ascii", errors="replace")
        return _words(text[: 2 * IDENTITY_WORDS].ljust(2 * IDENTITY_WORDS, b"\0"))

    return {IDENTITY_AT: told, PROBE_AT: lambda: _words(PROBE.to_bytes(4, "big"))}


def drive_bank(drive: Drive) -> Bank:
    """The drive; with a loop's registers where it closes one."""
    loop = drive if isinstance(drive, ClosesLoop) else None

    def state() -> Words:
        status = drive.status()
        bits = status.enabled | status.moving << 1
        fault = FAULTS.index(status.fault) if status.fault in FAULTS else OTHER_FAULT
        error, attempts = 0.0, 0
        if loop is not None:
            found = loop.loop_status()
            bits |= found.alarm << 2 | found.target_reached << 3
            error, attempts = found.following_error, found.attempts_made
        position = _whole32(drive.position())
        return [bits, fault, *position, *_words(pack(">f", error)), *_whole32(attempts)]

    def command(words: Words) -> None:
        plain: dict[int, Callable[[], None]] = {1: drive.enable, 2: drive.disable, 3: drive.halt}
        if loop is not None:
            plain[4] = loop.clear_alarm
        if words[0] not in plain:
            raise Refused(f"command {words[0]}")
        plain[words[0]]()

    def command_with_argument(words: Words) -> None:
        commands = {5: drive.start_move_to, 6: drive.start_move_by, 7: drive.set_position}
        if words[0] not in commands:
            raise Refused(f"command {words[0]}")
        commands[words[0]](int.from_bytes(_bytes(words[1:]), "big", signed=True))

    def amperes(set_current: Callable[[float], None]) -> Callable[[Words], None]:
        return lambda words: set_current(int.from_bytes(_bytes(words), "big", signed=True) * 1e-3)

    writes: dict[tuple[int, int], Callable[[Words], object]] = {
        (0, 1): command,
        (0, 3): command_with_argument,
        (0x10, 2): lambda words: drive.set_speed(_float(words)),
        (0x12, 2): lambda words: drive.set_acceleration(_float(words)),
        (0x14, 1): amperes(drive.set_run_current),
        (0x15, 1): amperes(drive.set_hold_current),
    }
    if loop is not None:
        writes[0x20, 13] = _loop_settings(loop)
    coils = {number - 1: _output(drive, number) for number in range(1, OUTPUTS + 1)}
    return Bank(inputs={0: state, **_identity(drive.identity)}, writes=writes, coils=coils)


def _output(drive: Drive, number: int) -> tuple[Callable[[], bool], Callable[[bool], object]]:
    return lambda: drive.output(number), lambda on: drive.set_output(number, on)


def _loop_settings(loop: ClosesLoop) -> Callable[[Words], None]:
    def configure(words: Words) -> None:
        window, timeout_s, position_window, position_time_s, attempts, *options = unpack(">ffffIHHH", _bytes(words))
        loop.configure_loop(
            ClosedLoopSettings(
                window, timeout_s, position_window, position_time_s, attempts, *(HaltOption(item) for item in options)
            )
        )

    return configure


def counter_bank(counter: EncoderCounter) -> Bank:
    """The counter; a 1 written to holding register 0 latches its counts into input register 4."""
    latched = 0

    def latch(words: Words) -> None:
        nonlocal latched
        if words[0] != 1:
            raise DeviceError(f"command {words[0]}")
        latched = counter.counts()

    def readings() -> Words:
        return [*_whole32(counter.counts()), *_whole32(counter.faults()), *_whole32(latched)]

    return Bank(inputs={0: readings, **_identity(counter.identity)}, writes={(0, 1): latch})
