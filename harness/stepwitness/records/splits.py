"""What a run was made with, as far as a change of it begins a new history.

Files count by what they say, not by how it is written: comments and the order of keys split nothing, nor does what a
plan makes of a change, or who and where the site is. A certificate is a calibration's, not the bench file's too.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.errors import StepwitnessError
from stepwitness.files import parse_yaml, plain
from stepwitness.records.manifest import text_digest
from stepwitness.records.sealed import canonical, digest


def splits_of(*, bench: BenchDescription, plan_text: str, identities: Mapping[str, str]) -> dict[str, str]:
    """By name: `firmware`, `bench`, `calibration`, `plan`; identities and certificates as words, files as digests."""
    return _splits(bench.text, bench.path, plan_text, identities)


def splits_in(sections: Mapping[str, Any]) -> dict[str, str]:
    """The same of a record."""
    bench = sections["bench"]
    return _splits(bench["text"], bench["file"], sections["plan"]["text"], bench["identities"])


def _splits(bench_text: str, bench_path: str, plan_text: str, identities: Mapping[str, str]) -> dict[str, str]:
    return {
        "firmware": ", ".join(f"{role} {told}" for role, told in sorted(identities.items())),
        "bench": _said(bench_text, frozenset({"site", "certificate", "expires"})),
        "calibration": _certificates(bench_text, bench_path),
        "plan": _said(plan_text, frozenset({"site", "history"})),
    }


@lru_cache(maxsize=256)
def _said(text: str, apart: frozenset[str]) -> str:
    """The digest of what a file says but for the keys `apart`; of its text, where it isn't YAML."""
    try:
        return digest(canonical(_without(plain(parse_yaml(text, "")), apart)))
    except StepwitnessError:
        return text_digest(text)


def _without(value: Any, apart: frozenset[str]) -> Any:
    if isinstance(value, dict):
        return {key: _without(item, apart) for key, item in value.items() if key not in apart}
    return [_without(item, apart) for item in value] if isinstance(value, list) else value


@lru_cache(maxsize=256)
def _certificates(text: str, path: str) -> str:
    """Certificates by part; nothing where this version can't read that bench file any more."""
    try:
        bench = parse_bench(text, path)
    except StepwitnessError:
        return ""
    return ", ".join(f"{role} {certificate}" for role, certificate in certificates(bench).items())


def certificates(bench: BenchDescription) -> dict[str, str]:
    """The certificate of each calibrated part, by its role."""
    found = {"counter": bench.counter_certificate}
    for role, part in (("gauge", bench.gauge), ("meter", bench.meter)):
        if part is not None and part.calibration is not None:
            found[role] = part.calibration.certificate
    return {role: certificate for role, certificate in found.items() if certificate}
