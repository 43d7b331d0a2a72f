"""The meter against a small server that answers as it is told, over pyvisa-py on loopback."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, OutOfRange
from stepwitness.devices.instruments.scpi import ScpiMeter, open_meter
from stepwitness.devices.instruments.scpi_session import ScpiSession
from stepwitness.devices.interfaces import Meter
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput, Place

IDENTITY = "Tarnbrook,DMM-1,0012,1.4"


class Instrument:
    """One thread that answers each line by `replies`; None is silence, bytes go out as they are.

    `late_s` holds the next reply back. `hang_up` closes the connection instead of answering.
    """

    def __init__(self) -> None:
        self.replies: dict[str, str | bytes | None] = {"*IDN?": IDENTITY, "MEAS:CURR?": "+1.20000000E+00"}
        self.heard: list[str] = []
        self.late_s = 0.0
        self.hang_up = False
        self.connections = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._threads: list[threading.Thread] = []
        self._serve_all = threading.Thread(target=self._accept, daemon=True)
        self._serve_all.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            thread.start()
            self._threads.append(thread)

    def _serve(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rb") as lines:
            try:
                for line in lines:
                    if self.hang_up:
                        self.hang_up = False
                        return
                    self._answer(connection, line.decode().strip())
            except OSError:
                return

    def _answer(self, connection: socket.socket, text: str) -> None:
        self.heard.append(text)
        late_s, self.late_s = self.late_s, 0.0
        time.sleep(late_s)
        reply = self.replies.get(text)
        if reply is not None:
            connection.sendall(reply if isinstance(reply, bytes) else reply.encode() + b"\n")

    def stop(self) -> None:
        if self._listener.fileno() >= 0:
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in [self._serve_all, *self._threads]:
            thread.join(5.0)


@pytest.fixture
def instrument() -> Iterator[Instrument]:
    made = Instrument()
    yield made
    made.stop()


@pytest.fixture
def meter(instrument: Instrument) -> Iterator[ScpiMeter]:
    made = ScpiMeter(ScpiSession(instrument.resource, timeout_s=0.3))
    yield made
    made.close_link()


def test_a_meter_is_identified_and_read(meter: ScpiMeter, instrument: Instrument) -> None:
    assert isinstance(meter, Meter)
    assert str(meter.identity()) == "Tarnbrook DMM-1 0012 1.4"
    assert meter.current_a() == 1.2
    instrument.replies["MEAS:CURR?"] = "-3.5E-03"
    assert meter.current_a() == -0.0035
    assert instrument.connections == 1
    assert set(instrument.heard) == {"*IDN?", "MEAS:CURR?"}


def test_an_identity_with_a_0_says_nothing_there(meter: ScpiMeter, instrument: Instrument) -> None:
    instrument.replies["*IDN?"] = "Tarnbrook,DMM-1,0,0"
    assert (meter.identity().serial, meter.identity().version) == ("", "")


@pytest.mark.parametrize(
    ("reply", "error"),
    [
        ("+9.90000000E+37", OutOfRange),
        ("-9.9E37", OutOfRange),
        ("inf", OutOfRange),
        ("+9.91000000E+37", BadReply),
        ("NaN", BadReply),
        ("OVLD", BadReply),
        ("1.2;1.3", BadReply),
        (b"\xff\xfe1.2\n", BadReply),
        ("", BadReply),
        (b"1" * 5000, BadReply),
    ],
)
def test_what_is_no_reading_has_its_name(
    meter: ScpiMeter, instrument: Instrument, reply: str | bytes, error: type[DeviceError]
) -> None:
    meter.identity()
    instrument.replies["MEAS:CURR?"] = reply
    with pytest.raises(error):
        meter.current_a()


def test_a_late_reply_never_answers_the_next_question(meter: ScpiMeter, instrument: Instrument) -> None:
    assert meter.current_a() == 1.2
    instrument.late_s = 0.5
    with pytest.raises(NoReply, match=r"didn't answer MEAS:CURR\? within 0\.[3-9]"):
        meter.current_a()
    instrument.replies["MEAS:CURR?"] = "+2.5"
    for _ in range(5):
        assert meter.current_a() == 2.5
    assert instrument.connections == 2


def test_a_peer_that_hangs_up_is_named_and_the_next_question_finds_it_again(
    meter: ScpiMeter, instrument: Instrument
) -> None:
    meter.current_a()
    instrument.hang_up = True
    with pytest.raises((NoReply, LinkLost)):
        meter.current_a()
    assert meter.current_a() == 1.2


def test_another_instrument_at_the_same_place_is_not_taken_for_the_first(
    meter: ScpiMeter, instrument: Instrument
) -> None:
    meter.current_a()
    instrument.hang_up = True
    with pytest.raises((NoReply, LinkLost)):
        meter.current_a()
    instrument.replies["*IDN?"] = "Tarnbrook,DMM-1,0099,1.4"
    for _ in range(2):
        with pytest.raises(LinkLost, match="came back as another instrument"):
            meter.current_a()


def test_nobody_there_is_told_at_opening(instrument: Instrument) -> None:
    resource = instrument.resource
    instrument.stop()
    with pytest.raises((LinkLost, NoReply)) as caught:
        open_meter(Part("scpi", {"resource": resource, "timeout": "300 ms"}))
    assert resource in str(caught.value)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({}, "meter.resource: a SCPI meter needs its resource"),
        ({"resource": "COM5 please"}, "meter.resource: not a VISA resource"),
        ({"resource": "TCPIP::127.0.0.1::5025::SOCKET", "timeout": "2"}, "meter.timeout: a number without a unit"),
        ({"resource": "TCPIP::127.0.0.1::5025::SOCKET", "adress": "2"}, "meter.adress: an unknown option"),
    ],
)
def test_options_that_cannot_be_read_are_told_with_their_place(options: dict[str, str], says: str) -> None:
    with pytest.raises(BadInput) as caught:
        open_meter(Part("scpi", options, Place("b.yaml", 9, "meter")))
    assert str(caught.value).startswith(f"b.yaml:9 {says}")
