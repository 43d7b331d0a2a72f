"""Records of the first schema, as they stand in their files: how they were sealed, and what the next makes of them.

Their canonical form was Python's: keys sorted, no spaces, floats by repr. Their seal names a section, no field.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

SCHEMA = "stepwitness-record/1"
_REPORT = {"standard": "", "operator": "", "items": []}


def canonical(value: Any) -> bytes:
    """`value` in the form in which the first schema was written and sealed."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode()


def sealed_by_it(seal: Mapping[str, Any]) -> bool:
    """Whether a seal has the form of the first schema."""
    return "checks" not in seal and "schema" not in seal


def broken_document(
    file: str, schema: str, sections: Mapping[str, Any], seal: Mapping[str, Any], data: bytes
) -> list[str]:
    """Each place where a document differs from what was sealed; `data` are the bytes of its file."""
    try:
        broken = _broken(file, sections, seal, data)
    except ValueError as error:  # an infinity, which only a change can have brought
        return [f"{file}: isn't what was sealed: {error}"]
    if not broken and schema != SCHEMA:
        broken.append(f"{file}: the schema isn't the one that was sealed; now '{schema}'")
    return broken


def _broken(file: str, sections: Mapping[str, Any], seal: Mapping[str, Any], data: bytes) -> list[str]:
    due = _seal(sections)
    sealed = seal.get("sections")
    sealed = sealed if isinstance(sealed, dict) else {}
    broken = [
        f"{file}: the section '{name}' isn't the one that was sealed"
        for name in sorted({*due["sections"], *sealed})
        if due["sections"].get(name) != sealed.get(name)
    ]
    if not broken and due != seal:
        broken.append(f"{file}: the seal itself was changed")
    if not broken and data != canonical(json.loads(data)) + b"\n":
        broken.append(f"{file}: the file isn't in the form in which it was written")
    return broken


def migrated(sections: Mapping[str, Any]) -> dict[str, Any]:
    """The sections as the second schema has them: not chained, and nothing told beyond them."""
    bench = sections.get("bench")
    bench = bench if isinstance(bench, dict) else {}
    chain = {"bench": bench.get("name", ""), "number": None, "previous": None, "folder": ""}
    return {**sections, "bench": {"calibration": {}, **bench}, "chain": chain, "report": _REPORT}


def _seal(sections: Mapping[str, Any]) -> dict[str, Any]:
    digests = {name: hashlib.sha256(canonical(content)).hexdigest() for name, content in sections.items()}
    whole = canonical({"schema": SCHEMA, "sections": digests})
    return {"sections": digests, "sha256": hashlib.sha256(whole).hexdigest()}
