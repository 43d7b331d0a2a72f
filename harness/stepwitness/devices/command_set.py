"""The words of a text protocol as data, so that a part with words of its own needs none of our code.

A bench file overrides one item of the default set by its dotted name, as options of the part::

    drive:
      part: text-line
      port: COM5
      tags: no
      position.send: "POS?"
      position.reply: "POS=(?P<value>[-+]?[0-9]+)"
      set_run_current.send: "IRUN {value}"
      set_run_current.unit: mA

`send` is a template, `reply` a regular expression for the whole line, `unit` that of ``{value}`` on the wire.
In the reply a group named ``value`` is the number; a group that stands for a state (``enabled``, ``moving``,
``on`` …) means yes where it took part in the match.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from string import Formatter

from stepwitness.devices.checksums import Seal, checksum
from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.quantities import Kind, exact

WHOLE = r"(?P<value>[-+]?\d+)"
NUMBER = r"(?P<value>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?|[-+]?[nN][aA][nN]|[-+]?[iI][nN][fF])"
IDENTITY = "identity"
LINK_OPTIONS = ("port", "baud", "timeout", "retries", "redact")
"""Options of a text line that concern its link; `stepwitness.devices.text_line` reads them."""
SET_OPTIONS = ("tags", "line_end", "break_off", "refusal", "overrange", "checksum", "checksum_mark")
LINE_ENDS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n"}


@dataclass(frozen=True)
class Exchange:
    """One request and its reply.

    Attributes
    ----------
    send : template; its fields are those of the default, such as ``{value}``.
    reply : regular expression that the whole line matches.
    kind, unit : what ``{value}`` (or the group ``value``) measures, and its unit on the wire; None for bare
    numbers. groups : groups that `reply` must have. again : whether a request without a reply may be sent again: a
    question, or a setting that is absolute and moves nothing. optional : whether `send` may be empty, for a part that
    has no such exchange.
    """

    send: str
    reply: str = "ok"
    kind: Kind | None = None
    unit: str = ""
    groups: tuple[str, ...] = ()
    again: bool = False
    optional: bool = False

    @property
    def fields(self) -> frozenset[str]:
        """Names in braces in the template.

        Raises
        ------
        ValueError : where the braces don't pair.
        """
        return frozenset(name for _, name, _, _ in Formatter().parse(self.send) if name is not None)

    @property
    def factor(self) -> float:
        """SI units in one unit of the wire."""
        return float(exact(f"1 {self.unit}", self.kind)) if self.kind is not None else 1.0


@dataclass(frozen=True)
class CommandSet:
    """All exchanges of one part, and what holds for each.

    Attributes
    ----------
    exchanges : by name.
    refusal, overrange : replies by which a part refuses, or says that it can't measure.
    tags : whether the part takes and returns a tag before each line (``@17 position?``).
    line_end : after each line, both ways. seal : the checksum behind each line, or None.
    break_off : what no request ends in. It is said before a line end that may complete a request which lost its rest:
        ``move by 48`` of ``move by 4800`` must be no request. Not needed where lines carry a checksum.
    """

    exchanges: Mapping[str, Exchange]
    refusal: str = "refused: (?P<reason>.*)"
    overrange: str = "out of range"
    tags: bool = True
    line_end: str = "\n"
    seal: Seal | None = None
    break_off: str = "~"

    @property
    def ending(self) -> bytes:
        """What ends a line of which half may be waiting, and makes no request of it."""
        return ((self.break_off if self.seal is None else "") + self.line_end).encode("ascii")

    def with_options(self, options: Mapping[str, str], place: Place) -> CommandSet:
        """This set with the items that `options` override.

        Raises
        ------
        BadInput : for a name that isn't one, a template or an expression that can't work.
        """
        changed = replace(self, seal=_seal(options, self.seal, place))
        for key, text in options.items():
            at = place.below(key)
            name, dot, item = key.partition(".")
            if dot:
                changed = replace(changed, exchanges=changed._override(name, item, text, at))
            elif key == "tags":
                changed = replace(changed, tags=yes_or_no(text, at))
            elif key == "line_end":
                changed = replace(changed, line_end=_line_end(text, at))
            elif key == "break_off":
                changed = replace(changed, break_off=_break_off(text, at))
            elif key in ("checksum", "checksum_mark"):
                continue
            elif key in ("refusal", "overrange"):
                _expression(text, (), at)
                refusal = key == "refusal"
                changed = replace(changed, refusal=text) if refusal else replace(changed, overrange=text)
            else:
                raise BadInput(
                    "an unknown option of a text line",
                    place=at,
                    found=f"'{key}'",
                    allowed=", ".join((*LINK_OPTIONS, *SET_OPTIONS, *self._items())),
                    cure=near_miss(key, (*LINK_OPTIONS, *SET_OPTIONS, *self._items())),
                )
        return changed

    def _items(self) -> list[str]:
        return [
            f"{name}.{item}"
            for name, exchange in self.exchanges.items()
            for item in ("send", "reply", *(["unit"] if exchange.kind else []))
        ]

    def _override(self, name: str, item: str, text: str, at: Place) -> Mapping[str, Exchange]:
        known = self.exchanges.get(name)
        if known is None or f"{name}.{item}" not in self._items():
            raise BadInput(
                "no such item of a text line",
                place=at,
                found=f"'{name}.{item}'",
                allowed=", ".join(self._items()),
                cure=near_miss(f"{name}.{item}", self._items()),
            )
        if item == "send":
            changed = replace(known, send=text)
            if text or not known.optional:
                _template(changed, known.fields, at)
        elif item == "reply":
            changed = replace(known, reply=text)
            _expression(text, known.groups, at)
        else:
            changed = replace(known, unit=text)
            try:
                _ = changed.factor
            except BadInput as error:
                raise error.at(at) from None
        return {**self.exchanges, name: changed}


def yes_or_no(text: str, place: Place) -> bool:
    """`text` as a truth value."""
    try:
        return {"yes": True, "no": False, "true": True, "false": False}[text.lower()]
    except KeyError:
        raise BadInput("neither yes nor no", place=place, found=f"'{text}'", allowed="yes, no") from None


def _line_end(text: str, place: Place) -> str:
    try:
        return LINE_ENDS[text.upper()]
    except KeyError:
        raise BadInput("no such line end", place=place, found=f"'{text}'", allowed=", ".join(LINE_ENDS)) from None


def _break_off(text: str, place: Place) -> str:
    if not (text.isascii() and text.isprintable()):
        raise BadInput("more than printable ASCII", place=place, found=repr(text), allowed="signs that end no request")
    return text


def _seal(options: Mapping[str, str], default: Seal | None, place: Place) -> Seal | None:
    """The checksum that `options` ask for; both of its options are read together."""
    name = options.get("checksum", default.checksum.name if default else "none")
    mark = options.get("checksum_mark", default.mark if default else "*")
    if not (mark.isascii() and mark.isprintable() and mark.strip() and not mark.isalnum()):
        raise BadInput(
            "a mark that can't stand before a checksum",
            place=place.below("checksum_mark"),
            found=f"'{mark}'",
            allowed="printable signs such as * or ~",
        )
    if name == "none":
        return None
    try:
        return Seal(checksum(name), mark)
    except BadInput as error:
        raise error.at(place.below("checksum")) from None


def _template(exchange: Exchange, fields: frozenset[str], at: Place) -> None:
    allowed = ", ".join(f"{{{name}}}" for name in sorted(fields)) or "no field in braces"
    try:
        if exchange.fields != fields:
            raise ValueError("other fields")
        exchange.send.format(**dict.fromkeys(fields, 1.0 if exchange.kind else 1))
    except (ValueError, LookupError, AttributeError, TypeError):
        raise BadInput(
            "a template that can't be filled", place=at, found=f"'{exchange.send}'", allowed=allowed
        ) from None
    if not exchange.send.isascii() or not exchange.send.isprintable():
        raise BadInput("a template of more than printable ASCII", place=at, found=repr(exchange.send))


def _expression(text: str, groups: tuple[str, ...], at: Place) -> None:
    try:
        found = re.compile(text).groupindex
    except re.error as error:
        raise BadInput(
            f"not a regular expression ({error})",
            place=at,
            found=f"'{text}'",
            allowed="such as 'ok' or 'POS=(?P<value>[0-9]+)'",
        ) from None
    missing = [f"(?P<{name}>…)" for name in groups if name not in found]
    if missing:
        raise BadInput("a reply without its group", place=at, found=f"'{text}'", allowed=f"with {', '.join(missing)}")


def command_set(**exchanges: Exchange) -> CommandSet:
    """A default set of ours: every part of it also tells its identity."""
    fields = r"(?P<maker>[^;]*);(?P<model>[^;]*);(?P<serial>[^;]*);(?P<version>[^;]*)"
    identity = Exchange("identity?", fields, again=True, optional=True)
    return CommandSet({IDENTITY: identity, **exchanges})
