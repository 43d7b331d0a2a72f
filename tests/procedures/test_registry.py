"""Procedures by name, ours and those that other distributions add."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from typing import Any

import pytest

from stepwitness.errors import StepwitnessError
from stepwitness.procedures import registry, repeatability
from stepwitness.procedures.procedure import Procedure
from stepwitness.settings import settings_of

OURS = {"check_standard", "screw_errors", "thermal_drift", "repeatability", "backlash", "stall_recovery"}


class Entry:
    """An entry point that loads what it is given, or fails as it is told."""

    name, value = "squareness", "somebodys.rig:PROCEDURE"

    def __init__(self, loads: Any) -> None:
        self._loads = loads

    def load(self) -> Any:
        if isinstance(self._loads, Exception):
            raise self._loads
        return self._loads


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """``installed(PROCEDURE)``: as though another distribution named it."""

    def install(*loads: Any) -> None:
        registry.procedures.cache_clear()
        monkeypatch.setattr(registry, "entry_points", lambda group: [Entry(item) for item in loads if group])

    registry.procedures.cache_clear()
    yield install
    registry.procedures.cache_clear()


def test_ours_by_their_own_names(installed: Any) -> None:
    installed()
    found = registry.procedures()
    assert set(found) == OURS
    assert all(procedure.name == name for name, procedure in found.items())


def test_another_distributions_stands_beside_them(installed: Any) -> None:
    added = replace(repeatability.PROCEDURE, name="squareness")
    installed(added)
    assert registry.procedures()["squareness"] is added
    assert set(registry.procedures()) == {*OURS, "squareness"}


@pytest.mark.parametrize(
    ("loads", "said"),
    [
        (ImportError("no module named 'nut'"), "can't be loaded: no module named 'nut'"),
        (object(), "isn't a procedure of a new name"),
        (repeatability.PROCEDURE, "isn't a procedure of a new name"),
    ],
)
def test_a_bad_one_is_named(installed: Any, loads: Any, said: str) -> None:
    installed(loads)
    with pytest.raises(StepwitnessError, match=said) as caught:
        registry.procedures()
    assert "'squareness' (somebodys.rig:PROCEDURE)" in str(caught.value)


@pytest.mark.parametrize("name", sorted(OURS))
def test_what_a_plan_and_a_report_need_of_each(name: str) -> None:
    procedure: Procedure = registry.procedures()[name]
    names = [item.name for item in procedure.characteristics]
    assert len(names) == len(set(names))
    assert all(item.definition and item.clause and item.title for item in procedure.characteristics)
    assert procedure.characteristic(names[0]) is procedure.characteristics[0]
    assert procedure.characteristic("nonsense") is None
    assert len(settings_of(procedure.settings)) == len(fields(procedure.settings)), "a setting that no plan can set"
