"""Tarnbrook's TD-1: a drive with frames of its own, which no command set of text lines can describe.

A frame is seven bytes: sequence number, command, signed 32-bit value, exclusive or of these six. The drive answers
with the same sequence number and command, or with the command 0xFF where it refuses.
"""

import struct
import threading
from functools import partial, partialmethod, reduce
from operator import xor

from stepwitness.devices.drives.lost_reply import Standing, start_or_tell
from stepwitness.devices.errors import NoReply, Refused
from stepwitness.devices.interfaces import DriveStatus, Identity
from stepwitness.devices.links import open_link

REPLY_WITHIN_S = 0.5
REFUSED = 0xFF


class Td1Drive:
    def __init__(self, part, axis, clock):  # noqa: ARG002  axis: for a drive that speaks in travel
        self._link, self._clock = open_link(part.options["port"]), clock
        self._lock, self._sequence = threading.RLock(), 0  # a halt may come while another thread asks

    def _ask(self, command, value=0, *, scale=1):
        with self._lock:
            self._sequence = (self._sequence + 1) % 256
            frame = struct.pack(">BBi", self._sequence, command, round(value * scale))
            self._link.write(frame + bytes([reduce(xor, frame)]))
            deadline_s, heard = self._clock.now() + REPLY_WITHIN_S, b""
            while self._clock.now() < deadline_s:
                heard += self._link.read()
                for start in range(len(heard) - 6):  # noise or a late reply may stand before ours
                    reply = heard[start : start + 7]
                    if reply[0] == self._sequence and reply[1] in (command, REFUSED) and not reduce(xor, reply):
                        if reply[1] == REFUSED:
                            raise Refused(f"TD-1 refuses command {command} with {value:g}")
                        return int.from_bytes(reply[2:6], signed=True)
            raise NoReply(f"TD-1 on {self._link.name}: no reply to command {command} within {REPLY_WITHIN_S:g} s")

    enable, disable, halt = partialmethod(_ask, 2), partialmethod(_ask, 3), partialmethod(_ask, 4)
    position, set_position = partialmethod(_ask, 5), partialmethod(_ask, 6)
    set_speed, set_acceleration = partialmethod(_ask, 7, scale=10), partialmethod(_ask, 8)
    set_run_current, set_hold_current = partialmethod(_ask, 9, scale=1000), partialmethod(_ask, 10, scale=1000)

    def identity(self):
        return Identity(maker="Tarnbrook Dosing", model="TD-1", version=str(self._ask(1)))

    def status(self):
        bits = self._ask(11)
        return DriveStatus(enabled=bool(bits & 1), moving=bool(bits & 2), fault="too hot" if bits & 4 else "")

    def start_move_by(self, microsteps):
        self._start(12, microsteps, target=self.position() + microsteps)

    def start_move_to(self, microsteps):
        self._start(13, microsteps, target=microsteps)

    def _start(self, command, value, *, target):  # sent once: after a lost reply the drive is read back
        words, before = f"command {command} with {value}", self._standing()
        start_or_tell(
            partial(self._ask, command, value), self._standing, name="TD-1", command=words, before=before, target=target
        )

    def _standing(self):
        return Standing(self.status(), self.position())

    def set_output(self, number, on):
        self._ask(14, number if on else -number)

    def output(self, number):
        return bool(self._ask(15, number))

    def close_link(self):
        self._link.close()
