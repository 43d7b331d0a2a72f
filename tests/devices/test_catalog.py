from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from stepwitness.axis import Axis, Orientation
from stepwitness.devices import catalog
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput, Place

AXIS = Axis("doser", 200, 16, Fraction(1, 500), Fraction(3, 50), Orientation.HORIZONTAL)
PLACE = Place("doser.bench.yaml", 7, "counter")

OWN = """
from stepwitness.devices.interfaces import Identity


class Counter:
    def __init__(self, part, axis, clock):
        self.made_of = part, axis, clock

    def identity(self):
        return Identity(model="own")

    def counts(self):
        return 0

    def faults(self):
        return 0


class Half:
    def __init__(self, part, axis, clock):
        pass

    def counts(self):
        return 0
"""


@pytest.fixture
def own_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A package of somebody else's on the path, as an installer would leave it."""
    (tmp_path / "own_counter.py").write_text(OWN)
    info = tmp_path / "own_counter-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: own-counter\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[stepwitness.counters]\nown = own_counter:Counter\nhalf = own_counter:Half\ngone = own_counter:Gone\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    yield
    sys.modules.pop("own_counter", None)


@pytest.mark.usefixtures("own_package")
def test_a_part_of_another_package_is_found_by_its_name() -> None:
    part, clock = Part("own", {"anything": "x"}, PLACE), VirtualClock()
    made = catalog.build("counter", part, AXIS, clock)
    assert made.made_of == (part, AXIS, clock)


@pytest.mark.usefixtures("own_package")
@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("half", "part 'half' can't be a counter; found no method faults, identity"),
        ("gone", "part 'gone' can't be loaded from own_counter:Gone"),
        (
            "onw",
            "an unknown kind of counter; found 'onw'; allowed: gone, half, modbus, own, text-line; did you mean 'own'?",
        ),
        ("text-lin", "did you mean 'text-line'?"),
    ],
)
def test_a_part_that_cannot_be_is_told_with_its_place(kind: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        catalog.build("counter", Part(kind, {}, PLACE), AXIS, VirtualClock())
    assert str(caught.value).startswith("doser.bench.yaml:7 counter: ")
    assert says in str(caught.value)


@pytest.mark.usefixtures("own_package")
def test_two_packages_with_one_name_are_told(tmp_path: Path) -> None:
    info = tmp_path / "another_counter-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: another-counter\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[stepwitness.counters]\nown = another_counter:Counter\n")
    says = "more than one package offers a counter .own.; found another-counter, own-counter"
    with pytest.raises(BadInput, match=says):
        catalog.build("counter", Part("own", {}, PLACE), AXIS, VirtualClock())


def test_a_counter_of_another_package_is_no_gauge(own_package: None) -> None:  # noqa: ARG001
    with pytest.raises(BadInput, match="an unknown kind of gauge"):
        catalog.build("gauge", Part("own"), AXIS, VirtualClock())


def test_every_role_of_a_bench_has_a_built_in_part_that_checks_its_options() -> None:
    for role in catalog.ROLES:
        kind = "scpi" if role == "meter" else "text-line"
        with pytest.raises(BadInput, match=r"b.yaml:1 .*(needs its port|needs its resource)"):
            catalog.build(role, Part(kind, {}, Place("b.yaml", 1, role)), AXIS, VirtualClock())


def test_the_catalog_loads_no_library_of_a_wire() -> None:
    code = (
        "import sys, stepwitness.devices.catalog, stepwitness.devices.text_line, stepwitness.devices.instruments.scpi;"
        "print(sorted({'serial', 'pyvisa', 'pint', 'numpy'} & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
