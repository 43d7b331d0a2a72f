"""An encoder counter behind a line of text."""

from __future__ import annotations

from stepwitness.devices.command_set import WHOLE, CommandSet, Exchange, command_set
from stepwitness.devices.text_line import OnALine

COUNTER_COMMANDS: CommandSet = command_set(
    counts=Exchange("counts?", WHOLE, groups=("value",), again=True),
    faults=Exchange("faults?", WHOLE, groups=("value",), again=True),
)


class TextLineCounter(OnALine):
    """`EncoderCounter` over a `TextLine` that speaks `COUNTER_COMMANDS` or a set of the same names."""

    def counts(self) -> int:
        return self._line.whole("counts")

    def faults(self) -> int:
        return self._line.whole("faults")
