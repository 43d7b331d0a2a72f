"""Known cases of the arithmetic: positioning, statistics, uncertainty, decision, gauge study, sampling, life."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np

from stepwitness.installation.case import Case, Check, near, same
from stepwitness.installation.reference_data import REFERENCES, case, rows
from stepwitness.metrology import sequential_charts, tolerance
from stepwitness.metrology.anova import one_way
from stepwitness.metrology.binomial import clopper_pearson, demonstrated_reliability, demonstration_size
from stepwitness.metrology.budget import Input, Measurement, propagate
from stepwitness.metrology.capability import from_moments
from stepwitness.metrology.decision import Bell, conformity, guard_factor
from stepwitness.metrology.gauge_study import gauge_study
from stepwitness.metrology.life import fit_weibull, life_quantile
from stepwitness.metrology.operating_characteristic import accept_binomial
from stepwitness.metrology.pose import pose
from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.quantile_capability import percentile
from stepwitness.metrology.sampling import code_letter, single_plan
from stepwitness.metrology.statistics import Running

_POSITIONING_DIGITS = 1e-14
"""Results have 17 significant digits; a double keeps 15 to 16 of an input and loses one on the way."""

_UNIVARIATE = {
    # set: relative tolerance of mean and of sd; what is given for the sd is what double-precision input allows
    "PiDigits": (1e-14, 1e-14),
    "Lottery": (1e-14, 1e-14),
    "Lew": (1e-14, 1e-14),
    "Mavro": (1e-14, 1e-13),
    "NumAcc1": (1e-15, 1e-15),
    "NumAcc2": (1e-15, 1e-14),
    "NumAcc3": (1e-15, 1e-9),
    "NumAcc4": (1e-15, 1e-8),
}
_ANOVA = {"SiRstv": 1e-13, "SmLs01": 1e-14, "AtmWtAg": 1e-10, "SmLs05": 1e-9, "SmLs07": 2e-4}
"""Relative tolerance of F; leading digits of the later sets take what a double has."""


# -- positioning -----------------------------------------------------------------------------------------------------


def _positioning(name: str) -> Iterator[Check]:
    runs: dict[str, list[list[float]]] = {"up": [], "down": []}
    for row in rows(f"iso-230-2/{name}-data.csv"):
        runs[row["direction"]].append([float(row[f"run{run}_um"]) for run in range(1, 6)])
    found = positioning(runs["up"], runs["down"])
    for figure, due in case(f"iso-230-2/{name}-results.json")["axis"].items():
        yield near(
            f"{figure} / µm", due, getattr(found, figure), relative=_POSITIONING_DIGITS, absolute=_POSITIONING_DIGITS
        )


def _pose(_: Path) -> Iterator[Check]:
    attained = np.loadtxt(REFERENCES / "iso-9283" / "pose-data.csv", delimiter=",", skiprows=2)[:, 1:]
    found, due = pose(attained, command=[512.0, -128.0, 77.0]), case("iso-9283/pose-results.json")["results_3d"]
    yield near("accuracy AP / mm", due["AP_p_mm"], found.accuracy, relative=1e-11)
    yield near("repeatability RP / mm", due["RP_l_mm"], found.repeatability, relative=1e-11)


# -- statistics ------------------------------------------------------------------------------------------------------


def _univariate(_: Path) -> Iterator[Check]:
    certified = case("nist-strd/certified.json")["univariate"]
    for name, (of_mean, of_sd) in _UNIVARIATE.items():
        text = (REFERENCES / "nist-strd" / certified[name]["file"]).read_text(encoding="utf-8")
        body = text.split("digit\n")[-1] if "digit\n" in text else re.split(r"^-+\s*$", text, flags=re.M)[-1]
        running = Running([float(word) for word in body.split()])
        yield same(f"{name}: n", certified[name]["n"], running.n)
        yield near(f"{name}: mean", certified[name]["mean"], running.mean, relative=of_mean)
        yield near(f"{name}: standard deviation", certified[name]["sd"], running.sd, relative=of_sd)


def _analysis_of_variance(_: Path) -> Iterator[Check]:
    certified = case("nist-strd/certified-anova.json")["one_way_anova"]
    for name, relative in _ANOVA.items():
        groups: dict[str, list[float]] = {}
        text = (REFERENCES / "nist-strd" / certified[name]["file"]).read_text(encoding="utf-8")
        for line in text[text.rindex("Data:") :].splitlines()[1:]:
            if line.strip():
                treatment, value = line.split()
                groups.setdefault(treatment, []).append(float(Decimal(value)))
        found = one_way(list(groups.values()))
        yield same(f"{name}: degrees of freedom within", certified[name]["df_within"], found.within.degrees_of_freedom)
        yield near(f"{name}: F", certified[name]["f"], found.f, relative=relative)


def _ewma(_: Path) -> Iterator[Check]:
    told = case("spc/nist-ewma.json")
    chart = sequential_charts.ewma(
        [float(value) for value in told["data"]],
        centre=float(told["start"]),
        sd=float(told["s"]),
        weight=float(told["lambda"]),
        width=told["k"],
        steady=True,
    )
    yield near("last point", told["published_ewma_2dp"][-1], float(chart.path[-1]), absolute=0.0051)
    yield near("upper limit", told["published_UCL"], float(chart.upper[0]), absolute=2e-4)
    yield same("points out of control", told["published_out_of_control"], list(chart.alarms))


def _percentile(_: Path) -> Iterator[Check]:
    told = case("spc/nist-percentile.json")
    found = percentile([float(value) for value in told["data"]], float(told["p"]))
    yield near("90th percentile", told["published"], found, absolute=5e-5)


def _capability(_: Path) -> Iterator[Check]:
    told = case("spc/capability.json")
    found = from_moments(told["mean"], told["s"], n=50, degrees_of_freedom=49, lower=told["LSL"], upper=told["USL"])
    assert found.spread is not None, "there are two limits"
    yield near("Cp", told["published_from_memory"]["Cp"], found.spread.value, relative=1e-14)
    yield near("Cpk", told["computed"]["Cpk"], found.least.value, relative=1e-14)
    yield near(
        "share above the upper limit", told["computed"]["fraction_above_USL"], found.outside_upper, relative=1e-13
    )


# -- uncertainty and decision ----------------------------------------------------------------------------------------


def _end_gauge(_: Path) -> Iterator[Check]:
    told = case("gum/h1-end-gauge.json")
    inputs = tuple(
        Input(
            name,
            _leading(told["inputs"][name]["x"]),
            _leading(told["inputs"][name]["u"]),
            degrees_of_freedom=float(told["inputs"][name]["nu"]),
        )
        for name in ("l_S", "d", "alpha_S", "theta", "delta_alpha", "delta_theta")
    )
    measurement = Measurement(
        inputs,
        lambda standard, d, a, theta, da, dtheta: standard + d - standard * (da * theta + a * dtheta),
    )
    budget, published = propagate(measurement), told["published"]
    yield same("l / mm", published["l_mm"], f"{budget.value / 1e6:.6f}")
    yield near("u_c / nm", told["computed"]["u_c_nm"], budget.standard_uncertainty, relative=1e-8)
    yield same("u_c / nm, as published", published["u_c_nm"], round(budget.standard_uncertainty))
    yield same("effective degrees of freedom", published["nu_eff"], math.floor(budget.degrees_of_freedom))
    yield same("k for 99 %", published["k99"], round(budget.coverage_factor(0.99), 2))
    yield same("U for 99 % / nm", published["U99_nm"], round(budget.expanded_uncertainty(0.99)))


def _leading(text: str | float) -> float:
    return float(str(text).split(" ")[0])


def _guard_band(_: Path) -> Iterator[Check]:
    due = case("gum/conformity.json")["guard_band"]
    yield near("guard band of a risk of 5 %, in u", due["g_over_u"], guard_factor(0.05), relative=1e-12)
    yield near(
        "probability that −5.47 V ± 0.05 V keeps −5.4 V",
        0.92,
        conformity(Bell(-5.47, 0.05), upper=-5.40),
        absolute=5e-3,
    )


def _tolerance_factors(_: Path) -> Iterator[Check]:
    one_sided = tolerance.one_sided_factor(40, content=0.9, confidence=0.99)
    yield near("one-sided k, n = 40, 90 % at 99 %", 1.9017, one_sided, absolute=5e-5)
    two_sided = tolerance.two_sided_factor(10, content=0.95)
    yield near("two-sided k, n = 10, 95 % at 95 %", 3.393, two_sided, absolute=5e-4)
    least = tolerance.least_readings(content=0.95, side="upper")
    yield same("readings without a distribution, 95 % at 95 %", 59, least)


def _gauge_study(_: Path) -> Iterator[Check]:
    values = np.full((10, 3, 3), np.nan)
    for row in rows("gauge-study/crossed-10x3x3.csv"):
        values[int(row["part"]) - 1, "ABC".index(row["appraiser"]), int(row["trial"]) - 1] = float(row["value"])
    found, published = (
        gauge_study(values),
        case("gauge-study/crossed-10x3x3-results.json")["published_components_pooled"],
    )
    yield near("repeatability EV", published["EV"], found.repeatability.sd, absolute=5e-7)
    yield near("reproducibility AV", published["AV"], found.reproducibility.sd, absolute=5e-7)
    yield near("GRR", published["GRR"], found.grr.sd, relative=1e-5)
    yield near("GRR / %", published["pct_GRR"], found.grr.percent, absolute=0.05)
    yield same("distinct categories", published["ndc"], found.distinct)


# -- sampling and life -----------------------------------------------------------------------------------------------


def _sampling(_: Path) -> Iterator[Check]:
    columns = {"S1": "S-1", "S2": "S-2", "S3": "S-3", "S4": "S-4", "I": "I", "II": "II", "III": "III"}
    letters = [
        (row[column], code_letter(int(row["lot_min"]), level=level))  # type: ignore[arg-type]
        for row in rows("sampling/code-letters.csv")
        for column, level in columns.items()
    ]
    yield same("code letters that differ from the table", 0, sum(due != found for due, found in letters))
    plan = single_plan(1000, aql_percent=1.0, edition="MIL-STD-105E", severity="normal")
    yield same("lot of 1000, AQL 1.0: letter, n, Ac, Re", ("J", 80, 2, 3), (plan.letter, plan.sample, plan.ac, plan.re))
    plan = single_plan(1000, aql_percent=0.25, edition="MIL-STD-105E", severity="normal")
    yield same("the same at AQL 0.25, by its arrow", ("H", 50, 0, 1), (plan.letter, plan.sample, plan.ac, plan.re))
    checkpoint = case("sampling/oc-checkpoints.json")["plans"][0]
    for fraction, due in checkpoint["Pa_binomial"].items():
        found = float(accept_binomial(checkpoint["n"], checkpoint["Ac"], [float(fraction)])[0])
        yield near(
            f"accepted by n = {checkpoint['n']}, Ac = {checkpoint['Ac']} at {fraction}", due, found, relative=1e-11
        )


def _success_run(_: Path) -> Iterator[Check]:
    told = case("sampling/success-run.json")
    for row in told["success_run"]:
        reliability, confidence = float(row["R"]), float(row["C"])
        n = demonstration_size(reliability=reliability, confidence=confidence)
        yield same(f"units for R = {row['R']} at C = {row['C']}", int(row["n_zero_failures"]), n)
        yield near(
            f"reliability shown by {n}",
            row["R_shown_lower_bound"],
            demonstrated_reliability(n=n, confidence=confidence),
            relative=1e-13,
        )
    for row in told["clopper_pearson"]:
        x, n = int(row["successes"]), int(row["n"])
        low, high = row["two_sided_95"]
        found = clopper_pearson(x, n)
        yield near(f"lower bound of {x} in {n}", low, found.low, relative=1e-12)
        yield near(f"upper bound of {x} in {n}", high, found.high, relative=1e-12)


def _lives(_: Path) -> Iterator[Check]:
    told = case("life/weibull-kaplan-meier.json")["weibull_complete"]
    fit = fit_weibull([float(value) for value in told["data"]])
    yield near("shape", told["published"]["shape"], fit.shape, absolute=5e-4)
    yield near("scale", told["published"]["scale"], fit.scale, absolute=5e-3)
    yield near("B10 life", told["computed"]["B10_life"], life_quantile(fit, 0.1).value, relative=1e-12)


CASES = (
    Case(
        "positioning, case 1: 11 targets × 5 runs × 2 directions",
        "ISO 230-2:2014, formulas in our words; invented data, results by exact rationals and 40 digits",
        lambda _: _positioning("case1"),
    ),
    Case(
        "positioning, case 2: 5 targets, by hand",
        "ISO 230-2:2014, formulas in our words; invented data, results by exact rationals and 40 digits",
        lambda _: _positioning("case2"),
    ),
    Case("pose accuracy and repeatability", "ISO 9283:1998, formulas from memory; invented data, 40 digits", _pose),
    Case("mean and standard deviation", "NIST/ITL Statistical Reference Datasets, univariate, certified", _univariate),
    Case(
        "analysis of variance",
        "NIST/ITL Statistical Reference Datasets, one-way, certified",
        _analysis_of_variance,
    ),
    Case("EWMA chart", "NIST/SEMATECH e-Handbook 6.3.2.4, published", _ewma),
    Case("percentile", "NIST/SEMATECH e-Handbook 7.2.5.2, published", _percentile),
    Case("capability", "NIST/SEMATECH e-Handbook 6.1.6, from memory; further digits computed", _capability),
    Case("end-gauge calibration", "JCGM 100:2008, example H.1, published", _end_gauge),
    Case("conformity and guard band", "JCGM 106:2012 and ISO 14253-1:2017, from memory; digits computed", _guard_band),
    Case(
        "tolerance factors",
        "public tables of exact factors; NIST/SEMATECH e-Handbook 7.2.6.3 and Wilks 1941, from memory",
        _tolerance_factors,
    ),
    Case(
        "crossed gauge study, 10 × 3 × 3",
        "automotive Measurement Systems Analysis manual, 4th edition, tables III-B 7 and 8, published",
        _gauge_study,
    ),
    Case("acceptance sampling", "MIL-STD-105E tables I and II-A; binomial points computed", _sampling),
    Case("reliability by success runs", "closed form; Clopper and Pearson 1934, computed", _success_run),
    Case("ball-bearing lives", "Lieblein and Zelen 1956, published", _lives),
)
