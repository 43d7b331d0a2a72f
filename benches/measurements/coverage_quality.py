"""Do 95 % intervals hold the truth 95 % of the time? 10,000 trials each, of processes whose truth is known.

    python benches/measurements/coverage_quality.py [--trials 10000] [--only NAME]

Prints a table: what was tried, with which truth, how often the interval held it (aim: 93.5 to 96.5 %), on which side it
missed, and beside it a method that was tried and left, with how often that one held. Seeded, so a run can be repeated;
a block of trials at a time, so memory stays flat. Intervals come from the library's own functions, one call a trial,
save where a line says otherwise.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from stepwitness.metrology import agreement, binomial, capability, gauge_study, life, tolerance, weibull_fit
from stepwitness.metrology.inputs import Interval
from stepwitness.metrology.quantile_capability import OUTER, Shape, quantile_performance

LOWEST, HIGHEST = 93.5, 96.5
Draw = np.random.Generator


@dataclass(frozen=True)
class Line:
    """One row: `trials` intervals, of which so many lay `below` the truth and `above` it; a rival's coverage beside."""

    figure: str
    truth: str
    trials: int
    below: int
    above: int
    rival: str = ""
    rival_held: float = math.nan
    guarantee: bool = False

    @property
    def held(self) -> float:
        """Percent of trials whose interval held the truth."""
        return 100.0 * (1.0 - (self.below + self.above) / self.trials)

    @property
    def within_aim(self) -> bool:
        """Whether that is between 93.5 and 96.5 %; a guarantee may hold oftener."""
        return self.held >= LOWEST and (self.guarantee or self.held <= HIGHEST)


def tally(figure: str, truth: str, intervals: Iterator[tuple[Interval, float]], **more: object) -> Line:
    """Count intervals against the truth of each."""
    trials = below = above = 0
    for interval, true in intervals:
        trials += 1
        below += interval.high < true
        above += interval.low > true
    return Line(figure, truth, trials, below, above, **more)  # type: ignore[arg-type]


# -- capability ----------------------------------------------------------------------------------------------------


def ppk(draw: Draw, trials: int) -> Iterator[Line]:
    """Ppk of normal readings; the rival is a generalized pivotal interval of the lesser index, 2000 draws a trial."""
    for n, mean, half in ((10, 0.0, 4.0), (30, 0.0, 4.0), (30, 0.0, 2.5), (30, 1.0, 5.0), (100, 0.3, 4.0)):
        true = (half - abs(mean)) / 3.0
        means = mean + draw.standard_normal(trials) / math.sqrt(n)
        sds = np.sqrt(draw.chisquare(n - 1, trials) / (n - 1))
        z, w = draw.standard_normal(2000), np.sqrt((n - 1) / draw.chisquare(n - 1, 2000))
        held = 0
        for x, s in zip(means[:2000], sds[:2000], strict=True):
            sigma = s * w
            share = float(np.mean((half - np.abs(x + z * sigma / math.sqrt(n))) / (3.0 * sigma) <= true))
            held += 0.025 <= share <= 0.975
        yield tally(
            "Ppk",
            f"{true:.3f}, n = {n}, mean off by {mean} sd",
            (
                (
                    capability.from_moments(
                        x, s, n=n, degrees_of_freedom=n - 1, lower=-half, upper=half
                    ).least.interval,
                    true,
                )
                for x, s in zip(means.tolist(), sds.tolist(), strict=True)
            ),
            rival="generalized pivotal",
            rival_held=100.0 * held / min(trials, 2000),
        )


def ppk_by_quantiles(draw: Draw, trials: int) -> Iterator[Line]:
    """Ppk of skew readings by quantiles; each trial is a bootstrap of its own."""
    cases: tuple[tuple[Shape, int, Callable[[np.ndarray], np.ndarray]], ...] = (
        ("lognormal", 20, lambda p: np.exp(0.4 * special.ndtri(p))),
        ("lognormal", 100, lambda p: np.exp(0.4 * special.ndtri(p))),
        ("weibull", 30, lambda p: np.sqrt(-np.log1p(-p))),
        ("rayleigh", 30, lambda p: np.sqrt(-np.log1p(-p))),
    )
    for shape, n, quantile in cases:
        mid, high = quantile(np.array([0.5, 1.0 - OUTER]))
        upper = float(mid + 1.3 * (high - mid))
        yield tally(
            "Ppk by quantiles",
            f"1.300, {shape}, n = {n}",
            (
                (quantile_performance(quantile(draw.random(n)), shape=shape, upper=upper, seed=trial).ppk_interval, 1.3)
                for trial in range(trials)
            ),
        )


# -- gauge ---------------------------------------------------------------------------------------------------------


def grr(draw: Draw, trials: int) -> Iterator[Line]:
    """%GRR of crossed studies; the rival is Leiva and Graybill's modified large-sample interval of the same ratio."""
    for shape, truth in (
        ((10, 3, 3), (1.0, 0.05, 0.00, 0.04)),
        ((10, 3, 3), (1.0, 0.05, 0.02, 0.04)),
        ((10, 3, 2), (1.0, 0.30, 0.10, 0.10)),
        ((20, 3, 2), (1.0, 0.05, 0.02, 0.04)),
        ((10, 6, 3), (1.0, 0.02, 0.01, 0.05)),
    ):
        true = 100.0 * math.sqrt(sum(truth[1:]) / sum(truth))
        counts = {"rival": 0}

        def studies(
            shape: tuple[int, int, int] = shape,
            truth: tuple[float, ...] = truth,
            true: float = true,
            counts: dict[str, int] = counts,
        ) -> Iterator[tuple[Interval, float]]:
            p, o, r = shape
            for _ in range(trials):
                y = math.sqrt(truth[0]) * draw.standard_normal((p, 1, 1))
                y = y + math.sqrt(truth[1]) * draw.standard_normal((1, o, 1))
                y = y + math.sqrt(truth[2]) * draw.standard_normal((p, o, 1))
                y = y + math.sqrt(truth[3]) * draw.standard_normal((p, o, r))
                study = gauge_study.gauge_study(y)
                low, high = modified_large_sample(study)
                counts["rival"] += low <= true <= high
                yield study.grr_percent, true

        line = tally(
            "%GRR",
            f"{true:.1f} %, {'×'.join(map(str, shape))}, interaction {truth[2]}",
            studies(),
            rival="modified large sample",
        )
        yield Line(**{**line.__dict__, "rival_held": 100.0 * counts["rival"] / trials})


def modified_large_sample(study: gauge_study.GaugeStudy) -> tuple[float, float]:
    """%GRR by the bounds of part over gauge variance (Leiva and Graybill 1986, from memory), interaction kept."""
    t = study.table
    p, o, r = t.rows, t.columns, t.replicates
    part, appraiser = t.row.mean_square, t.column.mean_square
    crossing, error = t.interaction.mean_square, t.error.mean_square
    df = (p - 1, (p - 1) * (o - 1))
    bounds = []
    for tail in (0.975, 0.025):
        g = float(stats.chi2.ppf(tail, p - 1)) / (p - 1)
        against, share = float(stats.f.ppf(tail, *df)), float(stats.f.ppf(tail, p - 1, o - 1))
        rest = p * o * (r - 1) * error + o / g * share * appraiser + o * (p - 1) * crossing
        bounds.append(max(0.0, p / g * (part - against * crossing) / rest))
    return 100.0 / math.sqrt(1.0 + bounds[1]), 100.0 / math.sqrt(1.0 + bounds[0])


def agree(draw: Draw, trials: int) -> Iterator[Line]:
    """The upper limit of agreement; the rival is the symmetrical interval in wide use."""
    z = float(special.ndtri(0.975))
    for n in (5, 10, 30):
        differences = 0.3 + draw.standard_normal((trials, n))
        size = draw.standard_normal((trials, n))
        limit = 0.3 + z
        mean, sd = differences.mean(axis=1), differences.std(axis=1, ddof=1)
        half = stats.t.ppf(0.975, n - 1) * sd * math.sqrt(1.0 / n + z * z / (2.0 * (n - 1)))
        yield tally(
            "limit of agreement",
            f"n = {n} pairs",
            (
                (agreement.limits_of_agreement(a + d, a).upper_interval, limit)
                for a, d in zip(size, differences, strict=True)
            ),
            rival="symmetrical, t and root",
            rival_held=100.0 * float(np.mean(np.abs(mean + z * sd - limit) <= half)),
        )
    for n, r, between in ((10, 3, 1.0), (20, 2, 0.2)):
        limit = 0.3 + z * math.sqrt(1.0 + between)

        def intervals(
            n: int = n, r: int = r, between: float = between, limit: float = limit
        ) -> Iterator[tuple[Interval, float]]:
            for _ in range(trials):
                d = 0.3 + math.sqrt(between) * draw.standard_normal((n, 1)) + draw.standard_normal((n, r))
                yield agreement.replicated_agreement(d, np.zeros_like(d)).upper_interval, limit

        yield tally("limit, replicated", f"{n} units × {r}, between {between}", intervals())


# -- tolerance and fractions -----------------------------------------------------------------------------------------


def content(draw: Draw, trials: int) -> Iterator[Line]:
    """How often a tolerance interval holds its content; the rival takes k as if mean and sd were known."""
    for n, due in ((5, 0.90), (10, 0.95), (30, 0.99)):
        k = tolerance.two_sided_factor(n, content=due)
        mean = draw.standard_normal(trials) / math.sqrt(n)
        sd = np.sqrt(draw.chisquare(n - 1, trials) / (n - 1))
        held = special.ndtr(mean + k * sd) - special.ndtr(mean - k * sd) >= due
        plain = float(special.ndtri((1.0 + due) / 2))
        naive = special.ndtr(mean + plain * sd) - special.ndtr(mean - plain * sd) >= due
        missed = int(np.sum(~held))
        yield Line(
            "tolerance interval",
            f"{100 * due:.0f} % of units, n = {n}",
            trials,
            missed,
            0,
            "k of known mean and sd",
            100.0 * float(np.mean(naive)),
        )
        k = tolerance.one_sided_factor(n, content=due)
        missed = int(np.sum(special.ndtr(mean + k * sd) < due))
        yield Line("tolerance, one-sided", f"{100 * due:.0f} % of units, n = {n}", trials, missed, 0)
    values = draw.random((trials, 93))
    held = values.max(axis=1) - values.min(axis=1) >= 0.95
    yield Line("tolerance, any distribution", "95 % of units, n = 93", trials, int(np.sum(~held)), 0, guarantee=True)


def fractions(draw: Draw, trials: int) -> Iterator[Line]:
    """Clopper-Pearson at fixed fractions, a guarantee; and mid-P over fractions from 5 to 50 %, on average.

    With few units no interval of a count can hold a fixed fraction as often as stated and not oftener: 20 units have 21
    intervals. So an interval that isn't a guarantee is judged on average over fractions.
    """
    for n, true in ((20, 0.1), (59, 0.02), (200, 0.3), (5000, 0.3)):
        counts = draw.binomial(n, true, trials)
        known = {int(x): binomial.clopper_pearson(int(x), n) for x in np.unique(counts)}
        yield tally("Clopper-Pearson", f"{true}, n = {n}", ((known[int(x)], true) for x in counts), guarantee=True)
    for n in (20, 59, 200):
        truths = draw.uniform(0.05, 0.5, trials)
        counts = draw.binomial(n, truths)
        known = {int(x): binomial.mid_p(int(x), n) for x in np.unique(counts)}
        exact = {int(x): binomial.clopper_pearson(int(x), n) for x in np.unique(counts)}
        yield tally(
            "mid-P",
            f"0.05 to 0.5, n = {n}",
            ((known[int(x)], float(true)) for x, true in zip(counts, truths, strict=True)),
            rival="Clopper-Pearson",
            rival_held=100.0 * float(np.mean([true in exact[int(x)] for x, true in zip(counts, truths, strict=True)])),
        )


# -- life ----------------------------------------------------------------------------------------------------------


def life_quantiles(draw: Draw, trials: int) -> Iterator[Line]:
    """Likelihood-ratio intervals of Weibull quantiles; the rival takes the critical value from chi-square.

    The interval holds the truth where the truth's likelihood ratio is below the critical value, so no bound is
    searched. Tests stopped by a failure have one critical value; those stopped by time have one for each fitted
    fraction failed, which is interpolated here between 13 fractions.
    """
    chi = float(stats.chi2.ppf(0.95, 1))
    for n, failures, p in ((23, 23, 0.1), (20, 10, 0.1), (20, 5, 0.1), (10, 5, 0.01), (30, 3, 0.1)):
        x = np.sort(np.log(draw.standard_exponential((trials, n))), axis=1)
        x[:, failures:] = x[:, [failures - 1]]
        d = np.broadcast_to((np.arange(n) < failures).astype(float), x.shape)
        reduced = math.log(-math.log1p(-p))
        ratio, above = _ratio(x, d, reduced)
        pattern = (0,) * (failures - 1) + (n - failures,)
        critical = life.pattern_critical(pattern, reduced, 0.95, 1)
        yield _life_line(f"B{100 * p:g}, {failures} of {n} failed, stopped by failure", ratio, above, critical, chi)
    for n, fraction, p in ((20, 0.3, 0.1), (10, 0.7, 0.1), (10, 0.9, 0.5), (10, 0.97, 0.1)):
        end = math.log(-math.log1p(-fraction))
        x = np.log(draw.standard_exponential((trials, n)))
        d = (x <= end).astype(float)
        x, enough = np.minimum(x, end), d.sum(axis=1) >= 2.0
        x, d = x[enough], d[enough]
        reduced = math.log(-math.log1p(-p))
        ratio, above = _ratio(x, d, reduced)
        location, b = weibull_fit.fit_logs(x, d)
        ends = np.log(-np.log1p(-np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.995, 0.9999])))
        criticals = [life.time_critical((float(at),) * n, reduced, 0.95, 1) for at in ends]
        fitted = np.interp(b * (end - location), ends, criticals)
        yield _life_line(f"B{100 * p:g}, {n} units to a time of {100 * fraction:.0f} %", ratio, above, fitted, chi)


def _ratio(x: np.ndarray, d: np.ndarray, reduced: float) -> tuple[np.ndarray, np.ndarray]:
    """Likelihood ratio of the true quantile, and whether the fitted one lies above it."""
    location, b = weibull_fit.fit_logs(x, d)
    top = weibull_fit.log_likelihood(x, d, location, b)
    held = weibull_fit.likelihood_at_quantile(x, d, np.full(len(x), reduced), reduced)
    return 2.0 * (top - held), location + reduced / b > reduced


def _life_line(truth: str, ratio: np.ndarray, above: np.ndarray, critical: np.ndarray | float, chi: float) -> Line:
    missed = ratio > critical
    below, over = int(np.sum(missed & ~above)), int(np.sum(missed & above))
    rival = 100.0 * float(np.mean(ratio <= chi))
    return Line("Weibull quantile", truth, len(ratio), below, over, "chi-square value", rival)


STUDIES: dict[str, Callable[[Draw, int], Iterator[Line]]] = {
    "ppk": ppk,
    "ppk-quantiles": ppk_by_quantiles,
    "grr": grr,
    "agreement": agree,
    "tolerance": content,
    "fractions": fractions,
    "life": life_quantiles,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--only", choices=STUDIES)
    arguments = parser.parse_args()
    begun = time.perf_counter()
    print(f"{'interval of':28}{'truth':46}{'trials':>7}{'held %':>8}{'too low':>9}{'too high':>9}   left behind")
    for name, study in STUDIES.items():
        if arguments.only in (None, name):
            draw = np.random.default_rng([20, len(name), sum(map(ord, name))])
            for line in study(draw, arguments.trials):
                rival = f"{line.rival} {line.rival_held:.1f}" if line.rival else ""
                low, high = (100.0 * part / line.trials for part in (line.below, line.above))
                mark = "" if line.within_aim else "  <- outside 93.5 to 96.5"
                print(
                    f"{line.figure:28}{line.truth:46}{line.trials:7}{line.held:8.2f}{low:9.2f}{high:9.2f}   "
                    f"{rival}{mark}",
                    flush=True,
                )
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
