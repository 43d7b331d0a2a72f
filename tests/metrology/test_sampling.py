"""Plans by lot, level and AQL; isolated lots; refusals."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology.sampling import acceptance_one_step_tighter, code_letter, isolated_lot, single_plan
from stepwitness.metrology.sampling_tables import AQLS, LEVELS, Severity
from stepwitness.metrology.statistics import BadReadings


@pytest.mark.parametrize("severity", ["normal", "tightened", "reduced"])
def test_every_lot_level_and_aql_has_a_plan(severity: Severity) -> None:
    for lot in (2, 9, 20, 40, 80, 120, 200, 400, 1000, 2000, 9000, 20_000, 100_000, 400_000, 10**6):
        for level in LEVELS:
            for aql in AQLS:
                plan = single_plan(lot, aql_percent=aql, edition="MIL-STD-105E", level=level, severity=severity)
                assert 0 <= plan.ac < plan.re
                assert plan.re == plan.ac + 1 or severity == "reduced"
                assert plan.sample <= lot
                assert plan.accepts(plan.re - 1)
                assert not plan.accepts(plan.re)


def test_tightened_accepts_less_than_normal_at_the_aql() -> None:
    for aql in AQLS:
        normal = single_plan(10**5, aql_percent=aql, edition="ISO 2859-1:1999")
        tight = single_plan(10**5, aql_percent=aql, edition="ISO 2859-1:1999", severity="tightened")
        p = aql / 100.0
        assert stats.binom.cdf(tight.ac, tight.sample, p) <= stats.binom.cdf(normal.ac, normal.sample, p)


@given(st.integers(2, 10**7), st.integers(2, 10**7))
def test_a_greater_lot_never_has_an_earlier_letter(one: int, other: int) -> None:
    low, high = sorted((one, other))

    assert code_letter(low) <= code_letter(high)


def test_one_step_tighter_is_asked_of_plans_with_two_or_more_alone() -> None:
    for aql in AQLS:
        plan = single_plan(5000, aql_percent=aql, edition="ISO 2859-1:1999")
        tighter = acceptance_one_step_tighter(plan)
        if plan.ac >= 2:
            assert tighter is not None
            assert tighter < plan.ac


@settings(max_examples=60)
@given(st.integers(5, 3000), st.floats(0.01, 0.3), st.integers(0, 3))
def test_an_isolated_lot_is_the_smallest_sample(lot: int, quality: float, ac: int) -> None:
    nonconforming = math.ceil(quality * lot - 1e-9)
    if nonconforming <= ac:
        with pytest.raises(BadReadings, match="always accepts"):
            isolated_lot(lot, limiting_quality=quality, ac=ac)
        return
    plan = isolated_lot(lot, limiting_quality=quality, ac=ac)

    assert plan.consumer_risk == pytest.approx(float(stats.hypergeom.cdf(ac, lot, nonconforming, plan.sample)))
    assert plan.consumer_risk <= 0.10
    assert plan.sample == ac + 1 or stats.hypergeom.cdf(ac, lot, nonconforming, plan.sample - 1) > 0.10


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="reduced plans of ISO 2859-1:1999 aren't at hand"):
        single_plan(100, aql_percent=1.0, edition="ISO 2859-1:1999", severity="reduced")
    with pytest.raises(BadReadings, match=r"no column for an AQL of 0.9"):
        single_plan(100, aql_percent=0.9, edition="MIL-STD-105E")
    with pytest.raises(BadReadings, match="no edition"):
        single_plan(100, aql_percent=1.0, edition="MIL-STD-105D")  # type: ignore[arg-type]
    with pytest.raises(BadReadings, match="no severity"):
        single_plan(100, aql_percent=1.0, edition="MIL-STD-105E", severity="loose")  # type: ignore[arg-type]
    with pytest.raises(BadReadings, match="no inspection level"):
        code_letter(100, level="IV")  # type: ignore[arg-type]
    with pytest.raises(BadReadings, match="from 2 on"):
        code_letter(1)
    with pytest.raises(BadReadings, match="limiting quality"):
        isolated_lot(100, limiting_quality=5.0)
