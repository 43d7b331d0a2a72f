"""A sealed document of any schema: a record, the sheet of a lot, a qualification.

1. A document is one object in canonical JSON (RFC 8785) and a newline. It is written whole or not at all, and never
   replaced.
2. The seal holds a SHA-256 per section, and one over the schema, those and the checks. Checks are a CRC-32 per field,
   and per line of a longer text, in the order in which they stand: they prove nothing, they name what changed.
3. Without a signature a seal shows accident, not forgery: who changes a document can seal it anew.

The file: ``{"schema":"...","seal":{"checks":{NAME:"8 hex digits a field"},"schema":"...","sections":{NAME:"SHA-256"},
"sha256":"..."},"sections":{NAME:...}}``. A section's SHA-256 is that of its canonical JSON; the last one is that of
the seal's other three.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import rfc8785

from stepwitness.errors import StepwitnessError
from stepwitness.records.whereabouts import NotJson, nearest_key, parsed_json, section_at
from stepwitness.records.writing import write_new

UNSIGNED = "The seal isn't signed: it shows accident, not forgery."

_LARGEST_INTEGER = 2**53 - 1
_CHECK = 8
_MOST_NAMED = 5


class RecordError(StepwitnessError):
    """A record, or another sealed document, can't be written, or can't be read as one."""


@dataclass(frozen=True)
class Sealed:
    """A document as it stands in its file; `sections` are plain JSON values, `seal["sha256"]` is its identity."""

    path: Path
    schema: str
    sections: Mapping[str, Any]
    seal: Mapping[str, Any]


def canonical(value: Any) -> bytes:
    """`value` as canonical JSON (RFC 8785).

    Raises
    ------
    ValueError : for NaN, infinities, integers beyond 2^53 and what isn't JSON.
    """
    return rfc8785.dumps(value)


def digest(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def seal_of(schema: str, sections: Mapping[str, Any]) -> dict[str, Any]:
    """The seal that belongs to a schema and its sections."""
    seal: dict[str, Any] = {
        "schema": schema,
        "sections": {name: digest(canonical(content)) for name, content in sections.items()},
        "checks": {name: "".join(_checks(content)) for name, content in sections.items()},
    }
    return {**seal, "sha256": digest(canonical(seal))}


# -- writing and opening -------------------------------------------------------------------------------------


def write_sealed(path: Path, schema: str, sections: Mapping[str, Any]) -> Path:
    """Seal `sections` and write them to a new file; its path.

    Raises
    ------
    RecordError : where something stands there already, or the folder can't be written.
    """
    path = Path(path)
    document = {"schema": schema, "sections": sections, "seal": seal_of(schema, sections)}
    try:
        write_new(path, canonical(document) + b"\n")
    except FileExistsError:
        raise RecordError(f"{path}: exists already; a record is never replaced") from None
    except OSError as error:
        raise RecordError(f"{path}: can't be written: {error.strerror}") from error
    return path


def open_sealed(path: Path, schemas: Collection[str]) -> Sealed:
    """The document in a file, of one of `schemas`; its seal isn't checked, see `broken_places`.

    Raises
    ------
    RecordError : where there is none, or the file isn't a document of those schemas.
    """
    path = Path(path)
    return sealed_in(path, read(path), schemas)


def read_sealed(path: Path) -> Sealed:
    """The document in a file, of whatever schema; its seal isn't checked. Raises as `open_sealed` does."""
    return sealed_in(Path(path), read(Path(path)), None)


def read(path: Path) -> bytes:
    """The bytes of a file; `RecordError` where it can't be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise RecordError(f"{path}: can't be read: {error.strerror}") from error


def parsed(path: Path, data: bytes) -> dict[str, Any]:
    """The object in `data`.

    Raises
    ------
    RecordError : where it isn't JSON or no object, with the byte, the section and the field nearby.
    """
    try:
        found = parsed_json(data, parse_int=_integer)
    except NotJson as error:
        raise RecordError(f"{path}: isn't JSON: {_whereabouts(data, error.byte)}") from None
    if not isinstance(found, dict):
        raise RecordError(f"{path}: isn't a record")
    return found


def sealed_in(path: Path, data: bytes, schemas: Collection[str] | None) -> Sealed:
    """The document in `data`; of any schema where `schemas` is None."""
    found = parsed(path, data)
    schema, sections, seal = found.get("schema"), found.get("sections"), found.get("seal")
    if not isinstance(schema, str) or (schemas is not None and schema not in schemas):
        allowed = " or ".join(sorted(schemas)) if schemas else "a text"
        raise RecordError(f"{path}: has the schema {_short(schema)}; allowed: {allowed}")
    for name, value in (("sections", sections), ("seal", seal)):
        if not isinstance(value, dict):
            raise RecordError(f"{path}: has no {name}")
    assert isinstance(sections, dict)
    assert isinstance(seal, dict)
    return Sealed(path, schema, sections, seal)


def _integer(digits: str) -> int | float:
    """Canonical JSON writes a float of up to 21 digits without a point; beyond 2^53 it can have been nothing else."""
    number = int(digits)
    return number if abs(number) <= _LARGEST_INTEGER else float(digits)


# -- verifying -----------------------------------------------------------------------------------------------


def broken_places(path: Path) -> list[str]:
    """Each place where a document differs from what was sealed; an empty list where it is whole."""
    path = Path(path)
    try:
        data = read(path)
        sealed = sealed_in(path, data, None)
    except RecordError as error:
        return [str(error)]
    return broken_document(sealed, data)


def broken_document(sealed: Sealed, data: bytes) -> list[str]:
    """Each place where a document that could be read differs from what was sealed; `data` are the file's bytes."""
    file, seal = sealed.path.name, sealed.seal
    digests, checks = _texts(seal.get("sections")), _texts(seal.get("checks"))
    broken = []
    closes = _closes(seal)
    for name in sorted({*sealed.sections, *digests}):
        if name not in sealed.sections:
            broken.append(f"{file}: the section '{name}' is missing")
        elif name not in digests:
            broken.append(f"{file}: the section '{name}' isn't one that was sealed")
        else:
            due = _Due(digests[name], checks.get(name, ""), sure=closes)
            broken += _broken_section(file, name, sealed.sections[name], due)
    if sealed.schema != seal.get("schema"):
        broken.append(f"{file}: the schema isn't the one that was sealed; now {_short(sealed.schema)}")
    if not broken and not closes:
        broken.append(f"{file}: the seal itself was changed")
    if not broken:
        form = canonical(json.loads(data, parse_int=_integer)) + b"\n"
        if data != form:
            where = _whereabouts(data, _first_difference(data, form))
            broken.append(f"{file}: the file isn't in the form in which it was written: {where}")
    return broken


def _closes(seal: Mapping[str, Any]) -> bool:
    """Whether the last digest of a seal is that of its other parts."""
    parts = {name: seal.get(name) for name in ("schema", "sections", "checks")}
    try:
        return seal == {**parts, "sha256": digest(canonical(parts))}
    except ValueError:  # an infinity, which only a change can have brought
        return False


def _texts(value: Any) -> dict[str, str]:
    return {name: str(text) for name, text in value.items()} if isinstance(value, dict) else {}


@dataclass(frozen=True)
class _Due:
    """What a seal says of a section; `sure` where the seal itself is whole."""

    digest: str
    checks: str
    sure: bool


def _broken_section(file: str, name: str, content: Any, due: _Due) -> list[str]:
    try:
        whole = digest(canonical(content)) == due.digest
    except ValueError as error:
        return [f"{file}: the section '{name}' can't have been sealed: {error}"]
    if whole and due.sure:
        return []
    checks = [due.checks[at : at + _CHECK] for at in range(0, len(due.checks), _CHECK)]
    changed = list(_changed_fields(name, content, checks))
    if whole:
        return [f"{file}: the seal's checks of the section '{name}' were changed"] if changed else []
    if not changed:
        return [f"{file}: the seal's digest of the section '{name}' was changed"]
    more = len(changed) - _MOST_NAMED
    told = [f"{file}: {text}" for text in changed[:_MOST_NAMED]]
    return [*told, f"{file}: {more} more fields of the section '{name}'"] if more > 0 else told


@dataclass(frozen=True)
class _Field:
    """A value without parts, its path in the section, and the name of what it belongs to."""

    path: str
    value: Any
    owner: str

    @property
    def check(self) -> str:
        return f"{zlib.crc32(self.path.encode() + b'=' + canonical(self.value)):08x}"


def _checks(content: Any) -> Iterator[str]:
    return (field.check for field in _fields(content))


def _changed_fields(section: str, content: Any, sealed: list[str]) -> Iterator[str]:
    fields = list(_fields(content))
    now = [field.check for field in fields]
    if len(now) == len(sealed):
        changed = [field for field, check, was in zip(fields, now, sealed, strict=True) if check != was]
    else:
        known = Counter(sealed)
        known.subtract(now)
        changed = [field for field, check in zip(fields, now, strict=True) if known[check] < 0]
        lost = len(sealed) - len(now) + len(changed)
        if lost > 0:
            kept = next((at for at, pair in enumerate(zip(now, sealed, strict=False)) if pair[0] != pair[1]), len(now))
            where = f"before {section}{fields[kept].path}" if kept < len(fields) else f"at the end of {section}"
            yield f"{f'{lost} fields' if lost > 1 else 'one field'} missing {where}"
    for field in changed:
        owner = f" ({field.owner})" if field.owner else ""
        yield f"{section}{field.path}{owner} isn't what was sealed; now {_short(field.value)}"


def _fields(content: Any, path: str = "", owner: str = "") -> Iterator[_Field]:
    """Every value without parts, keys in canonical order; a text of several lines line by line."""
    if isinstance(content, Mapping) and content:
        owner = next((str(content[key]) for key in ("characteristic", "name", "id") if key in content), owner)
        for key in sorted(content, key=lambda key: key.encode("utf-16be")):
            yield from _fields(content[key], f"{path}.{key}", owner)
    elif isinstance(content, (list, tuple)) and content:
        for at, item in enumerate(content):
            yield from _fields(item, f"{path}[{at}]", owner)
    elif isinstance(content, str) and "\n" in content:
        for number, line in enumerate(content.split("\n"), start=1):
            yield _Field(f"{path} line {number}", line, owner)
    else:
        yield _Field(path, content, owner)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _first_difference(data: bytes, other: bytes) -> int:
    return next((at for at, pair in enumerate(zip(data, other, strict=False)) if pair[0] != pair[1]), len(other))


def _whereabouts(data: bytes, byte: int) -> str:
    """``byte 4711, in the section 'findings', near 'value'``: as much as can be said of a file that may be broken."""
    before = data[:byte].decode(errors="replace")
    found = f"byte {byte}"
    head, mark, sections = before.rpartition(',"sections":{') if '"seal":{' in before else ("", "", "")
    if mark and head.endswith("}"):
        section = section_at(sections)
        found += f", in the section '{section}'" if section else ""
    elif '"seal":{' in before:
        found += ", in the seal"
    near = nearest_key(data, byte)
    return f"{found}, near '{near}'" if near else found
