"""What a Modbus part reads and writes by name, as data; a bench file overrides one item by its name::

    drive:
      part: modbus
      port: COM5              # or socket://192.0.2.8:502
      unit: 3
      position: input 0x0010 int32 little-word
      set_run_current: holding 0x0030 uint16 scale 0.01 = value
      halt: holding 0x0000 = 8
      fault.2: overtemperature

An item that may be left out is written empty: ``attempts_made: ""``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from stepwitness.devices.registers import Register, Script, register, script
from stepwitness.errors import BadInput, Place, near_miss

PROBE = "probe"
IDENTITY = "identity"


@dataclass(frozen=True)
class RegisterMap:
    """Registers that are read and scripts that are written, by name.

    Attributes
    ----------
    registers, scripts : by name.
    optional : names that may be left out.
    again : scripts that may be sent again without a reply: absolute settings that move nothing.
    probe : a register whose value is known, read at opening to prove word order and map; None where there is none.
    words : names of values, such as fault codes, by item and number.
    """

    registers: Mapping[str, Register]
    scripts: Mapping[str, Script]
    optional: frozenset[str] = frozenset()
    again: frozenset[str] = frozenset()
    probe: tuple[Register, float] | None = None
    words: Mapping[tuple[str, int], str] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        return [*self.registers, *self.scripts, PROBE]

    def with_options(self, options: Mapping[str, str], place: Place) -> RegisterMap:
        """This map with the items that `options` override.

        Raises
        ------
        BadInput : for a name that isn't one, or a text that can't work.
        """
        changed = self
        for key, text in options.items():
            try:
                changed = changed._overridden(key, text, self)
            except BadInput as error:
                raise error.at(place.below(key)) from None
        return changed

    def _overridden(self, key: str, text: str, default: RegisterMap) -> RegisterMap:
        name, dot, number = key.partition(".")
        if dot and name in default.registers and number.isdecimal():
            return replace(self, words={**self.words, (name, int(number)): text})
        if key == PROBE:
            return replace(self, probe=_probe(text) if text else None)
        if key not in default.names:
            raise BadInput(
                "no such item of a register map",
                found=f"'{key}'",
                allowed=", ".join(default.names),
                cure=near_miss(key, default.names),
            )
        if not text:
            if key not in default.optional:
                raise BadInput("this item can't be left out", found=f"'{key}' is empty")
            return self._without(key)
        if key in default.registers:
            return replace(self, registers={**self.registers, key: _readable(key, text, default.registers[key])})
        fields, needed = script(text).fields, default.scripts[key].fields
        if fields != needed:
            allowed = ", ".join(sorted(needed)) or "numbers alone"
            raise BadInput("a script that can't be filled", found=f"'{text}'", allowed=f"with {allowed}")
        return replace(self, scripts={**self.scripts, key: script(text)})

    def _without(self, key: str) -> RegisterMap:
        registers = {name: item for name, item in self.registers.items() if name != key}
        scripts = {name: item for name, item in self.scripts.items() if name != key}
        return replace(self, registers=registers, scripts=scripts)


def _readable(key: str, text: str, default: Register) -> Register:
    found = register(text)
    if (found.kind == "text") != (default.kind == "text"):
        raise BadInput(f"'{key}' is {'text' if default.kind == 'text' else 'a number'}", found=f"'{text}'")
    if default.kind == "bit" and found.kind != "bit":
        raise BadInput(f"'{key}' is one bit", found=f"'{text}'", allowed=f"such as '{text} bit 3'")
    return found


def _probe(text: str) -> tuple[Register, float]:
    """A register and the value that it is known to hold, from ``input 8 uint32 = 0x12345678``."""
    left, _, right = text.partition("=")
    try:
        return register(left), float(int(right, 0))
    except ValueError:
        raise BadInput(
            "a probe needs the value that it holds", found=f"'{text}'", allowed="such as 'input 8 uint32 = 0x12345678'"
        ) from None


def register_map(
    *,
    registers: Mapping[str, str],
    scripts: Mapping[str, str],
    optional: tuple[str, ...] = (),
    again: tuple[str, ...] = (),
    probe: str = "",
    words: Mapping[tuple[str, int], str] | None = None,
) -> RegisterMap:
    """A map from texts."""
    return RegisterMap(
        {name: register(text) for name, text in registers.items()},
        {name: script(text) for name, text in scripts.items()},
        frozenset(optional),
        frozenset(again),
        _probe(probe) if probe else None,
        dict(words or {}),
    )
