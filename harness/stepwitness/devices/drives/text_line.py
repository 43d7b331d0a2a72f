"""A drive behind a line of text.

1. No move is ever resent. When its reply is lost, the drive is read back and what is known decides (`lost_reply`).
2. A halt is the one command that is sent again: twice does no harm, and not at all may.
"""

from __future__ import annotations

from dataclasses import replace

from stepwitness.devices.command_set import NUMBER, WHOLE, CommandSet, Exchange, command_set
from stepwitness.devices.drives.loop_words import loop_words
from stepwitness.devices.drives.lost_reply import Standing, read_back, start_or_tell
from stepwitness.devices.errors import NoReply
from stepwitness.devices.interfaces import (
    Clock,
    ClosedLoopSettings,
    ClosedLoopStatus,
    DriveStatus,
)
from stepwitness.devices.part import Part
from stepwitness.devices.text_line import OnALine, open_line
from stepwitness.errors import BadInput
from stepwitness.quantities import Kind

DRIVE_COMMANDS: CommandSet = command_set(
    enable=Exchange("enable"),
    disable=Exchange("disable", again=True),
    halt=Exchange("halt"),
    status=Exchange(
        "status?",
        r"(?:(?P<enabled>enabled)|disabled) (?:(?P<moving>moving)|resting)(?: fault: (?P<fault>.+))?",
        groups=("enabled", "moving"),
        again=True,
    ),
    position=Exchange("position?", WHOLE, groups=("value",), again=True),
    set_position=Exchange("set position {value}"),
    move_by=Exchange("move by {value}"),
    move_to=Exchange("move to {value}"),
    set_speed=Exchange("speed {value}", again=True),
    set_acceleration=Exchange("acceleration {value}", again=True),
    set_run_current=Exchange("run current {value}", kind=Kind.CURRENT, unit="A", again=True),
    set_hold_current=Exchange("hold current {value}", kind=Kind.CURRENT, unit="A", again=True),
    output_on=Exchange("output {number} on", again=True),
    output_off=Exchange("output {number} off", again=True),
    output=Exchange("output {number}?", "(?P<on>on)|off", groups=("on",), again=True),
)
"""The words of the stand-in's own drive. Speeds are in microsteps per second, positions in microsteps."""

CLOSED_LOOP_COMMANDS: CommandSet = command_set(
    **{name: exchange for name, exchange in DRIVE_COMMANDS.exchanges.items() if name != "identity"},
    configure_loop=Exchange(
        "loop following {window} {timeout} position {position_window} {position_time} attempts {attempts} "
        "options {halt} {quick_stop} {fault_reaction}",
        again=True,
    ),
    loop_status=Exchange(
        "loop?",
        rf"error {NUMBER} (?:(?P<alarm>alarm)|quiet) (?:(?P<reached>reached)|travelling)"
        r" attempts (?P<attempts>\d+)",
        groups=("value", "alarm", "reached", "attempts"),
        again=True,
    ),
    clear_alarm=Exchange("clear alarm"),
)
"""The same, of a drive that watches an encoder of its own."""


class TextLineDrive(OnALine):
    """`Drive` over a `TextLine` that speaks `DRIVE_COMMANDS` or a set of the same names."""

    def enable(self) -> None:
        self._line.ask("enable")

    def disable(self) -> None:
        self._line.ask("disable")

    def set_speed(self, microsteps_per_s: float) -> None:
        self._line.ask("set_speed", value=float(microsteps_per_s))

    def set_acceleration(self, microsteps_per_s2: float) -> None:
        self._line.ask("set_acceleration", value=float(microsteps_per_s2))

    def set_run_current(self, current_a: float) -> None:
        self._line.ask("set_run_current", value=float(current_a))

    def set_hold_current(self, current_a: float) -> None:
        self._line.ask("set_hold_current", value=float(current_a))

    def start_move_by(self, microsteps: int) -> None:
        """Start a relative move.

        Raises
        ------
        Refused : by the drive. NotStarted : the command was lost, the drive stands where it stood.
        NoReply : whether it started isn't known.
        """
        before = self._standing()
        self._start("move_by", microsteps, before, target=before.position + microsteps)

    def start_move_to(self, microsteps: int) -> None:
        """Start an absolute move; errors as for `start_move_by`."""
        self._start("move_to", microsteps, self._standing(), target=microsteps)

    def halt(self) -> None:
        try:
            self._line.ask("halt", urgent=True)
        except NoReply:
            self._line.ask("halt", urgent=True)

    def status(self) -> DriveStatus:
        groups = self._line.ask("status").groupdict()
        return DriveStatus(
            enabled=groups["enabled"] is not None,
            moving=groups["moving"] is not None,
            fault=groups.get("fault") or "",
        )

    def position(self) -> int:
        return self._line.whole("position")

    def set_position(self, microsteps: int) -> None:
        try:
            self._line.ask("set_position", value=microsteps)
        except NoReply as lost:
            command = f"set position {microsteps}"
            found = read_back(self._standing, name=self._line.name, command=command, lost=lost)
            if found.position != microsteps:
                raise NoReply(f"{lost}; read back: {found}") from lost

    def set_output(self, number: int, on: bool) -> None:
        self._line.ask("output_on" if on else "output_off", number=number)

    def output(self, number: int) -> bool:
        return self._line.ask("output", number=number)["on"] is not None

    # -- after a lost reply ----------------------------------------------------------------------------

    def _standing(self) -> Standing:
        return Standing(self.status(), self.position())

    def _start(self, name: str, value: int, before: Standing, *, target: int) -> None:
        start_or_tell(
            lambda: self._line.ask(name, value=value),
            self._standing,
            name=self._line.name,
            command=f"{name.replace('_', ' ')} {value}",
            before=before,
            target=target,
        )


class TextLineClosedLoopDrive(TextLineDrive):
    """The same with `ClosesLoop`, over a line that speaks `CLOSED_LOOP_COMMANDS`."""

    def configure_loop(self, settings: ClosedLoopSettings) -> None:
        self._line.ask("configure_loop", **loop_words(settings))

    def loop_status(self) -> ClosedLoopStatus:
        match = self._line.ask("loop_status")
        return ClosedLoopStatus(
            following_error=float(match["value"]),
            alarm=match["alarm"] is not None,
            target_reached=match["reached"] is not None,
            attempts_made=int(match["attempts"]),
        )

    def clear_alarm(self) -> None:
        self._line.ask("clear_alarm")


def open_drive(part: Part, clock: Clock) -> TextLineDrive:
    """The drive on the line that `part` names; ``loop: closed`` for one that watches its own encoder."""
    options = dict(part.options)
    loop = options.pop("loop", "open")
    if loop not in ("open", "closed"):
        raise BadInput("no such loop", place=part.place.below("loop"), found=f"'{loop}'", allowed="open, closed")
    line_part = replace(part, options=options)
    if loop == "closed":
        return TextLineClosedLoopDrive(open_line(line_part, clock, CLOSED_LOOP_COMMANDS))
    return TextLineDrive(open_line(line_part, clock, DRIVE_COMMANDS))
