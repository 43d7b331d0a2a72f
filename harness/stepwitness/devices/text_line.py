"""A part behind a line of text: asks, waits with one deadline for the whole reply, and gets back in step.

1. One exchange at a time on a link; a second thread (a halt) waits for the first to end or to time out.
2. After an unanswered request, the next question is asked only once late replies can be told from its own: by
   tag, else by asking for the identity (whose reply looks like no other; the line keeps order), else by
   silence.
3. What may be asked again (`Exchange.again`) is, `retries` times; nothing else ever is. Whoever asked decides.
4. A link that was lost stays lost until `reconnect`, which asks for the identity and nothing else.
"""

from __future__ import annotations

import math
import random
import re
import threading
from collections.abc import Callable
from typing import TypeVar

from stepwitness.devices.command_set import IDENTITY, LINK_OPTIONS, CommandSet
from stepwitness.devices.errors import BadReply, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.exchange_log import SECRET, ExchangeLog
from stepwitness.devices.inherited import SCHEME
from stepwitness.devices.interfaces import Clock, Identity
from stepwitness.devices.links import Link, open_link
from stepwitness.devices.part import Part
from stepwitness.devices.part_options import expression_option, time_option, whole_option
from stepwitness.devices.wire import TAGS, Conversation
from stepwitness.errors import BadInput

Given = TypeVar("Given")

DEFAULT_TIMEOUT = "1 s"
DEFAULT_RETRIES = 1
MOST_RETRIES = 5
LAST_TAG = 999_999_999


class TextLine:
    """Asks a part by the names of its command set.

    Parameters
    ----------
    timeout_s : for the whole reply, on the bench's clock.
    retries : how often what may be asked again is. retried : how often it was.
    reopen : opens the same port anew; without it a lost link stays lost.
    log : where exchanges are noted.
    """

    def __init__(
        self,
        link: Link,
        clock: Clock,
        commands: CommandSet,
        *,
        timeout_s: float,
        retries: int = 0,
        reopen: Callable[[], Link] | None = None,
        log: ExchangeLog | None = None,
    ) -> None:
        self.name = link.name
        self.commands = commands
        self.retried = 0
        self._link, self._clock, self._timeout_s = link, clock, timeout_s
        self._retries, self._reopen = retries, reopen
        self._replies = {name: re.compile(exchange.reply) for name, exchange in commands.exchanges.items()}
        self._factors = {name: exchange.factor for name, exchange in commands.exchanges.items()}
        self._refusal, self._overrange = re.compile(commands.refusal), re.compile(commands.overrange)
        self._end = commands.line_end.encode("ascii")
        self._talk = Conversation(
            tagged=commands.tags,
            end=self._end,
            ending=commands.ending,
            first_tag=random.randrange(TAGS),
            seal=commands.seal,
            log=log,
        )
        # Re-entrant: an exchange that an exception cut short must not keep its own thread from halting.
        self._lock = threading.RLock()
        self._lost = ""
        self._spoken = False
        self._identity: Identity | None = None

    @property
    def log(self) -> ExchangeLog:
        """The last exchanges, oldest first."""
        return self._talk.log

    def close(self) -> None:
        self._lost = self._lost or f"{self.name} was closed"
        self._link.close()

    def reconnect(self) -> None:
        """Open the port anew after the link was lost; asks for the identity and nothing else, so nothing moves.

        Raises
        ------
        LinkLost : where the port can't be opened, or another part answers there. NoReply, BadReply : where none does.
        """
        if self._reopen is None:
            raise LinkLost(f"{self.name}: {self._lost or 'this link'} can't be opened again from here")
        with self._lock:
            self._link.close()
            self._link = self._reopen()
            self._lost, known = "", self._identity
            self._talk.start_over()
            found = self.identity()
            if known is not None and found != known:
                self._lost = f"{self.name} came back as another part: '{found}', was '{known}'"
                self._link.close()
                raise LinkLost(self._lost)

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
            for _ in range(self._retries if exchange.again else 0):
                try:
                    return self._ask_once(name, text, urgent=urgent)
                except (NoReply, BadReply):
                    self.retried += 1
            return self._ask_once(name, text, urgent=urgent)

    def _ask_once(self, name: str, text: str, *, urgent: bool) -> re.Match[str]:
        if urgent and self._talk.unanswered and not self._talk.tagged:
            self._write(self.commands.ending + self._sealed(text) + self._end)
        reply = self._exchange(text)
        if refused := self._refusal.fullmatch(reply):
            reason = refused.groupdict().get("reason") or reply
            raise Refused(f"{self.name} refused '{self.log.redacted(text)}': {reason}")
        if self._overrange.fullmatch(reply):
            raise OutOfRange(f"{self.name} answered '{reply}' to '{self.log.redacted(text)}'")
        match = self._replies[name].fullmatch(reply)
        if match is None:
            raise BadReply(
                f"{self.name} answered '{reply}' to '{self.log.redacted(text)}'; "
                f"expected {self._replies[name].pattern}{self._advice()}"
            )
        self._spoken = True
        return match

    @property
    def descriptor(self) -> int:
        """The link's descriptor, or -1."""
        return -1 if self._lost else self._link.descriptor

    def last_words(self, name: str, **values: float) -> bytes:
        """The bytes of a request without a field of its own, for whoever takes the line over once this process is gone.

        The dead may have left half a line, so what breaks one off goes first; no request here has this tag.
        """
        text = self.commands.exchanges[name].send.format(**values)
        tagged = f"@{LAST_TAG} {text}" if self.commands.tags else text
        return self.commands.ending + self._sealed(tagged) + self._end

    def begin_adrift(self) -> None:
        """Expect replies to the requests of whoever had this line before."""
        self._talk.start_over()

    def _sealed(self, text: str) -> bytes:
        return (self.commands.seal.put(text) if self.commands.seal else text).encode("ascii")

    def _advice(self) -> str:
        """What to try, as long as this part has never answered as it should."""
        return "" if self._spoken else f"; {self._talk.advice()}"

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
        if self._identity is None and (name := self._talk.unexpected_checksum()):
            raise BadReply(f"{self.name} answered '{match[0]}', which ends in a checksum: try 'checksum: {name}'")
        groups = {key: (text or "").strip() for key, text in match.groupdict().items()}
        if groups:
            found = Identity(**{key: groups.get(key, "") for key in ("maker", "model", "serial", "version")})
        else:
            found = Identity(model=match[0].strip())
        self._identity = self._identity or found
        return found

    # -- one exchange ----------------------------------------------------------------------------------

    def _exchange(self, text: str) -> str:
        if not self._talk.tagged:
            if self._talk.unanswered:
                self._get_in_step()
            # A line that nobody asked for, or a reply that came twice, mustn't answer this question.
            self._use(self._link.discard)
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
                    f"{self.name} didn't answer '{self.log.redacted(text)}' within {self._timeout_s:g} s ({heard}); "
                    f"whether it was carried out isn't known{self._advice()}"
                )

    def _get_in_step(self) -> None:
        identity = self.commands.exchanges[IDENTITY]
        if identity.send and not _matches_anything(self._replies[IDENTITY]):
            self._put(identity.send, only=self._replies[IDENTITY])
            return
        self._write(self.commands.ending)
        started_s = quiet_since_s = self._clock.now()
        while (now_s := self._clock.now()) - quiet_since_s < self._timeout_s:
            if self._read():
                quiet_since_s = now_s
            if now_s - started_s > 10 * self._timeout_s:
                raise BadReply(f"{self.name} keeps sending what nobody asked for; {self._talk.give_up(now_s=now_s)}")
        self._talk.resume()

    def _write(self, data: bytes) -> None:
        self._use(self._link.write, data)

    def _read(self) -> bytes:
        return self._use(self._link.read)

    def _use(self, action: Callable[..., Given], *data: bytes) -> Given:
        """Do something with the link; once that has failed, it stays lost."""
        if self._lost:
            raise LinkLost(self._lost)
        try:
            return action(*data)
        except LinkLost as error:
            self._lost = str(error)
            raise


class OnALine:
    """What all parts behind a line share."""

    def __init__(self, line: TextLine) -> None:
        self._line = line

    @property
    def log(self) -> ExchangeLog:
        """The last exchanges, oldest first; `log.texts()` for the record."""
        return self._line.log

    @property
    def descriptor(self) -> int:
        """The line's descriptor, or -1; see `stepwitness.devices.inherited`."""
        return self._line.descriptor

    def last_words(self, name: str) -> bytes:
        """The bytes of the request called `name`, for whoever takes the line over."""
        return self._line.last_words(name)

    def reconnect(self) -> None:
        """Open the port anew after `LinkLost`; asks for the identity and nothing else, so nothing moves."""
        self._line.reconnect()

    def identity(self) -> Identity:
        return self._line.identity()

    def close_link(self) -> None:
        """Let go of the port. Not `close`, which means something else to a brake."""
        self._line.close()


def _matches_anything(pattern: re.Pattern[str]) -> bool:
    """Whether an identity looks like replies to other questions, so that it can't tell late ones apart."""
    return any(pattern.fullmatch(reply) for reply in ("ok", "0", "-12.5", "on"))


def open_line(part: Part, clock: Clock, commands: CommandSet) -> TextLine:
    """Open the line that `part` names (options port, baud, timeout, retries, redact) with `commands` as its options
    change them.

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
    timeout_s = time_option(own, "timeout", DEFAULT_TIMEOUT, place)
    retries = whole_option(own, "retries", DEFAULT_RETRIES, place, at_most=MOST_RETRIES)
    baud = own.get("baud", "115200")
    if not (baud.isdecimal() and int(baud) > 0):
        raise BadInput("not a baud rate", place=place.below("baud"), found=f"'{baud}'", allowed="such as 115200")
    log = ExchangeLog(redact=expression_option(own, "redact", SECRET, place))

    def opened() -> Link:
        return open_link(own["port"], baud=int(baud))

    try:
        link = opened()
    except BadInput as error:
        raise error.at(place.below("port")) from None
    line = TextLine(link, clock, commands, timeout_s=timeout_s, retries=retries, reopen=opened, log=log)
    if own["port"].startswith(f"{SCHEME}://"):
        line.begin_adrift()
    return line
