"""A part that isn't the one of the bench file is refused before anything moves."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.identities import check_identities
from stepwitness.bench.live import Parts
from stepwitness.devices.interfaces import Identity
from stepwitness.errors import BadInput, Place


class Told:
    """A part that can say nothing but what it is."""

    def __init__(self, identity: Identity) -> None:
        self._identity = identity

    def identity(self) -> Identity:
        return self._identity


FOUND = Identity("Tarnbrook", "D-1", "TB-D-7", "1.3")


def expecting(
    bench: BenchDescription, *, identity: str = "", firmware: str = "", kind: str = "own"
) -> BenchDescription:
    drive = replace(bench.drive, kind=kind, identity=identity, firmware=firmware, place=Place("b.yaml", 5, "drive"))
    return replace(bench, drive=drive, counter=None, gauge=None, meter=None, drag=None, inputs=None)


def check(bench: BenchDescription, *, simulated: bool = False) -> None:
    check_identities(bench, Parts(drive=Told(FOUND)), simulated=simulated)  # type: ignore[arg-type]


@pytest.mark.parametrize("identity", ["TB-D-7", "D-1 TB-D-7", "TB-D-7 Tarnbrook", ""])
def test_the_part_that_is_expected_is_taken(doser: BenchDescription, identity: str) -> None:
    check(expecting(doser, identity=identity, firmware="1.3"))


def test_another_serial_number_is_refused_with_what_was_found(doser: BenchDescription) -> None:
    with pytest.raises(BadInput) as refused:
        check(expecting(doser, identity="TB-D-8"))

    told = str(refused.value)
    assert "b.yaml:5 drive.identity" in told
    assert "found 'Tarnbrook D-1 TB-D-7 1.3'" in told
    assert "allowed: 'TB-D-8'" in told


def test_a_part_of_a_word_is_not_the_word(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match="isn't the part"):
        check(expecting(doser, identity="TB-D"))


def test_another_firmware_is_refused(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match=r"firmware.*found '1\.3'; allowed: '1\.2'"):
        check(expecting(doser, firmware="1.2"))


def test_a_part_that_tells_nothing_is_not_the_one(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match="doesn't tell what it is"):
        check_identities(expecting(doser, identity="x"), Parts(drive=object()), simulated=False)  # type: ignore[arg-type]


def test_a_stand_in_in_a_real_parts_place_is_not_asked(doser: BenchDescription) -> None:
    check(expecting(doser, identity="TB-D-8"), simulated=True)
    with pytest.raises(BadInput):
        check(expecting(doser, identity="TB-D-8", kind="stand-in"), simulated=True)


def test_a_bench_with_another_part_does_not_open(doser: BenchDescription) -> None:
    right = replace(doser, drive=replace(doser.drive, identity="drive"))
    open_bench(right).close()
    wrong = replace(doser, drive=replace(doser.drive, identity="TB-D-8"))
    with pytest.raises(BadInput, match="nothing moved"):
        open_bench(wrong)
