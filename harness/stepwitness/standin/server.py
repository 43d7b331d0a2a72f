"""All stand-ins of one bench as a process of their own, each part on a port of its own on loopback.

    python -m stepwitness.standin.server BENCH.yaml --over tcp|serial|modbus-tcp|modbus-rtu|canopen|hislip --scale 3

1. One thread serves everything: the rig isn't thread-safe, and its parts answer at once.
2. One line of JSON on standard output says where each part is; the process ends when its standard input does,
   or on SIGTERM, so that it never outlives whoever started it.
3. The wire takes its own time, so the exchanges of the rig cost none; between requests the plant is kept up
   with the clock, so that no request finds a backlog.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import threading
from dataclasses import replace
from typing import TextIO

from stepwitness.devices.clock import WallClock
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.errors import BadInput, StepwitnessError
from stepwitness.standin.endpoints import ON_TERMINALS, WAYS, serve, stand_ins
from stepwitness.standin.rig import Rig
from stepwitness.standin.serving import Server


def _stop_with(stream: TextIO, server: Server) -> None:
    """Stop `server` once `stream` ends. A thread, because not every system can select on a pipe."""

    def wait() -> None:
        try:
            while stream.buffer.read(4096):
                pass
        except (OSError, ValueError):
            pass
        server.stop()

    threading.Thread(target=wait, daemon=True, name="standard input").start()


def main(arguments: list[str] | None = None) -> int:
    from stepwitness.bench.model import load_bench
    from stepwitness.bench.stand_in import mounted

    parser = argparse.ArgumentParser(
        prog="python -m stepwitness.standin.server", description="All stand-ins of one bench on loopback."
    )
    parser.add_argument("bench", help="bench file whose stand-ins are served")
    parser.add_argument("--over", choices=WAYS, default="tcp")
    parser.add_argument("--scale", type=float, default=3.0, help="seconds of the axis in one of the wall")
    parser.add_argument("--serial", default="", help="serial number of the unit that is mounted")
    chosen = parser.parse_args(arguments)
    try:
        if chosen.over in ON_TERMINALS and not has_pseudo_terminals():
            others = ", ".join(f"--over {way}" for way in WAYS if way not in ON_TERMINALS)
            raise BadInput("this system has no pseudo-terminals", found=f"--over {chosen.over}", allowed=others)
        if not chosen.scale > 0:
            raise BadInput("a scale must be positive", found=f"--scale {chosen.scale}")
        description = load_bench(chosen.bench)
        if chosen.serial:
            description = replace(description, axis_serial=chosen.serial)
        stand_in = mounted(description)
        if stand_in is None:
            raise BadInput(f"bench '{description.name}' has no stand-in", found=f"'{chosen.bench}'")
        rig = Rig(description.axis, replace(stand_in, exchange_s=0.0), WallClock(chosen.scale))
    except StepwitnessError as error:
        print(error, file=sys.stderr)
        return 2
    options = {role: part.options for role, part in description.parts().items()}
    sense = description.gauge.sense if description.gauge else 1
    server = Server(keep_up=rig.advance)
    signal.signal(signal.SIGTERM, lambda *_: server.stop())
    # An interrupt at the terminal reaches the whole group; whoever started this process ends it in its own time.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        parts = stand_ins(rig, options, gauge_sense=sense)
        rated_a = description.motor.rated_current_a
        print(json.dumps({"endpoints": serve(server, parts, over=chosen.over, rated_a=rated_a)}), flush=True)
        _stop_with(sys.stdin, server)
        server.run()
    finally:
        server.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
