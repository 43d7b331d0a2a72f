from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from stepwitness.devices.part_options import (
    expression_option,
    refuse_unknown,
    time_option,
    whole_option,
    word_option,
)
from stepwitness.errors import BadInput, Place

AT = Place("b.yaml", 7, "drive")


def test_what_is_given_and_what_is_not() -> None:
    options = {"timeout": "250 ms", "unit": "0x10", "loop": "closed", "redact": "a+"}
    assert time_option(options, "timeout", "1 s", AT) == 0.25
    assert time_option({}, "timeout", "1 s", AT) == 1.0
    assert whole_option(options, "unit", 1, AT, at_most=247) == 16
    assert whole_option({}, "unit", 1, AT, at_most=247) == 1
    assert word_option(options, "loop", "open", AT, ("open", "closed")) == "closed"
    assert expression_option(options, "redact", "", AT) == "a+"


@pytest.mark.parametrize(
    ("read", "says"),
    [
        (lambda: time_option({"timeout": "0 s"}, "timeout", "1 s", AT), "drive.timeout: a time-out must be positive"),
        (lambda: time_option({"timeout": "5"}, "timeout", "1 s", AT), "drive.timeout: a number without a unit"),
        (lambda: whole_option({"unit": "x"}, "unit", 1, AT, at_most=9), "drive.unit: not a whole number"),
        (lambda: whole_option({"unit": "10"}, "unit", 1, AT, at_most=9), "drive.unit: out of bounds; found '10'"),
        (lambda: whole_option({}, "node", None, AT, at_most=9), "drive.node: 'node' is missing"),
        (lambda: word_option({"loop": "close"}, "loop", "open", AT, ("open", "closed")), "drive.loop: no such loop"),
        (lambda: expression_option({"redact": "("}, "redact", "", AT), "drive.redact: not a regular expression"),
        (
            lambda: refuse_unknown({"prot": "1"}, ("port",), AT, what="a line"),
            "drive.prot: an unknown option of a line",
        ),
    ],
)
def test_mistakes_name_their_place(read: Callable[[], Any], says: str) -> None:
    with pytest.raises(BadInput) as caught:
        read()
    assert str(caught.value).startswith(f"b.yaml:7 {says}")
