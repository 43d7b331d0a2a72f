from __future__ import annotations

import pytest

from stepwitness.devices.exchange_log import Exchanged, ExchangeLog


def _entry(sent: str, *heard: str, answered: bool = True) -> Exchanged:
    return Exchanged(1.0, 1.0025, sent, heard, answered)


def test_an_exchange_reads_as_one_line() -> None:
    log = ExchangeLog()
    log.add(_entry("position?", "3200"))
    log.add(_entry("halt", answered=False))
    assert log.texts() == [
        "1.0000 s  > position?  < 3200  in 2.5 ms",
        "1.0000 s  > halt  < nothing  in 2.5 ms  (not answered)",
    ]


def test_the_ring_forgets_the_oldest() -> None:
    log = ExchangeLog(size=3)
    for number in range(10):
        log.add(_entry(str(number)))
    assert [entry.sent for entry in log] == ["7", "8", "9"]
    assert (len(log), log[-1].sent) == (3, "9")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("login password=swordfish now", "login password=••• now"),
        ("PASS tip top", "PASS ••• top"),
        ("token: a-b-c", "token: •••"),
        ("position? 3200", "position? 3200"),
        ("keyed 5", "keyed 5"),
    ],
)
def test_what_looks_like_a_secret_never_enters(text: str, shown: str) -> None:
    log = ExchangeLog()
    log.add(_entry(text, text))
    assert (log[0].sent, log[0].heard) == (shown, (shown,))


def test_a_part_may_say_what_its_secrets_are() -> None:
    log = ExchangeLog(redact=r"unlock (\d+)|sn\d+")
    log.note("unlock 4711", "sn0815", asked_s=0.0, ended_s=0.0, answered=True)
    assert "unlock •••" in log.texts()[0]
    assert "0815" not in log.texts()[0]
    assert ExchangeLog(redact="").redacted("pin 1") == "pin 1"
