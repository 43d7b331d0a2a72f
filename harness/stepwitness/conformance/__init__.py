"""What a drive, a counter, a gauge or a meter must do, as plain checks that a user runs on a part of their own.

A check is a function of one `Subject`; it returns, or raises AssertionError with a sentence that says what
the part does and what is expected. Each looks at one thing, so that a part with one fault fails one check. As
tests::

    from stepwitness.conformance import DRIVE_CHECKS, Subject

    @pytest.fixture
    def subject(my_drive):
        return Subject(drive=my_drive, clock=WallClock(), reach=3200, speed=2000, acceleration=20000)

    @pytest.mark.parametrize("check", DRIVE_CHECKS, ids=lambda check: check.__name__)
    def test_my_drive(check, subject):
        check(subject)

The checks move the axis, by `Subject.reach` at most on either side of where it stands, and come back; place
it in the middle of its stroke, referenced or not, with nothing in its way. On a real axis stop at the first
failure (``pytest -x``): a drive that fails doesn't always come back to where it started.

Imports devices alone; knows nothing of pytest.
"""

from stepwitness.conformance.counter import COUNTER_CHECKS
from stepwitness.conformance.drive import DRIVE_CHECKS
from stepwitness.conformance.instruments import GAUGE_CHECKS, METER_CHECKS
from stepwitness.conformance.loop import LOOP_CHECKS
from stepwitness.conformance.subject import Check, Subject

__all__ = ["COUNTER_CHECKS", "DRIVE_CHECKS", "GAUGE_CHECKS", "LOOP_CHECKS", "METER_CHECKS", "Check", "Subject"]
