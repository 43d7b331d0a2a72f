"""Acceptance tests for stepper-driven axes: drive, encoder counter and gauge testify side by side.

The names below are the public ones; each is loaded when it is first asked for, so that importing this package costs
next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "Axis": "stepwitness.axis",
    "Bench": "stepwitness.bench.live",
    "BenchDescription": "stepwitness.bench.description",
    "Characteristic": "stepwitness.findings",
    "Estimate": "stepwitness.findings",
    "Finding": "stepwitness.findings",
    "Plan": "stepwitness.plan.description",
    "Procedure": "stepwitness.procedures.procedure",
    "Verdict": "stepwitness.findings",
    "load_bench": "stepwitness.bench.model",
    "load_plan": "stepwitness.plan.model",
    "open_bench": "stepwitness.bench.assembly",
    "setting": "stepwitness.settings",
}

__all__ = sorted(_HOMES)  # noqa: PLE0605  (a sorted list of str, computed once from the table above)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'stepwitness' has no attribute '{name}'")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(_HOMES)
