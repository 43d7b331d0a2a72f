"""What differs between two records: the axis, the bench, the plan, what made them, and what they found.

1. Texts are compared line by line; findings by procedure and characteristic.
2. Two values are apart where their difference is larger than its expanded uncertainty, the root of the sum of both
   squares, as for independent results (JCGM 100, 5.1.2); that they share an instrument makes it the cautious side.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

_MADE_WITH = ("stepwitness", "python", "numpy", "scipy")


@dataclass(frozen=True)
class FindingPair:
    """One characteristic in both records; a side is None where that record hasn't it."""

    procedure: str
    characteristic: str
    title: str
    first: Mapping[str, Any] | None
    second: Mapping[str, Any] | None

    @property
    def change(self) -> float | None:
        """Second minus first, in SI; None where either has no value."""
        before, after = (one["value"] if one else None for one in (self.first, self.second))
        return None if before is None or after is None else float(after - before)

    @property
    def apart(self) -> bool:
        """Whether the change is larger than its uncertainty, or one of the two has no value."""
        if self.change is None:
            return (self.first or {}).get("value") != (self.second or {}).get("value")
        assert self.first is not None
        assert self.second is not None
        return abs(self.change) > math.hypot(self.first["U"] or 0.0, self.second["U"] or 0.0)

    @property
    def same(self) -> bool:
        """Whether both are there with the same verdict under the same limit."""
        told = [(one["verdict"], one["limit"], one["sense"]) if one else None for one in (self.first, self.second)]
        return None not in told and told[0] == told[1]


@dataclass(frozen=True)
class Difference:
    """What differs: facts by name with both values, changed lines of the texts, and all findings side by side."""

    facts: Mapping[str, tuple[str, str]]
    bench: tuple[str, ...]
    plan: tuple[str, ...]
    findings: tuple[FindingPair, ...]

    @property
    def any(self) -> bool:
        """Whether anything differs but for digits that lie within their uncertainty."""
        return bool(self.facts or self.bench or self.plan) or any(not one.same or one.apart for one in self.findings)


def difference(first: Mapping[str, Any], second: Mapping[str, Any]) -> Difference:
    """Of two records, by their sections."""
    before, after = _facts(first), _facts(second)
    facts = {
        name: (before.get(name, ""), after.get(name, ""))
        for name in dict.fromkeys((*before, *after))
        if before.get(name, "") != after.get(name, "")
    }
    return Difference(
        facts,
        tuple(_changed(first["bench"]["text"], second["bench"]["text"])),
        tuple(_changed(first["plan"]["text"], second["plan"]["text"])),
        tuple(_pairs(first, second)),
    )


def _facts(sections: Mapping[str, Any]) -> dict[str, str]:
    run, axis, software = sections["run"], sections["axis"], sections["software"]
    return {
        "axis": axis["name"],
        "serial": axis["serial"],
        "bench": sections["bench"]["name"],
        "plan": sections["plan"]["name"],
        "purpose": sections["plan"]["purpose"],
        "simulated": "yes" if run["simulated"] else "no",
        "over": run["over"],
        **{f"identity of the {role}": str(told) for role, told in sections["bench"]["identities"].items()},
        **{name: str(software.get(name, "")) for name in _MADE_WITH},
        **{f"evaluator of {entry['id']}": str(entry["evaluator"]) for entry in sections["procedures"]},
    }


def _changed(first: str, second: str) -> Iterator[str]:
    """Lines that went (``- ``) and came (``+ ``)."""
    lines = difflib.ndiff(first.splitlines(), second.splitlines())
    return (line.rstrip() for line in lines if line.startswith(("- ", "+ ")))


def _pairs(first: Mapping[str, Any], second: Mapping[str, Any]) -> Iterator[FindingPair]:
    sides = [{(one["procedure"], one["characteristic"]): one for one in each["findings"]} for each in (first, second)]
    for key in dict.fromkeys((*sides[0], *sides[1])):
        before, after = sides[0].get(key), sides[1].get(key)
        told = after or before
        assert told is not None
        yield FindingPair(*key, f"{told['title']} {told['symbol']}".strip(), before, after)
