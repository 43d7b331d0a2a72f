"""Operating characteristics: monotony, limits between models, two-point plans, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology import operating_characteristic as oc
from stepwitness.metrology.statistics import BadReadings

plans = st.integers(1, 150).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, min(n, 12))))


@given(plans)
def test_worse_quality_is_accepted_less(plan: tuple[int, int]) -> None:
    n, ac = plan
    curve = oc.accept_binomial(n, ac, np.linspace(0.0, 1.0, 60))
    lot = oc.accept_hypergeometric(n, ac, np.arange(0, 301, 5), lot_size=300)

    assert np.all(np.diff(curve) <= 1e-12)
    assert np.all(np.diff(lot) <= 1e-12)
    assert np.all(np.diff(oc.accept_poisson(n, ac, np.linspace(0.0, 2.0, 60))) <= 1e-12)
    assert curve[0] == lot[0] == 1.0


@given(plans, st.floats(0.01, 0.99))
def test_a_quality_and_its_acceptance_are_inverse(plan: tuple[int, int], chance: float) -> None:
    n, ac = plan
    if ac < n:
        quality = oc.quality_accepted(n, ac, probability_of_acceptance=chance)
        assert float(oc.accept_binomial(n, ac, [quality])[0]) == pytest.approx(chance, abs=1e-9)


def test_a_great_lot_is_a_process() -> None:
    lot = oc.accept_hypergeometric(80, 2, [1000, 5000], lot_size=100_000)
    process = oc.accept_binomial(80, 2, [0.01, 0.05])

    assert lot.tolist() == pytest.approx(process.tolist(), abs=1e-3)


def test_whole_lot_inspection_is_certain() -> None:
    assert oc.accept_hypergeometric(20, 1, [1, 2], lot_size=20).tolist() == [1.0, 0.0]


@pytest.mark.parametrize(("good", "bad"), [(0.01, 0.08), (0.001, 0.02), (0.02, 0.05)])
def test_two_point_plans_are_the_smallest(good: float, bad: float) -> None:
    plan = oc.two_point_plan(good=good, bad=bad)

    assert plan.producer_risk == pytest.approx(float(stats.binom.sf(plan.ac, plan.n, good)))
    assert plan.producer_risk <= 0.05
    assert plan.consumer_risk <= 0.10
    assert stats.binom.cdf(plan.ac, plan.n - 1, bad) > 0.10
    if plan.ac:
        n = 1
        while stats.binom.cdf(plan.ac - 1, n, bad) > 0.10:
            n += 1
        assert stats.binom.sf(plan.ac - 1, n, good) > 0.05


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="from 0 to 1 is due"):
        oc.accept_binomial(10, 0, [1.1])
    with pytest.raises(BadReadings, match="reading 0 is nan"):
        oc.accept_poisson(10, 0, [float("nan")])
    with pytest.raises(BadReadings, match="acceptance number of 11"):
        oc.accept_binomial(10, 11, [0.1])
    with pytest.raises(BadReadings, match="sample of 30 from a lot of 20"):
        oc.accept_hypergeometric(30, 0, [1], lot_size=20)
    with pytest.raises(BadReadings, match="whole numbers"):
        oc.accept_hypergeometric(3, 0, [1.5], lot_size=20)
    with pytest.raises(BadReadings, match="isn't below"):
        oc.two_point_plan(good=0.1, bad=0.1)
    with pytest.raises(BadReadings, match="accepts everything"):
        oc.quality_accepted(3, 3, probability_of_acceptance=0.5)
