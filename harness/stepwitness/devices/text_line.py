"""A part behind a line of text: asks, waits with one deadline for the whole reply, and gets back in step.

1. One exchange at a time on a link; a second thread (a halt) waits for the first to end or to time out.
2. After an unanswered request, the next question is asked only once late replies can be told from its own: by
   tag, else by asking for the identity (whose reply looks like no other; the line keeps order), else by
   silence.
3. A question that failed is never asked again here; whoever asked it decides.
"""

from __future__ import annotations

import contextlib
import math
import random
import re
import threading
from collections import deque
from collections.abc import Iterator

from stepwitness.devices.command_set import IDENTITY, LINK_OPTIONS, CommandSet
from stepwitness.devices.errors import BadReply, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.interfaces import Clock, Identity
from stepwitness.devices.links import Link, open_link
from stepwitness.devices.part import Part
from stepwitness.devices.wire import TAGS, Conversation, Exchanged
from stepwitness.errors import BadInput
from stepwitness.quantities import Kind, si

DEFAULT_TIMEOUT = "1 s"


class TextLine:
    """Asks a part by the names of its command set.

    Parameters
    ----------
    timeout_s : for the whole reply, on the bench's clock.
    """

    def __init__(self, link: Link, clock: Clock, commands: CommandSet, *, timeout_s: float) -> None:
        self.name = link.name
        self.commands = commands
        self._link, self._clock, self._timeout_s = link, clock, timeout_s
        self._replies = {name: re.compile(exchange.reply) for name, exchange in commands.exchanges.items()}
        self._factors = {name: exchange.factor for name, exchange in commands.exchanges.items()}
        self._refusal, self._overrange = re.compile(commands.refusal), re.compile(commands.overrange)
        self._end = commands.line_end.encode("ascii")
        self._talk = Conversation(tagged=commands.tags, end=self._end, first_tag=random.randrange(TAGS))
        # Re-entrant: an exchange that an exception cut short must not keep its own thread from halting.
        self._lock = threading.RLock()
        self._lost = ""

    @property
    def log(self) -> deque[Exchanged]:
        """The last exchanges, oldest first."""
        return self._talk.log

    def close(self) -> None:
        self._lost = self._lost or f"{self.name} was closed"
        self._link.close()

    # -- asking ----------------------------------------------------------------------------------------

    def ask(self, name: str, *, urgent: bool = False, **values: float) -> re.Match[str]:
        """One exchange by its name; the match of its reply.

        `urgent` puts the request on the wire at once even where the line is out of step, before it is asked
        properly: for a halt only, which may be heard twice.

        Raises
        ------
        NoReply, BadReply, Refused, OutOfRange, LinkLost : see `stepwitness.devices.errors`.
        """
        exchange, factor = self.commands.exchanges[name], self._factors[name]
        if exchange.kind is not None:
            values = {key: value / factor if key == "value" else value for key, value in values.items()}
        text = exchange.send.format(**values)
        with self._lock:
            if urgent and self._talk.unanswered and not self._talk.tagged:
                self._write(self._end + text.encode("ascii") + self._end)
            reply = self._exchange(text)
        if refused := self._refusal.fullmatch(reply):
            raise Refused(f"{self.name} refused '{text}': {refused.groupdict().get('reason') or reply}")
        if self._overrange.fullmatch(reply):
            raise OutOfRange(f"{self.name} answered '{reply}' to '{text}'")
        match = self._replies[name].fullmatch(reply)
        if match is None:
            raise BadReply(f"{self.name} answered '{reply}' to '{text}'; expected {self._replies[name].pattern}")
        return match

    def whole(self, name: str) -> int:
        """The whole number that a reply holds."""
        text = self.ask(name)["value"]
        try:
            return int(text)
        except ValueError:
            raise BadReply(f"{self.name} answered '{text}' where a whole number belongs") from None

    def number(self, name: str) -> float:
        """The number that a reply holds, in SI."""
        text = self.ask(name)["value"]
        try:
            value = float(text)
        except ValueError:
            raise BadReply(f"{self.name} answered '{text}' where a number belongs") from None
        if not math.isfinite(value):
            raise OutOfRange(f"{self.name} answered '{text}' to '{name}'")
        return value * self._factors[name]

    def identity(self) -> Identity:
        """What the part says it is; a reply without the groups of an identity is its model."""
        if not self.commands.exchanges[IDENTITY].send:
            return Identity()
        match = self.ask(IDENTITY)
        groups = {key: (text or "").strip() for key, text in match.groupdict().items()}
        if not groups:
            return Identity(model=match[0].strip())
        return Identity(**{key: groups.get(key, "") for key in ("maker", "model", "serial", "version")})

    # -- one exchange ----------------------------------------------------------------------------------

    def _exchange(self, text: str) -> str:
        if not self._talk.tagged:
            if self._talk.unanswered:
                self._get_in_step()
            # A line that nobody asked for, or a reply that came twice, mustn't answer this question.
            with self._noting_loss():
                self._link.discard()
        return self._put(text)

    def _put(self, text: str, *, only: re.Pattern[str] | None = None) -> str:
        asked_s = self._clock.now()
        self._write(self._talk.ask(text, now_s=asked_s, only=only))
        while True:
            data = self._read()
            now_s = self._clock.now()
            reply = self._talk.hear(data, now_s=now_s)
            if reply is not None:
                return reply
            if now_s - asked_s >= self._timeout_s:
                heard = self._talk.give_up(now_s=now_s)
                raise NoReply(
                    f"{self.name} didn't answer '{text}' within {self._timeout_s:g} s ({heard}); "
                    "whether it was carried out isn't known"
                )

    def _get_in_step(self) -> None:
        identity = self.commands.exchanges[IDENTITY]
        if identity.send and not _matches_anything(self._replies[IDENTITY]):
            self._put(identity.send, only=self._replies[IDENTITY])
            return
        self._write(self._end)
        started_s = quiet_since_s = self._clock.now()
        while (now_s := self._clock.now()) - quiet_since_s < self._timeout_s:
            if self._read():
                quiet_since_s = now_s
            if now_s - started_s > 10 * self._timeout_s:
                raise BadReply(f"{self.name} keeps sending what nobody asked for; {self._talk.give_up(now_s=now_s)}")
        self._talk.resume()

    def _write(self, data: bytes) -> None:
        with self._noting_loss():
            self._link.write(data)

    def _read(self) -> bytes:
        with self._noting_loss():
            return self._link.read()

    @contextlib.contextmanager
    def _noting_loss(self) -> Iterator[None]:
        if self._lost:
            raise LinkLost(self._lost)
        try:
            yield
        except LinkLost as error:
            self._lost = str(error)
            raise


class OnALine:
    """What all parts behind a line share."""

    def __init__(self, line: TextLine) -> None:
        self._line = line

    @property
    def log(self) -> deque[Exchanged]:
        """The last exchanges, oldest first."""
        return self._line.log

    def identity(self) -> Identity:
        return self._line.identity()

    def close_link(self) -> None:
        """Let go of the port. Not `close`, which means something else to a brake."""
        self._line.close()


def _matches_anything(pattern: re.Pattern[str]) -> bool:
    """Whether an identity looks like replies to other questions, so that it can't tell late ones apart."""
    return any(pattern.fullmatch(reply) for reply in ("ok", "0", "-12.5", "on"))


def open_line(part: Part, clock: Clock, commands: CommandSet) -> TextLine:
    """Open the line that `part` names (options port, baud, timeout) with `commands` as its options change
    them.

    Raises
    ------
    BadInput : for options that can't be read. LinkLost : where the port can't be opened.
    """
    place, options = part.place, dict(part.options)
    own = {key: options.pop(key) for key in LINK_OPTIONS if key in options}
    commands = commands.with_options(options, place)
    if "port" not in own:
        raise BadInput(
            "a text line needs its port",
            place=place.below("port"),
            allowed="a device such as COM5 or /dev/ttyUSB0, socket://host:port, rfc2217://host:port",
        )
    try:
        timeout_s = si(own.get("timeout", DEFAULT_TIMEOUT), Kind.TIME)
    except BadInput as error:
        raise error.at(place.below("timeout")) from None
    if timeout_s <= 0:
        raise BadInput("a time-out must be positive", place=place.below("timeout"), found=f"'{own['timeout']}'")
    baud = own.get("baud", "115200")
    if not (baud.isdecimal() and int(baud) > 0):
        raise BadInput("not a baud rate", place=place.below("baud"), found=f"'{baud}'", allowed="such as 115200")
    try:
        link = open_link(own["port"], baud=int(baud))
    except BadInput as error:
        raise error.at(place.below("port")) from None
    return TextLine(link, clock, commands, timeout_s=timeout_s)
