"""Supply, gauge and meter over HiSLIP and over a bare socket, by pyvisa-py against the stand-ins' servers."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from typing import Any

import pytest

from stepwitness.devices.errors import BadReply, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.instruments import scpi
from stepwitness.devices.interfaces import Gauge, Identity, Meter, Supply
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput, Place
from stepwitness.standin.hislip_protocol import hislip
from stepwitness.standin.scpi_protocol import ScpiProtocol, gauge_protocol, meter_protocol, supply_protocol
from stepwitness.standin.serving import LineProtocol, lines


class Instrument:
    """All three in one; a test says what it reads."""

    travel, current, on, limit = 0.0123456789, 1.25, False, 10.0

    def identity(self) -> Identity:
        return Identity("Tarnbrook", "all in one", "7", "1.0")

    def travel_m(self) -> float:
        if self.travel > 1.0:
            raise OutOfRange("too far")
        return self.travel

    def current_a(self) -> float:
        return self.current

    def set_output(self, on: bool) -> None:
        self.on = on

    def output(self) -> bool:
        return self.on

    def voltage_v(self) -> float:
        return 24.0

    def set_current_limit(self, limit_a: float) -> None:
        self.limit = limit_a

    def current_limit_a(self) -> float:
        return self.limit


OPEN: dict[str, tuple[Callable[[Any], ScpiProtocol], Callable[[Part], Any]]] = {
    "gauge": (gauge_protocol, scpi.open_gauge),
    "meter": (meter_protocol, scpi.open_meter),
    "supply": (supply_protocol, scpi.open_supply),
}


def _serve(running: Any, protocol: LineProtocol, over: str) -> str:
    if over == "hislip":
        return f"TCPIP::127.0.0.1::hislip0,{running.server.add_tcp(hislip(protocol))}::INSTR"
    return f"TCPIP::127.0.0.1::{running.server.add_tcp(lines(protocol))}::SOCKET"


@pytest.fixture(params=["hislip", "socket"])
def opened(request: pytest.FixtureRequest, running: Any) -> Any:
    made = []

    def make(role: str, **options: str) -> tuple[Any, Instrument]:
        truth = Instrument()
        protocol, opener = OPEN[role]
        resource = _serve(running, protocol(truth), request.param)
        made.append(opener(Part("scpi", {"resource": resource, "timeout": "1 s", **options})))
        return made[-1], truth

    yield make
    for part in made:
        part.close_link()


def test_a_gauge_reads_travel_in_its_unit(opened: Any) -> None:
    gauge, truth = opened("gauge")
    assert isinstance(gauge, Gauge)
    assert str(gauge.identity()) == "Tarnbrook all in one 7 1.0"
    assert gauge.travel_m() == pytest.approx(0.0123456789, abs=1e-12)
    truth.travel = 2.0
    with pytest.raises(OutOfRange):
        gauge.travel_m()
    truth.travel = -0.5
    assert gauge.travel_m() == -0.5
    assert "READ?" in gauge.log.texts()[-1]


def test_a_gauge_of_millimetres_with_a_question_of_its_own(opened: Any) -> None:
    gauge, truth = opened("gauge", unit="mm", query="FETC?")
    truth.travel = 12.5 / 1000
    assert gauge.travel_m() == pytest.approx(12.5e-6)


def test_a_multimeter_reads_current_and_temperature(opened: Any) -> None:
    meter, _ = opened("meter")
    assert isinstance(meter, Meter)
    assert (meter.current_a(), meter.temperature_c()) == (1.25, 20.0)


def test_a_supply_sets_its_limit_before_it_switches_on(opened: Any) -> None:
    supply, truth = opened("supply", current_limit="2.5 A")
    assert isinstance(supply, Supply)
    assert (supply.current_limit_a(), supply.output(), supply.voltage_v()) == (10.0, False, 24.0)
    supply.set_output(True)
    assert (supply.current_limit_a(), supply.output(), truth.on) == (2.5, True, True)
    supply.set_output(False)
    assert not truth.on


def test_a_limit_that_the_supply_refuses_keeps_the_output_off(opened: Any) -> None:
    supply, truth = opened("supply", current_limit="50 A")
    with pytest.raises(Refused, match=r"refused 'CURR 50': Data out of range \(-222\)"):
        supply.set_output(True)
    assert not truth.on


def test_a_limit_that_reads_back_otherwise_keeps_the_output_off(running: Any) -> None:
    truth = Instrument()
    kept = ScpiProtocol(
        truth.identity,
        {r"CURR +\S+": lambda: None, r"CURR\?": lambda: "7.0", "OUTP +ON": lambda: truth.set_output(True)},
    )
    supply = scpi.open_supply(Part("scpi", {"resource": _serve(running, kept, "hislip"), "current_limit": "2 A"}))
    with pytest.raises(Refused, match="current limit set to 2 A reads back 7 A; the output stays as it is"):
        supply.set_output(True)
    supply.close_link()
    assert not truth.on


class _Slow:
    """Holds the reply to its next line back."""

    def __init__(self, protocol: LineProtocol) -> None:
        self._protocol, self.late_s = protocol, 0.0

    def answer(self, line: str) -> str | None:
        late_s, self.late_s = self.late_s, 0.0
        time.sleep(late_s)
        return self._protocol.answer(line)


@pytest.mark.parametrize("over", ["hislip", "socket"])
def test_a_late_reply_never_answers_the_next_question(running: Any, over: str) -> None:
    truth = Instrument()
    slow = _Slow(meter_protocol(truth))
    meter = scpi.open_meter(
        Part("scpi", {"resource": _serve(running, slow, over), "timeout": "200 ms", "retries": "0"})
    )
    assert meter.current_a() == 1.25
    slow.late_s = 0.4
    with pytest.raises((NoReply, LinkLost)):
        meter.current_a()
    truth.current, found = 2.5, []
    for _ in range(5):
        try:
            found.append(meter.current_a())
        except (NoReply, LinkLost):
            continue
    meter.close_link()
    assert found
    assert set(found) == {2.5}


def test_reads_are_retried_and_counted(running: Any) -> None:
    slow = _Slow(meter_protocol(Instrument()))
    resource = _serve(running, slow, "socket")
    meter = scpi.open_meter(Part("scpi", {"resource": resource, "timeout": "200 ms", "retries": "2"}))
    slow.late_s = 0.25
    assert meter.current_a() == 1.25
    assert meter._session.retried == 1
    meter.close_link()


def test_a_bare_socket_waits_for_no_acknowledgement(running: Any) -> None:
    meter = scpi.open_meter(Part("scpi", {"resource": _serve(running, meter_protocol(Instrument()), "socket")}))
    session: Any = meter._session._session
    interface = session.visalib.sessions[session.session].interface
    assert interface.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    meter.close_link()


def test_another_service_on_the_port_is_told(running: Any) -> None:
    class Web:
        def answer(self, _: str) -> str:
            return "HTTP/1.1 400 Bad Request"

    resource = _serve(running, Web(), "socket")
    with pytest.raises(BadReply, match=r"answered 'HTTP/1.1 400 Bad Request' to \*IDN\?: another service"):
        scpi.open_meter(Part("scpi", {"resource": resource}))


@pytest.mark.parametrize(
    ("opener", "options", "says"),
    [
        (scpi.open_gauge, {"unit": "kg"}, "gauge.unit: "),
        (scpi.open_gauge, {"query": "READ"}, "gauge.query: not a question; found 'READ'"),
        (scpi.open_supply, {"current_limit": "2"}, "gauge.current_limit: a number without a unit"),
        (scpi.open_meter, {"unit": "A"}, "gauge.unit: an unknown option of a SCPI meter"),
    ],
)
def test_options_that_cannot_be_read_name_their_place(
    opener: Callable[[Part], Any], options: dict[str, str], says: str
) -> None:
    with pytest.raises(BadInput) as caught:
        opener(Part("scpi", {"resource": "TCPIP::127.0.0.1::9::SOCKET", **options}, Place("b.yaml", 9, "gauge")))
    assert str(caught.value).startswith(f"b.yaml:9 {says}")
