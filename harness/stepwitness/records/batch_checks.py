"""Checks of a batch of readings: a CRC-32 per row and one per column, so that a single changed reading has a name.

They prove nothing, the line's SHA-256 does; where that one says that the line was changed, they say where.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from stepwitness.records.whereabouts import NotJson, nearest_key, parsed_json

_CHECK = 8
_MOST_NAMED = 3


def checks_of(columns: Mapping[str, Sequence[Any]]) -> dict[str, str]:
    """Checks of every row and every column, in their order; a missing value's reason stands in its place."""
    return {"rows": _joined(zip(*columns.values(), strict=True)), "columns": _joined(columns.values())}


def _joined(parts: Iterable[Sequence[Any]]) -> str:
    return "".join(f"{zlib.crc32(json.dumps(part, separators=(',', ':')).encode()):08x}" for part in parts)


def with_reasons(
    columns: Mapping[str, Sequence[Any]], missing: Mapping[str, Mapping[str, str]]
) -> dict[str, list[Any]]:
    """Columns with ``{"missing": reason}`` in place of each null that has a reason."""
    told = {name: list(values) for name, values in columns.items()}
    for name, reasons in missing.items():
        for row, reason in reasons.items():
            told[name][int(row)] = {"missing": reason}
    return told


def changed_in(line: bytes, rows_before: int) -> str:
    """What was changed in a line of a journal, as far as can be told: ``gauge_m in row 17 of 'positions'``.

    `rows_before` is how many rows of its table stand in the lines before it; rows count from 1.
    """
    try:
        item = parsed_json(line)
    except NotJson as error:
        near = nearest_key(line, error.byte)
        return f"byte {error.byte} of it" + (f", near '{near}'" if near else "")
    try:
        return _changed(item, rows_before)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError):
        return ""


def _changed(item: Mapping[str, Any], rows_before: int) -> str:
    sealed = item["checks"]
    now = checks_of(with_reasons(item["columns"], item.get("missing", {})))
    rows = [f"{rows_before + at + 1}" for at in _differing(now["rows"], sealed["rows"])]
    names = list(item["columns"])
    columns = [names[at] for at in _differing(now["columns"], sealed["columns"])]
    if not rows and not columns:
        return ""
    where = f"row {', '.join(rows[:_MOST_NAMED])}" + (
        f" and {len(rows) - _MOST_NAMED} more" if rows[_MOST_NAMED:] else ""
    )
    return f"{', '.join(columns) or 'the names of columns'} in {where if rows else 'its rows'} of '{item['table']}'"


def _differing(now: str, sealed: str) -> list[int]:
    if len(now) != len(sealed):
        raise ValueError("another number of checks")
    return [at // _CHECK for at in range(0, len(now), _CHECK) if now[at : at + _CHECK] != sealed[at : at + _CHECK]]
