"""How a procedure declares what may be set in a plan: a frozen dataclass whose fields say kind and meaning.

Fields hold SI floats and carry the unit in their name; `key` is what a plan writes.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from stepwitness.quantities import Kind


@dataclass(frozen=True)
class Setting:
    """Metadata of one field.

    Attributes
    ----------
    key : name in a plan. kind : quantity, or None where `type` says it (int, bool, str).
    meaning : one sentence, shown by the schema. at_least, at_most : bounds in SI.
    many : the value is a list of such quantities. choices : allowed words, where it is one of a few.
    """

    key: str
    meaning: str
    kind: Kind | None = None
    type: type = float
    at_least: float | None = None
    at_most: float | None = None
    many: bool = False
    choices: tuple[str, ...] = ()


def setting(
    key: str,
    kind: Kind | type,
    meaning: str,
    *,
    default: Any = MISSING,
    at_least: float | None = None,
    at_most: float | None = None,
    many: bool = False,
    choices: tuple[str, ...] = (),
) -> Any:
    """A dataclass field with its `Setting`; without a default, a plan must set it."""
    quantity = kind if isinstance(kind, Kind) else None
    held = float if isinstance(kind, Kind) else kind
    declared = Setting(key, meaning, quantity, held, at_least, at_most, many, choices)
    return field(default=default, metadata={"setting": declared})


def settings_of(cls: type) -> dict[str, tuple[str, Setting, bool]]:
    """By key: field name, setting, and whether a plan must set it."""
    return {
        item.metadata["setting"].key: (item.name, item.metadata["setting"], item.default is MISSING)
        for item in fields(cls)
    }
