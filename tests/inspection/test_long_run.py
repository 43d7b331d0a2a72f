"""Streams of lots from a simulated supplier: what share is accepted, against the operating characteristic computed.

Every lot is drawn and judged by the code that a real one goes through; units are numbers here. The study of the whole
series, against a chain of its own, is ``benches/measurements/lot_stream.py``.
"""

from __future__ import annotations

import math
from random import Random

import pytest

from stepwitness.findings import Characteristic, Figure, Limit
from stepwitness.inspection.description import Sampling
from stepwitness.inspection.sampling import sample_plan
from stepwitness.inspection.sentence import Outcome, Sentence, Unit, judged_lot
from stepwitness.inspection.serials import drawn
from stepwitness.metrology.operating_characteristic import accept_binomial
from stepwitness.metrology.sampling import Edition
from stepwitness.metrology.switching import Stage
from stepwitness.metrology.variables_sampling import accept_two_limits
from stepwitness.plan.description import Measured
from stepwitness.quantities import Kind
from stepwitness.serials import expanded

SERIALS = expanded("FS-001 to FS-120")
Z = 4.0
"""Standard errors that a share may lie off; the seeds are fixed."""


def share_accepted(plan, sampling: Sampling, lots: int, unit, *, seed: int) -> float:
    chance, accepted = Random(seed), 0
    for number in range(lots):
        quality = {serial: unit(chance) for serial in SERIALS}
        units = [quality[serial] for serial in drawn(SERIALS, plan.sample, 1000 * seed + number)]
        accepted += judged_lot(plan, sampling, units).sentence is Sentence.ACCEPTED
    return accepted / lots


def by_attributes(fraction: float):
    def unit(chance: Random) -> Unit:
        outcome = Outcome.NONCONFORMING if chance.random() < fraction else Outcome.CONFORMING
        return Unit("", outcome, outcome, {})

    return unit


@pytest.mark.parametrize("edition", ["ISO 2859-1:1999", "MIL-STD-105E"])
@pytest.mark.parametrize("stage", [Stage.NORMAL, Stage.TIGHTENED])
@pytest.mark.parametrize("times_aql", [1.0, 3.0])
def test_the_share_accepted_is_that_of_the_binomial(edition: Edition, stage: Stage, times_aql: float) -> None:
    sampling, lots = Sampling(edition, "II", 2.5), 1500
    plan = sample_plan(sampling, len(SERIALS), stage)
    fraction = times_aql * 0.025
    due = float(accept_binomial(plan.sample, plan.attributes.re - 1, [fraction])[0])
    found = share_accepted(plan, sampling, lots, by_attributes(fraction), seed=5)
    assert found == pytest.approx(due, abs=Z * math.sqrt(due * (1 - due) / lots))


@pytest.mark.parametrize("times_aql", [1.0, 4.0])
def test_the_share_accepted_by_variables_is_that_of_two_limits(times_aql: float) -> None:
    characteristic = Characteristic(
        "offset", "offset", Kind.TRAVEL, "um", "own definition", "an offset", magnitude=True, figure=Figure.MEAN
    )
    measured = Measured("sway", Limit(characteristic, 25e-6, "um", "25 um"))
    sampling, lots = Sampling("ISO 2859-1:1999", "II", 2.5, (measured,)), 1000
    plan = sample_plan(sampling, len(SERIALS), Stage.NORMAL)
    assert plan.variables is not None
    fraction, sd = times_aql * 0.025, 4e-6
    from scipy import stats

    mean = 25e-6 - stats.norm.isf(fraction) * sd  # so far from the lower limit that nothing lies beyond it

    def unit(chance: Random) -> Unit:
        return Unit("", Outcome.CONFORMING, Outcome.CONFORMING, {"sway.offset": chance.gauss(mean, sd)})

    due = accept_two_limits(plan.variables.n, plan.variables.k, fraction_lower=1e-12, fraction_upper=fraction)
    found = share_accepted(plan, sampling, lots, unit, seed=7)
    assert found == pytest.approx(due, abs=Z * math.sqrt(due * (1 - due) / lots))
