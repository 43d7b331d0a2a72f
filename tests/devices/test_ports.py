from __future__ import annotations

import pytest

from stepwitness.devices.part import Part
from stepwitness.devices.ports import check_ports
from stepwitness.errors import BadInput, Place


def _part(kind: str, key: str, **options: str) -> Part:
    return Part(kind, options, Place("b.yaml", 5, key))


def test_parts_on_ports_of_their_own_and_parts_that_share_a_bus() -> None:
    check_ports(
        {
            "drive": _part("modbus", "drive", port="COM5", unit="1"),
            "counter": _part("modbus", "counter", port="COM5", unit="2"),
            "gauge": _part("text-line", "gauge", port="COM6"),
            "meter": _part("scpi", "meter", resource="COM6"),
            "brake": _part("stand-in", "brake"),
        }
    )


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        (
            _part("text-line", "drive", port="COM5"),
            _part("text-line", "counter", port="com5"),
            "counter.port: two parts on one port; found 'com5' of the drive too",
        ),
        (
            _part("modbus", "drive", port="COM5"),
            _part("text-line", "counter", port="COM5"),
            "counter.port: two parts on one port",
        ),
        (
            _part("modbus", "drive", port="COM5"),
            _part("modbus", "counter", port="COM5"),
            "counter.unit: two parts with one unit on one port; found unit 1 of the drive too",
        ),
    ],
)
def test_two_parts_on_one_port_are_told_before_any_is_opened(first: Part, second: Part, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        check_ports({"drive": first, "counter": second})
    assert str(caught.value).startswith(f"b.yaml:5 {says}")
