"""What differs between two records."""

from __future__ import annotations

from typing import Any

import pytest

from stepwitness.records.difference import difference


def finding(value: float | None, *, U: float = 2e-6, verdict: str = "PASS", limit: float = 25e-6) -> dict[str, Any]:
    return {
        "procedure": "backlash",
        "characteristic": "reversal_value",
        "title": "reversal value",
        "symbol": "B",
        "value": value,
        "U": U,
        "limit": limit,
        "sense": "at most",
        "verdict": verdict,
    }


def record(*findings: dict[str, Any], bench: str = "name: a\nserial: 1\n", **run: Any) -> dict[str, Any]:
    return {
        "run": {"simulated": True, "over": "process", **run},
        "axis": {"name": "doser", "serial": "TB-0417"},
        "bench": {"name": "a", "text": bench, "identities": {"drive": "D1 17"}},
        "plan": {"name": "nightly", "purpose": "nightly", "text": "purpose: nightly\n"},
        "software": {"stepwitness": "0.1"},
        "procedures": [],
        "findings": list(findings),
    }


def test_the_same_record_differs_in_nothing() -> None:
    assert not difference(record(finding(1e-5)), record(finding(1e-5))).any


def test_facts_and_changed_lines_are_named() -> None:
    found = difference(record(), record(bench="name: a\nserial: 2\n", simulated=False))
    assert found.facts == {"simulated": ("yes", "no")}
    assert found.bench == ("- serial: 1", "+ serial: 2")
    assert found.plan == ()
    assert found.any


@pytest.mark.parametrize(
    ("second_um", "apart"),
    # the root of the sum of squares of U = 2 and 2 is 2.83
    [(12.8, False), (12.9, True), (7.2, False), (7.1, True)],
)
def test_values_are_apart_beyond_the_uncertainty_of_their_difference(second_um: float, apart: bool) -> None:
    found = difference(record(finding(10e-6)), record(finding(second_um * 1e-6)))
    [pair] = found.findings
    assert pair.apart is apart
    assert found.any is apart
    assert pair.change == pytest.approx((second_um - 10.0) * 1e-6)


def test_a_verdict_or_a_value_on_one_side_alone_differs() -> None:
    assert difference(record(finding(1e-5)), record(finding(1e-5, verdict="FAIL"))).any
    assert difference(record(finding(1e-5)), record(finding(1e-5, limit=20e-6))).any
    assert difference(record(finding(1e-5)), record(finding(None))).findings[0].apart
    assert not difference(record(finding(None)), record(finding(None))).any
    [pair] = difference(record(finding(1e-5)), record()).findings
    assert (pair.second, pair.same, pair.change) == (None, False, None)
