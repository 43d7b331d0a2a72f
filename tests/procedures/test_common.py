"""What lengths owe to temperature and alignment, by the bench file, in budgets and in values."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription, Warmth
from stepwitness.bench.model import parse_bench
from stepwitness.procedures import repeatability, screw_errors
from stepwitness.procedures.common import expansion_of, of_length, shared

WARM = Warmth(above_reference_k=4.0, within_k=0.5, expansion_per_k=11.5e-6, expansion_within_per_k=1e-6)


@pytest.fixture(scope="module")
def warm(doser: BenchDescription) -> BenchDescription:
    assert doser.gauge is not None
    askew = replace(doser.gauge, alignment_turns=0.5 / 360, abbe_offset_m=0.02, tilt_turns=1e-5 / (2 * math.pi))
    return replace(doser, gauge=askew, warmth=WARM)


def test_each_contribution_by_hand(warm: BenchDescription) -> None:
    """Rectangular half-widths over √3: 0.1 m × 11.5 ppm/K × 0.5 K, 0.1 m × 4 K × 1 ppm/K, 20 mm × 10 µrad; cosine
    error θ²/2 of a rectangular θ within 0.5° has the root mean square a²/√20."""
    found = dict(line[:2] for line in of_length(warm, "gauge_m", 0.1))
    angle = math.radians(0.5)
    assert found == {
        "temperature of the axis": pytest.approx(0.1 * 11.5e-6 * 0.5 / 3**0.5),
        "coefficient of expansion": pytest.approx(0.1 * 4.0 * 1e-6 / 3**0.5),
        "cosine error of alignment": pytest.approx(0.1 * angle**2 / 20**0.5),
        "Abbe offset times tilt": pytest.approx(0.02 * 1e-5 / 3**0.5),
    }
    assert [line[1] for line in shared(of_length(warm, "gauge_m", 0.1), 0.5)] == [
        pytest.approx(u / 2) for u in found.values()
    ]


def test_what_nobody_said_isnt_in_a_budget(doser: BenchDescription, warm: BenchDescription) -> None:
    assert of_length(doser, "gauge_m", 0.1) == []
    assert of_length(warm, "counted_m", 0.1) == []
    assert (expansion_of(doser, "gauge_m"), expansion_of(warm, "counted_m")) == (0.0, 0.0)
    assert expansion_of(warm, "gauge_m") == pytest.approx(46e-6)


def positions(journal: Any, growth: float) -> Any:
    """Eleven targets, five runs, read on an axis that has grown."""
    draw = random.Random(4)
    for run in range(5):
        for up in (True, False):
            for index in range(11):
                target = 0.0015 + index * 0.0057
                row = {"target_index": index, "target_m": target, "run": run, "up": up, "claim_m": target}
                read = target * (1 + growth) + (-5e-6 if up else 0.0) + draw.gauss(0, 2e-7)
                journal.write("positions", {**row, "counted_m": target, "gauge_m": read})
    return journal


def test_figures_are_those_at_20_degrees(
    doser: BenchDescription, warm: BenchDescription, kept: Any, estimated: Any
) -> None:
    settings = repeatability.Settings()
    cold = estimated(repeatability.PROCEDURE, positions(kept(), 0.0), doser, settings)
    found = estimated(repeatability.PROCEDURE, positions(kept(), 46e-6), warm, settings)
    raw = estimated(repeatability.PROCEDURE, positions(kept(), 46e-6), doser, settings)

    for name in ("bidirectional_systematic_deviation", "bidirectional_accuracy", "scale_difference"):
        assert found[name].value == pytest.approx(cold[name].value, abs=5e-9), name
        assert abs(raw[name].value - cold[name].value) > 1.5e-6, name
        assert found[name].standard_uncertainty > cold[name].standard_uncertainty, name
        sources = {line.source for line in found[name].budget}
        assert {"temperature of the axis", "coefficient of expansion", "cosine error of alignment"} <= sources
    for name in ("bidirectional_repeatability", "reversal_value", "mean_reversal"):
        assert found[name].value == pytest.approx(cold[name].value, abs=1e-9), name
        assert len(found[name].budget) == len(cold[name].budget), name


def test_an_interval_is_as_wide_as_its_budget_says(warm: BenchDescription, kept: Any, estimated: Any) -> None:
    """E is a range between two places, so what lengths owe to temperature widens its interval too."""
    hot = replace(warm, warmth=replace(WARM, within_k=20.0))
    settings = repeatability.Settings()
    found = estimated(repeatability.PROCEDURE, positions(kept(), 46e-6), hot, settings)
    wide = found["bidirectional_systematic_deviation"].interval
    assert wide.high - wide.low > 2 * 57e-3 * 11.5e-6 * 20.0 / 3**0.5
    narrow = found["bidirectional_repeatability"].interval
    assert narrow.high - narrow.low < 2e-6


def test_errors_of_a_screw_are_told_at_20_degrees_too(warm: BenchDescription, kept: Any, estimated: Any) -> None:
    settings, journal = screw_errors.Settings(), kept()
    for stretch, targets in enumerate(screw_errors.stretches_m(warm, settings)):
        for run in range(settings.runs):
            for up in (True, False):
                for index, at in enumerate(targets):
                    row = {"stretch": stretch, "index": index, "target_m": at, "run": run, "up": up, "claim_m": at}
                    journal.write("steps", {**row, "counted_m": at, "gauge_m": at * (1 + 46e-6)})
    found = estimated(screw_errors.PROCEDURE, journal, warm, settings)
    assert found["mean_lead_error"].value == pytest.approx(0.0, abs=1e-9)
    assert found["cumulative_pitch_error"].value == pytest.approx(0.0, abs=1e-10)
    assert "temperature of the axis" in {line.source for line in found["mean_lead_error"].budget}
    for procedure, of in ((screw_errors.PROCEDURE, settings), (repeatability.PROCEDURE, repeatability.Settings())):
        assert procedure.foresee is not None
        foreseen = procedure.foresee(warm, of)
        for name in ("mean_lead_error", "scale_difference", "bidirectional_accuracy"):
            if name in foreseen:
                assert "temperature of the axis" in {line.source for line in foreseen[name]}


def test_a_bench_file_says_it() -> None:
    text = (Path(__file__).parents[2] / "benches" / "tarnbrook" / "doser.bench.yaml").read_text(encoding="utf-8")
    text = text.replace("zero_at: -2.5 mm", "zero_at: -2.5 mm, alignment: 0.5 deg, abbe_offset: 20 mm, tilt: 0.01 deg")
    warmth = "above_reference: 4 K, within: 0.5 K, expansion: 11.5 ppm/K, expansion_within: 1 ppm/K"
    bench = parse_bench(f"{text}temperature: {{{warmth}}}\n", "x.bench.yaml")
    assert bench.warmth is not None
    assert bench.gauge is not None
    assert (bench.warmth.above_reference_k, bench.warmth.expansion_per_k) == (4.0, pytest.approx(11.5e-6))
    assert (bench.gauge.alignment_turns, bench.gauge.abbe_offset_m) == (pytest.approx(0.5 / 360), 0.02)
