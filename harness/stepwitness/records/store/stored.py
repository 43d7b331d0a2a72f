"""What the store gives back: small frozen values; numbers are SI, times ISO 8601 in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class StoredRecord:
    """A record, but for its findings.

    Attributes
    ----------
    seal : SHA-256 of the record, its identity. id : of the run; unique on its bench.
    previous : the run id of the attempt before. worst : the worst finding, also of a PARTIAL record.
    folder : that of the run, below the one of its bench: ``doser-rig-1/2026-11-25T0210``.
    splits : what splits a history where it differs from one record to the next, by name: ``firmware`` as the parts
        told it, ``bench``, ``calibration`` and ``plan`` as digests of their texts.
    """

    seal: str
    id: str
    bench: str
    axis: str
    serial: str
    plan: str
    purpose: str
    started: str
    ended: str
    verdict: str
    worst: str
    partial: bool
    attempt: int
    previous: str | None
    simulated: bool
    folder: str
    splits: Mapping[str, str]


@dataclass(frozen=True)
class StoredFinding:
    """A finding of a record. `limit` and what it led to are None or empty where there was none.

    Attributes
    ----------
    procedure : its id in the plan. kind : what the quantity measures, by the unit in which it is held.
    unit : that of the plan, for showing. u, expanded, k : standard and expanded uncertainty, coverage factor.
    """

    procedure: str
    characteristic: str
    title: str
    symbol: str
    kind: str
    unit: str
    value: float | None
    u: float | None
    expanded: float | None
    k: float | None
    limit: float | None
    sense: str
    rule: str
    verdict: str
    statement: str
    reason: str


@dataclass(frozen=True)
class TrendPoint:
    """One characteristic in one record; `verdict` is empty and `limit` None where it had no limit."""

    seal: str
    started: str
    bench: str
    serial: str
    value: float
    expanded: float | None
    k: float | None
    unit: str
    verdict: str
    limit: float | None
    splits: Mapping[str, str]
    u: float | None
    simulated: bool
    procedure: str
    plan: str


@dataclass(frozen=True)
class StoredDocument:
    """A sealed document: its bytes as they were sealed, and when this store took it."""

    kind: str
    key: str
    seal: str
    filed: str
    data: bytes


@dataclass(frozen=True)
class Deletion:
    """What stays of a deleted record: its seal and place in the chain of its bench, who deleted it when, and why."""

    seal: str
    id: str
    bench: str
    folder: str
    started: str
    number: int | None
    previous_seal: str | None
    deleted: str
    by: str
    why: str
