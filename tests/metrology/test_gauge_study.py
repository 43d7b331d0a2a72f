"""Gauge study: invariants, pooling, what a useless gauge looks like, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from stepwitness.metrology.gauge_study import GaugeStudy, gauge_study
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def study(
    *, part: float = 1.0, appraiser: float = 0.2, crossing: float = 0.0, error: float = 0.2, seed: int = 1
) -> np.ndarray:
    draw = np.random.default_rng(seed)
    values = part * draw.standard_normal((10, 1, 1)) + appraiser * draw.standard_normal((1, 3, 1))
    return values + crossing * draw.standard_normal((10, 3, 1)) + error * draw.standard_normal((10, 3, 3))


def figures(result: GaugeStudy) -> list[float]:
    return [result.grr.percent, result.classes, result.grr_percent.low, result.grr_percent.high]


def test_shift_unit_and_order_change_nothing() -> None:
    plain = gauge_study(study())
    moved = gauge_study(1e-6 * (study()[::-1, [2, 0, 1], ::-1] + 1000.0))

    assert figures(moved) == pytest.approx(figures(plain), rel=1e-7)
    assert moved.grr.sd == pytest.approx(1e-6 * plain.grr.sd, rel=1e-7)


def test_intervals_hold_their_values_and_widen() -> None:
    usual, sure = gauge_study(study()), gauge_study(study(), confidence=0.99)

    for component in (usual.repeatability, usual.part, usual.grr, usual.total):
        assert component.sd in component.interval
    assert sure.grr_percent.low < usual.grr_percent.low < usual.grr.percent < usual.grr_percent.high
    assert sure.grr_percent.high > usual.grr_percent.high


def test_the_same_study_has_the_same_interval() -> None:
    assert figures(gauge_study(study())) == figures(gauge_study(study()))


def test_repeatability_interval_is_the_chi_square_one() -> None:
    """√(ν s²/χ²) with ν = 60 (interaction kept): 0.8486 and 1.2175 times s (tables of χ² with 60 degrees)."""
    result = gauge_study(study(), pooling="never")
    low, high = result.repeatability.interval.low, result.repeatability.interval.high

    assert low / result.repeatability.sd == pytest.approx((60.0 / 83.298) ** 0.5, rel=2e-3)
    assert high / result.repeatability.sd == pytest.approx((60.0 / 40.482) ** 0.5, rel=2e-3)


def test_interaction_is_pooled_by_its_test() -> None:
    with_interaction, without = study(crossing=0.6), study()

    assert not gauge_study(with_interaction).pooled
    assert gauge_study(with_interaction).interaction.sd == pytest.approx(0.6, abs=0.2)
    assert gauge_study(without, pooling="always").interaction.variance == 0.0
    assert gauge_study(without, pooling="never").pooled is False


def test_a_gauge_that_sees_nothing() -> None:
    result = gauge_study(study(part=0.0, error=1.0))

    assert result.distinct == 1
    assert result.grr.percent > 90.0
    assert result.grr_percent.high == pytest.approx(100.0, abs=1e-9)


def test_a_negative_component_is_shown_and_not_used() -> None:
    values = study()
    alike = values - values.mean(axis=(0, 2), keepdims=True)
    result = gauge_study(alike, pooling="never")

    assert result.reproducibility.unbounded < 0.0
    assert result.reproducibility.variance == 0.0


def test_share_of_the_tolerance() -> None:
    result = gauge_study(study(), lower=-5.0, upper=5.0)

    assert result.of_tolerance == pytest.approx(60.0 * result.grr.sd)
    assert result.of_tolerance_interval is not None
    assert result.of_tolerance_interval.high == pytest.approx(60.0 * result.grr.interval.high)
    assert gauge_study(study()).of_tolerance is None


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="resolution hides"):
        gauge_study(np.repeat(np.round(study()[:, :, :1]), 3, axis=2))
    with pytest.raises(BadReadings, match="isn't a positive number"):
        gauge_study(study(), upper=5.0)
    with pytest.raises(BadReadings, match="axes are due"):
        gauge_study(study()[:, :, 0])
    broken = study()
    broken[2, 1, 0] = np.nan
    with pytest.raises(BadReadings, match=r"reading \(2, 1, 0\) is nan"):
        gauge_study(broken)
