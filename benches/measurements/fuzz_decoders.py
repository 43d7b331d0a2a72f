"""Byte strings into every decoder of the wire: no crash, no memory that grows, no value that wasn't sent.

    python benches/measurements/fuzz_decoders.py [strings per decoder, default 1000000] [seed]

Half of the strings are noise, half are good frames with some bytes changed, cut or doubled. Prints strings, values that
were decoded, named errors and the growth of memory for each decoder; ends with 1 where a decoder invented a value or
raised what isn't a named error. POSIX only.
"""

from __future__ import annotations

import logging
import random
import resource
import sys
import time
from collections.abc import Callable
from typing import Any

from stepwitness.devices.can_objects import CanObject
from stepwitness.devices.checksums import CHECKSUMS, Seal
from stepwitness.devices.counters.wrapping import Unwrapper, Wrap
from stepwitness.devices.drives.cia402_states import state_of
from stepwitness.devices.errors import DeviceError
from stepwitness.devices.registers import register
from stepwitness.devices.wire import Conversation
from stepwitness.standin.can_protocol import SlcanResponder
from stepwitness.standin.hislip_protocol import Kind, hislip, message
from stepwitness.standin.modbus_protocol import Bank, RtuResponder, TcpResponder, crc
from stepwitness.standin.scpi_protocol import ScpiProtocol
from stepwitness.standin.text_protocol import TextProtocol

STRINGS = 1_000_000
LONGEST = 40
FEW = 1000

Decoder = Callable[[bytes], bool]
"""Takes one string; whether it decoded a value. Raises AssertionError for an invented one."""


def strings(count: int, good: list[bytes], seed: int) -> Any:
    """`count` strings, half of them good ones that were spoilt."""
    chance = random.Random(seed)
    for number in range(count):
        if number % 2:
            data = bytearray(chance.choice(good))
            for _ in range(chance.randrange(4)):
                at = chance.randrange(len(data) + 1)
                change = chance.randrange(4)
                if change == 0 and data:
                    data[at % len(data)] ^= 1 << chance.randrange(8)
                elif change == 1:
                    del data[at:]
                elif change == 2:
                    data[at:at] = chance.randbytes(chance.randrange(1, 4))
                else:
                    data += data[:at]
            yield bytes(data)
        else:
            yield chance.randbytes(chance.randrange(LONGEST))


# -- what the host decodes ---------------------------------------------------------------------------------------


def conversation(*, tagged: bool, sealed: str = "") -> Decoder:
    """A reply is taken only with the request's tag and the right checksum, and it stands in what came."""
    seal = Seal(CHECKSUMS[sealed]) if sealed else None
    talk, came = Conversation(tagged=tagged, seal=seal, first_tag=6), bytearray()

    def decode(data: bytes) -> bool:
        talk._tag = 6  # the same tag for every string, so that good frames stay good
        talk.ask("position?", now_s=0.0)
        came.extend(data)
        del came[:-2000]
        reply = talk.hear(data, now_s=0.0)
        if reply is None:
            talk.give_up(now_s=0.0)
            return False
        text = came.decode("ascii", errors="backslashreplace")
        assert reply in text, f"{reply!r} never came"
        if tagged:
            assert f"@7 {reply}" in text, f"{reply!r} came without its tag"
        if seal is not None:
            whole = seal.put(f"@7 {reply}" if tagged else reply)
            assert whole.lower() in text.lower(), f"{reply!r} came without its checksum"
        return True

    return decode


def registers(text: str) -> Decoder:
    item = register(text)

    def decode(data: bytes) -> bool:
        words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
        value = item.decode(words)
        assert len(words) == item.size
        if isinstance(value, int) and item.bit is None:
            assert item.encode(value) == words
        return True

    return decode


def can_object(data: bytes) -> bool:
    item = CanObject(0x6064, 0, "int32")
    assert item.encode(item.decode(data)) == data[:4]
    return True


def statusword(data: bytes) -> bool:
    state_of(int.from_bytes(data[:2], "little"))
    return True


def unwrapping() -> Decoder:
    unwrapper, raw_before, counts_before = Unwrapper(Wrap(16, 16_000)), 0, 0

    def decode(data: bytes) -> bool:
        nonlocal raw_before, counts_before
        raw = int.from_bytes(data[:3], "little", signed=True)
        try:
            counts = unwrapper.counts(raw)
        except DeviceError:
            unwrapper.start_over()
            raw_before, counts_before = 0, unwrapper.counts(0)
            raise
        assert (counts - raw) % 65_536 == 0
        assert abs(counts - counts_before) <= 16_000 or raw_before == 0
        raw_before, counts_before = raw, counts
        return True

    return decode


def library_rtu() -> Decoder:
    """The library's own decoder as the host uses it: what it raises is caught, what it returns has its CRC."""
    from pymodbus.framer import FramerRTU
    from pymodbus.pdu import DecodePDU

    logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)
    framer = FramerRTU(DecodePDU(False))

    def decode(data: bytes) -> bool:
        try:
            _, reply = framer.handleFrame(data, 1, 0)
        except Exception as error:  # as `ModbusBus` does
            raise DeviceError(str(error)) from error
        if reply is None:
            return False
        whole = any(
            crc(data[start : end - 2]) == data[end - 2 : end] and data[start] == 1
            for start in range(len(data))
            for end in range(start + 4, len(data) + 1)
        )
        assert whole, f"{reply} came without its CRC"
        return True

    return decode


# -- what the stand-ins decode ---------------------------------------------------------------------------------------


class Objects:
    def read(self, index: int, sub: int) -> bytes:
        return bytes((index & 0xFF, sub))

    def write(self, index: int, sub: int, data: bytes) -> None: ...


def responder(made: Any) -> Decoder:
    return lambda data: bool(made.hear(data))


def lines(protocol: Any) -> Decoder:
    return lambda data: protocol.answer(data.decode("ascii", errors="backslashreplace")) is not None


def decoders() -> dict[str, tuple[Decoder, list[bytes]]]:
    """Each decoder with some good strings."""
    bank = Bank(inputs={0: lambda: [1, 2]}, writes={(0, 1): lambda _: None})
    read = b"\x01\x04\x00\x00\x00\x02"
    reply = b"\x01\x04\x04\x00\x00\x00\x07"
    seal, sum8 = Seal(CHECKSUMS["crc16-ccitt"]), Seal(CHECKSUMS["sum8"])
    words: dict[str, Callable[..., object]] = {r"position\?": lambda: 3200, r"move by ([-+]?\d+)": lambda _: None}

    def identity() -> Any:
        from stepwitness.devices.interfaces import Identity

        return Identity("Tarnbrook")

    return {
        "text line": (conversation(tagged=False), [b"3200\n", b"-17\r\n", b"ok\n"]),
        "text line, tags": (conversation(tagged=True), [b"@7 3200\n", b"@6 -17\n", b"@7 ok\n"]),
        "text line, tags and checksum": (
            conversation(tagged=True, sealed="crc16-ccitt"),
            [seal.put("@7 3200").encode() + b"\n", seal.put("@7 ok").encode() + b"\n"],
        ),
        "text line, sum8": (conversation(tagged=False, sealed="sum8"), [sum8.put("3200").encode() + b"\n"]),
        "registers, int32": (registers("input 0 int32"), [b"\0\0\0\x07", b"\xff\xff\xff\xfe"]),
        "registers, float32": (registers("input 0 float32"), [b"\x3f\x80\0\0", b"\x7f\xc0\0\0"]),
        "Modbus RTU, library": (library_rtu(), [reply + crc(reply), b"\x01\x84\x02" + crc(b"\x01\x84\x02")]),
        "CANopen object": (can_object, [b"\0\0\0\x07", b"\x07"]),
        "statusword": (statusword, [b"\x37\x06", b"\x50\x02"]),
        "counter that wraps": (unwrapping(), [b"\xff\xff\0", b"\0\0\0", b"\x10\x27\0"]),
        "stand-in, Modbus RTU": (responder(RtuResponder({1: bank}, lambda: 0.0)), [read + crc(read)]),
        "stand-in, Modbus TCP": (responder(TcpResponder({1: bank})), [b"\0\x01\0\0\0\x06" + read]),
        "stand-in, slcan and SDO": (
            responder(SlcanResponder({1: Objects()})),
            [b"O\r", b"t60184041600000000000\r", b"t601822F6600001000000\r"],
        ),
        "stand-in, HiSLIP": (
            lambda data: bool(hislip(lines_of(words))().hear(data)),
            [message(Kind.INITIALIZE, 0, 1, b"hislip0"), message(Kind.DATA_END, 0, 1, b"position?\n")],
        ),
        "stand-in, text line": (lines(TextProtocol(words)), [b"position?", b"@5 move by -3200"]),
        "stand-in, SCPI": (lines(ScpiProtocol(identity, {r"CURR +(\S+)": lambda _: None})), [b"*IDN?", b"CURR 2;*CLS"]),
    }  # fmt: skip


def lines_of(words: dict[str, Callable[..., object]]) -> Any:
    return TextProtocol(words)


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else STRINGS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    bad = 0
    print(
        f"{'decoder':30} {'strings':>9} {'values':>9} {'named errors':>13} {'invented':>9} {'crashes':>8} {'MiB':>6}"
        f" {'s':>6}"
    )
    for name, (decode, good) in decoders().items():
        values = named = invented = crashes = 0
        started_s, before_mib = time.monotonic(), peak_mib()
        for number, data in enumerate(strings(count, good, seed)):
            if number == FEW:
                before_mib = peak_mib()
            try:
                values += decode(data)
            except DeviceError:
                named += 1
            except AssertionError as error:
                invented += 1
                print(f"  {name}: {data!r}: {error}")
            except Exception as error:
                crashes += 1
                print(f"  {name}: {data!r}: {type(error).__name__}: {error}")
        bad += invented + crashes
        print(
            f"{name:30} {count:9,} {values:9,} {named:13,} {invented:9,} {crashes:8,} "
            f"{peak_mib() - before_mib:6.1f} {time.monotonic() - started_s:6.0f}",
            flush=True,
        )
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
