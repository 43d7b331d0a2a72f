"""A step/direction pulse generator on a text line: it sends pulses and knows no position, so the host counts.

1. The claim is what the host knows to have been sent. During a move it is the claim before it and what the generator
   says of the move under way; a generator that can't say has no claim while it moves.
2. A number of pulses is relative and is never sent twice. When its reply is lost and the generator can't prove whether
   it started, or a halt ended a move that the generator doesn't count, the claim is unknown: every question for it is
   refused, and so is every move, until a position is set, which means until the axis is referenced again.
3. Another owner's pulses are unknown too: the claim starts unknown, not at 0.
"""

from __future__ import annotations

import threading

from stepwitness.devices.command_set import WHOLE, CommandSet, Exchange, command_set
from stepwitness.devices.drives.text_line import DRIVE_COMMANDS, TextLineDrive
from stepwitness.devices.errors import DeviceError, NoReply, NotStarted, Refused
from stepwitness.devices.interfaces import Clock, DriveStatus
from stepwitness.devices.part import Part
from stepwitness.devices.text_line import TextLine, open_line

_SHARED = ("identity", "position", "set_position", "move_by", "move_to")
PULSE_COMMANDS: CommandSet = command_set(
    **{name: exchange for name, exchange in DRIVE_COMMANDS.exchanges.items() if name not in _SHARED},
    pulses=Exchange("pulses {value}"),
    sent=Exchange("sent?", WHOLE, groups=("value",), again=True, optional=True),
)
"""`pulses` sends that many, backwards where negative; `sent` tells how many of the last were sent so far, signed. A
generator without such a question has ``sent.send: ""``."""
SENT = "sent"


class PulseGeneratorDrive(TextLineDrive):
    """`Drive` with the position counted here."""

    def __init__(self, line: TextLine) -> None:
        super().__init__(line)
        self._tells_sent = bool(line.commands.exchanges[SENT].send)
        self._lock = threading.RLock()
        self._claim: int | None = None
        self._why = "nobody has set it"
        self._under_way = 0
        """Pulses of the last move, until it is known to be over."""
        self._halted = False

    def reconnect(self) -> None:
        """Open the port anew after `LinkLost`; the claim is unknown, as pulses may have gone unseen."""
        super().reconnect()
        self._forget("the link was lost meanwhile")

    def start_move_by(self, microsteps: int) -> None:
        """Send pulses.

        Raises
        ------
        Refused : by the generator, or while the claim isn't known. NotStarted : the request was lost on its way.
        NoReply : whether it started isn't known, and from now on the claim isn't either.
        """
        with self._lock:
            status = self.status()
            if status.moving:
                raise Refused(f"{self._line.name}: a move while another one runs")
            self._settle(status)
            self._known()
            before = self._line.whole(SENT) if self._tells_sent else None
            try:
                self._line.ask("pulses", value=microsteps)
            except NoReply as lost:
                self._decide(microsteps, before, lost)
            except DeviceError as error:
                if not isinstance(error, Refused):
                    self._forget(f"a move of {microsteps} pulses ended in: {error}")
                raise
            self._under_way, self._halted = microsteps, False

    def start_move_to(self, microsteps: int) -> None:
        """Send the pulses that lead there from the claim; errors as for `start_move_by`."""
        with self._lock:
            self.start_move_by(microsteps - self.position())

    def halt(self) -> None:
        self._halted = True
        super().halt()

    def disable(self) -> None:
        self._halted = True
        super().disable()

    def position(self) -> int:
        """The claim.

        Raises
        ------
        Refused : where it isn't known; the text says why.
        """
        with self._lock:
            self._known()
            if self._under_way:
                status = self.status()
                if status.moving:
                    return self._known() + self._sent_so_far()
                self._settle(status)
            return self._known()

    def set_position(self, microsteps: int) -> None:
        with self._lock:
            if self.status().moving:
                raise Refused(f"{self._line.name}: a new position while a move runs")
            self._claim, self._why, self._under_way = microsteps, "", 0

    # -- what is known -----------------------------------------------------------------------------------------

    def _known(self) -> int:
        if self._claim is None:
            raise Refused(f"{self._line.name}: where the axis stands isn't known: {self._why}; reference it again")
        return self._claim

    def _forget(self, why: str) -> None:
        self._claim, self._why, self._under_way = None, why, 0

    def _sent_so_far(self) -> int:
        if not self._tells_sent:
            raise Refused(f"{self._line.name}: this generator doesn't tell where it is while it moves")
        return self._line.whole(SENT)

    def _settle(self, status: DriveStatus) -> None:
        """The last move is over: count it."""
        if not self._under_way or self._claim is None:
            return
        if self._tells_sent:
            self._claim += self._line.whole(SENT)
        elif self._halted or status.fault or not status.enabled:
            self._forget("a move was cut short, and the generator doesn't tell how many pulses it had sent")
        else:
            self._claim += self._under_way
        self._under_way = 0

    def _decide(self, microsteps: int, before: int | None, lost: NoReply) -> None:
        """After a lost reply: return where the move is known to have started, raise in every other case."""
        try:
            status = self.status()
            sent = self._line.whole(SENT) if self._tells_sent else None
        except DeviceError as error:
            self._forget(f"whether {microsteps} pulses were sent isn't known, and reading back failed: {error}")
            raise NoReply(f"{lost}; {self._why}") from lost
        if status.enabled and not status.fault:
            if status.moving or (sent is not None and sent == microsteps != before):
                return
            if sent is not None and sent == before != microsteps:
                raise NotStarted(f"{self._line.name}: {microsteps} pulses were lost on their way; at rest") from lost
        self._forget(f"whether {microsteps} pulses were sent isn't known: no reply, at rest when asked again")
        raise NoReply(f"{lost}; {self._why}") from lost


def open_drive(part: Part, clock: Clock) -> PulseGeneratorDrive:
    """The generator on the line that `part` names."""
    return PulseGeneratorDrive(open_line(part, clock, PULSE_COMMANDS))
