"""A quick run of the coverage study of the benches: few trials, and a binomial acceptance wide enough for a fixed seed.

A line fails where a method that holds 93.5 to 96.5 % would do so once in a hundred thousand; the study with 10,000
trials is `benches/measurements/coverage_quality.py`.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy import stats

from stepwitness.metrology import life, weibull_fit

STUDY = Path(__file__).parents[2] / "benches" / "measurements" / "coverage_quality.py"
TRIALS = {
    "ppk": 400,
    "ppk-quantiles": 60,
    "grr": 200,
    "agreement": 200,
    "tolerance": 2000,
    "fractions": 2000,
    "life": 1500,
}
UNLIKELY = 1e-5


@pytest.fixture(scope="module")
def study() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("coverage_quality_study", STUDY)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # a dataclass looks its module up by name
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.mark.parametrize("name", TRIALS)
def test_intervals_hold_what_they_say(study: ModuleType, name: str) -> None:
    lines = list(study.STUDIES[name](np.random.default_rng(2024), TRIALS[name]))

    assert lines
    for line in lines:
        held = line.trials - line.below - line.above
        assert held >= stats.binom.ppf(UNLIKELY, line.trials, 0.935), line
        if not line.guarantee:
            assert held <= stats.binom.isf(UNLIKELY, line.trials, 0.965), line


def test_every_study_is_run(study: ModuleType) -> None:
    assert TRIALS.keys() == study.STUDIES.keys()


def test_methods_that_were_left_would_be_caught(study: ModuleType) -> None:
    """The chi-square value with 5 of 20 failed misses the aim, so the acceptance above isn't too wide to see it."""
    lines = list(study.life_quantiles(np.random.default_rng(3), 3000))
    left = next(line for line in lines if "5 of 20 failed" in line.truth)

    assert left.rival_held / 100.0 * left.trials < stats.binom.ppf(UNLIKELY, left.trials, 0.935)
    assert left.held > 93.5


def test_the_shortcut_of_the_life_study_is_the_interval_itself(study: ModuleType) -> None:
    """The study asks whether the truth's likelihood ratio is below the critical value; the library searches bounds."""
    draw = np.random.default_rng(4)
    for trial in range(25):
        lives = np.sort(draw.weibull(1.0, 12))
        failed = np.arange(12) < 6
        lives[6:] = lives[5]
        fit = life.fit_weibull(lives, failed, stopped_by="failure")
        interval = life.life_quantile(fit, 0.1).interval
        reduced = float(np.log(-np.log(0.9)))
        x, d = np.log(lives)[np.newaxis, :], failed.astype(float)[np.newaxis, :]
        ratio, _ = study._ratio(x, d, reduced)
        held = ratio[0] <= life.pattern_critical((0,) * 5 + (6,), reduced, 0.95, 1)
        assert held == (float(np.exp(reduced)) in interval), trial


def test_fits_of_many_rows_are_those_of_one() -> None:
    x = np.log(np.random.default_rng(5).weibull(2.0, (7, 15)))
    location, b = weibull_fit.fit_logs(x, np.ones_like(x))
    for row in range(7):
        fit = life.fit_weibull(np.exp(x[row]))
        assert fit.shape == pytest.approx(b[row], rel=1e-9)
        assert float(np.log(fit.scale)) == pytest.approx(location[row], rel=1e-9)
