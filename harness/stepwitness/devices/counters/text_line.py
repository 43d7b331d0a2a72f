"""An encoder counter behind a line of text."""

from __future__ import annotations

from dataclasses import replace

from stepwitness.devices.command_set import WHOLE, CommandSet, Exchange, command_set
from stepwitness.devices.counters.wrapping import WRAP_OPTIONS, Unwrapper, unwrapper_from
from stepwitness.devices.interfaces import Clock
from stepwitness.devices.part import Part
from stepwitness.devices.part_options import word_option
from stepwitness.devices.text_line import OnALine, TextLine, open_line

COUNTER_COMMANDS: CommandSet = command_set(
    counts=Exchange("counts?", WHOLE, groups=("value",), again=True),
    faults=Exchange("faults?", WHOLE, groups=("value",), again=True),
)


LATCHING_COMMANDS: CommandSet = command_set(
    **{name: exchange for name, exchange in COUNTER_COMMANDS.exchanges.items() if name != "identity"},
    latch=Exchange("latch", again=True),
    latched=Exchange("latched?", WHOLE, groups=("value",), again=True),
)
"""The same, of a counter that latches its counts on command."""


class TextLineCounter(OnALine):
    """`EncoderCounter` over a `TextLine` that speaks `COUNTER_COMMANDS` or a set of the same names."""

    def __init__(self, line: TextLine, unwrapper: Unwrapper | None = None) -> None:
        super().__init__(line)
        self._unwrapper = unwrapper or Unwrapper()

    def counts(self) -> int:
        return self._unwrapper.counts(self._line.whole("counts"))

    def faults(self) -> int:
        return self._line.whole("faults")

    def reconnect(self) -> None:
        """Open the port anew after `LinkLost`. Counts that wrap are unknown until `start_over`."""
        super().reconnect()
        self._unwrapper.doubt("the link was lost meanwhile")

    def start_over(self) -> None:
        """Count anew, after counts became unknown: the axis has to be referenced again."""
        self._unwrapper.start_over()


class TextLineLatchingCounter(TextLineCounter):
    """The same with `LatchesCounts`, over a line that speaks `LATCHING_COMMANDS`."""

    def latch(self) -> None:
        self._line.ask("latch")

    def latched_counts(self) -> int:
        return self._unwrapper.counts(self._line.whole("latched"))


def open_counter(part: Part, clock: Clock) -> TextLineCounter:
    """The counter on the line that `part` names.

    ``sampling: latched`` for one that latches its counts on command; ``wraps_at`` and so on: see `wrapping`.
    """
    options = dict(part.options)
    sampling = word_option(options, "sampling", "direct", part.place, ("direct", "latched"))
    unwrapper = unwrapper_from(options, part.place, clock)
    rest = {key: text for key, text in options.items() if key not in ("sampling", *WRAP_OPTIONS)}
    line_part = replace(part, options=rest)
    if sampling == "latched":
        return TextLineLatchingCounter(open_line(line_part, clock, LATCHING_COMMANDS), unwrapper)
    return TextLineCounter(open_line(line_part, clock, COUNTER_COMMANDS), unwrapper)
