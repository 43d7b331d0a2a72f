"""Headers and error numbers as in SCPI-99 and IEEE 488.2 (from memory)."""

from __future__ import annotations

import pytest

from stepwitness.devices.errors import OutOfRange
from stepwitness.devices.interfaces import Identity
from stepwitness.standin.scpi_protocol import OVERRANGE, meter_protocol


class _Meter:
    current = 1.25

    def identity(self) -> Identity:
        return Identity("Tarnbrook", "stand-in, meter", "0012")

    def current_a(self) -> float:
        if self.current > 10:
            raise OutOfRange("too much")
        return self.current


@pytest.mark.parametrize("header", ["MEAS:CURR?", "measure:current?", "MEAS:CURR:DC?", "MEASure:SCALar:CURRent:DC?"])
def test_a_current_is_measured_by_any_form_of_the_header(header: str) -> None:
    assert meter_protocol(_Meter()).answer(header) == "+1.25000000E+00"


def test_overrange_is_the_number_that_the_standard_gives_it() -> None:
    meter = _Meter()
    meter.current = 11.0
    assert meter_protocol(meter).answer("MEAS:CURR?") == OVERRANGE == "+9.90000000E+37"


def test_what_is_not_known_is_silent_and_goes_into_the_queue() -> None:
    protocol = meter_protocol(_Meter())
    assert protocol.answer("MEAS:VOLT?") is None
    assert protocol.answer("SYST:ERR?") == '-113,"Undefined header"'
    assert protocol.answer("SYST:ERR?") == '0,"No error"'
    protocol.answer("nonsense")
    protocol.answer("*CLS")
    assert protocol.answer(":SYSTem:ERRor:NEXT?") == '0,"No error"'


def test_several_headers_in_a_line() -> None:
    assert meter_protocol(_Meter()).answer("*RST; *OPC?;MEAS:CURR?") == "1;+1.25000000E+00"
    assert meter_protocol(_Meter()).answer("*IDN?") == "Tarnbrook,stand-in  meter,0012,0"
    assert meter_protocol(_Meter()).answer("") is None
