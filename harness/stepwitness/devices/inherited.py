"""A link that another process opened and left to this one, by its descriptor: ``descriptor://7`` (POSIX).

The kernel keeps the port's lock for as long as any process has the descriptor, so that nobody comes between the owner
that died and the one that takes over.
"""

from __future__ import annotations

import os
import select
import time

from stepwitness.devices.errors import LinkLost
from stepwitness.errors import BadInput

SCHEME = "descriptor"
_MOMENT_S = 0.01
_WRITING_S = 1.0


class InheritedLink:
    """Bytes over a descriptor, be it a socket's or a serial port's; set up already by whoever opened it."""

    def __init__(self, url: str) -> None:
        self.name = url
        number = url.removeprefix(f"{SCHEME}://")
        if not number.isdecimal():
            raise BadInput("not a descriptor", found=f"'{url}'", allowed=f"{SCHEME}://7")
        self.descriptor = int(number)

    def write(self, data: bytes) -> None:
        write_all(self.descriptor, data, name=self.name)

    def read(self) -> bytes:
        try:
            if not select.select([self.descriptor], [], [], _MOMENT_S)[0]:
                return b""
            data = os.read(self.descriptor, 4096)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as error:
            raise LinkLost(f"{self.name}: reading failed: {error}") from error
        if not data:
            raise LinkLost(f"{self.name}: the other end closed the connection")
        return data

    def discard(self) -> None:
        try:
            while select.select([self.descriptor], [], [], 0)[0] and os.read(self.descriptor, 4096):
                pass
        except (OSError, ValueError) as error:
            raise LinkLost(f"{self.name}: reading failed: {error}") from error

    def close(self) -> None:
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


def write_all(descriptor: int, data: bytes, *, name: str) -> None:
    """Write all of `data`, waiting a second for room.

    Raises
    ------
    LinkLost : where it can't be written.
    """
    ends_s = time.monotonic() + _WRITING_S
    while data:
        try:
            data = data[os.write(descriptor, data) :]
        except BlockingIOError:
            left_s = ends_s - time.monotonic()
            if left_s <= 0 or not select.select([], [descriptor], [], left_s)[1]:
                raise LinkLost(f"{name}: writing failed: the other end takes nothing") from None
        except (OSError, ValueError) as error:
            raise LinkLost(f"{name}: writing failed: {error}") from error
