"""What a bench can see, limit by limit, and plans that ask for more."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import load_bench
from stepwitness.errors import BadInput
from stepwitness.findings import DecisionRule
from stepwitness.plan.model import load_plan_and_bench, parse_plan
from stepwitness.plan.preview import WIDTH, preview
from stepwitness.plan.sight import sights

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
procedures:
  - repeatability:
      limits: {bidirectional_accuracy: 30 um, mean_reversal: 15 um, count_closure: 3 counts}
  - stall_recovery:
      stall_current: 0.05 A
      limits: {missed_stalls: 0}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "doser.bench.yaml").write_text((TARNBROOK / "doser.bench.yaml").read_text())
    return tmp_path


def load(folder: Path, text: str) -> tuple[object, object]:
    path = folder / "nightly.plan.yaml"
    path.write_text(text)
    return load_plan_and_bench(path)


def test_the_least_is_u_of_what_the_witnesses_leave() -> None:
    bench = load_bench(TARNBROOK / "doser.bench.yaml")
    seen = {one.limit.characteristic.name: one for one in sights(parse_plan(PLAN, "n.plan.yaml", bench), bench)}

    assert list(seen) == [
        "bidirectional_accuracy",
        "mean_reversal",
        "count_closure",
    ]  # stalls are counted, not measured
    assert seen["mean_reversal"].least == pytest.approx(2 * 0.1e-6 / 6**0.5)
    assert seen["count_closure"].least == pytest.approx(2 * 1e-6 / 6**0.5)
    # calibration at two places: U = 1.2 µm, k = 2; hidden spread and rounding come on top
    assert seen["bidirectional_accuracy"].least > 2**0.5 * 1.2e-6
    assert not any(one.too_fine for one in seen.values())


WHOLE = """\
purpose: nightly
bench: doser.bench.yaml
procedures:
  - backlash:
      drags: [0 N, 30 N]
      limits: {reversal_value: 25 um, motor_side_reversal: 9 um, lost_motion: 25 um, clearance: 15 um, wind_up: 9 um}
  - stall_recovery:
      stall_current: 0.05 A
      limits:
        claim_error: 8 mm
        current_difference: 5 %
        detection_latency: 50 ms
        detection_travel: 9 steps
        missed_stalls: 0
        recovery_error: 1 step
        standstill_error: 1 step
        standstill_return: 500 ms
        least_window: 1 step
  - screw_errors:
      limits: {periodic_error_lead: 5 um, periodic_error_step: 3 um, pitch_error: 5 um, mean_lead_error: 500 ppm,
               hysteresis: 20 um, hysteresis_variation: 5 um, cumulative_pitch_error: 10 um}
  - thermal_drift:
      limits: {thermal_change: 10 um, settled_change: 15 um, settling_time: 20 min, drift_rate: 5 um/h,
               travel_expansion: 200 ppm, count_drift: 3 counts}
"""


def test_every_limit_that_is_measured_is_foreseen() -> None:
    """By hand from the bench file: count 1 µm, microstep 0.625 µm, gauge 0.1 µm with U = 1.2 µm, k = 2, meter U = 5 mA
    at a holding current of 0.6 A, guide friction 4 N, sweeps 1 ms apart, places 57 and 56 mm apart."""
    bench = load_bench(TARNBROOK / "doser.bench.yaml")
    seen = {
        f"{one.planned.id}.{one.limit.characteristic.name}": one.least
        for one in sights(parse_plan(WHOLE, "n.plan.yaml", bench), bench)
    }
    gauge, count, microstep = 0.1e-6, 1e-6, 0.625e-6
    one, two = 2 / 12**0.5, 2 / 6**0.5  # k = 2: one reading, a difference of two
    both = two * math.hypot(gauge, count)
    # L(D) = b + 2 (4 N + D)/k at 0 N and 30 N: b is L0 − 4/30 (L30 − L0), the wind-up 4/30 (L30 − L0)
    clearance, wind_up = math.hypot(34 / 30, 4 / 30), math.hypot(4 / 30, 4 / 30)
    waves, places = math.hypot(two * gauge / 2, 1.2e-6 / 2**0.5), math.hypot(two * gauge, 1.2e-6 * 2**0.5)
    due = {
        "backlash.reversal_value": two * gauge,
        "backlash.motor_side_reversal": two * count,
        "backlash.lost_motion": both,
        "backlash.clearance": clearance * both,
        "backlash.wind_up": wind_up * both,
        "stall_recovery.claim_error": two * count,
        "stall_recovery.current_difference": 5e-3 / 0.6,
        "stall_recovery.detection_latency": one * 1e-3,
        "stall_recovery.detection_travel": two * microstep,
        "stall_recovery.recovery_error": one * count,
        "stall_recovery.standstill_error": one * count,
        "stall_recovery.least_window": one * count,
        "screw_errors.periodic_error_lead": waves,
        "screw_errors.periodic_error_step": waves,
        "screw_errors.pitch_error": places,
        "screw_errors.cumulative_pitch_error": places,
        "screw_errors.mean_lead_error": 1.2e-6 * 2**0.5 / 57e-3,
        "screw_errors.hysteresis": two * gauge,
        "screw_errors.hysteresis_variation": 2**0.5 * two * gauge,
        "thermal_drift.thermal_change": two * gauge,
        "thermal_drift.settled_change": two * gauge,
        # 30 times 16 strokes there and back, 56 mm at 30 mm/s and 500 mm/s², and a look: two strokes, two ways of 1 mm
        "thermal_drift.drift_rate": two * gauge / (30 * (34 * (56 / 30 + 30 / 500) + 4 * (1 / 500) ** 0.5 + 2 * 0.2)),
        "thermal_drift.travel_expansion": 2**0.5 * two * gauge / 56e-3,
        "thermal_drift.count_drift": two * count,
    }
    assert set(seen) == set(due)  # stalls are counted; times of return and settling depend on what is seen
    for name, least in due.items():
        assert seen[name] == pytest.approx(least, rel=1e-3), name


def test_what_a_bench_lacks_it_doesnt_foresee() -> None:
    """Without a gauge the load isn't seen, one drag doesn't tell clearance from wind-up, and on a vertical axis gravity
    keeps one flank loaded."""
    bench = load_bench(TARNBROOK / "doser.bench.yaml")
    lift = load_bench(TARNBROOK / "plate-lift.bench.yaml")

    def names(text: str, on: BenchDescription) -> set[str]:
        return {one.limit.characteristic.name for one in sights(parse_plan(text, "n.plan.yaml", on), on)}

    blind = names(WHOLE, replace(bench, gauge=None))
    assert not blind & {"reversal_value", "lost_motion", "clearance", "pitch_error", "thermal_change"}
    assert {"motor_side_reversal", "claim_error", "count_drift"} <= blind
    assert not names(WHOLE.replace("drags: [0 N, 30 N]", "places: 3"), bench) & {"clearance", "wind_up"}
    backlash = (
        "purpose: nightly\nbench: x\nprocedures:\n  - backlash:\n      limits: {clearance: 9 um, lost_motion: 9 um}\n"
    )
    assert names(backlash, lift) == {"lost_motion"}


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ("standstill_return: 2.5 s", "found '2.5 s'; allowed: ≤ 2 s: the return is waited for no longer than"),
        ("attempts_needed: 4", "found '4'; allowed: ≤ 3: no more than attempts are made"),
        ("missed_stalls: 5", "found '5'; allowed: ≤ 3: so many stalls are provoked"),
    ],
)
def test_a_limit_that_cant_fail_is_refused(folder: Path, limit: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        load(folder, PLAN.replace("missed_stalls: 0", limit))
    message = str(caught.value).replace("\u2009", " ")
    assert "nightly.plan.yaml:8 " in message
    assert "a limit that can't fail" in message
    assert said in message


@pytest.mark.parametrize("limit", ["standstill_return: 2 s", "attempts_needed: 3", "missed_stalls: 3"])
def test_a_limit_at_the_most_that_can_come_out_is_kept(folder: Path, limit: str) -> None:
    load(folder, PLAN.replace("missed_stalls: 0", limit))


@pytest.mark.parametrize("rule", ["guarded", "simple", "guarded-rejection"])
def test_a_limit_below_it_is_refused_with_the_reason(folder: Path, rule: str) -> None:
    text = PLAN.replace("accuracy: 30 um", "accuracy: 1.5 um").replace(
        "procedures:", f"decision_rule: {rule}\nprocedures:"
    )
    with pytest.raises(BadInput) as caught:
        load(folder, text)

    message = str(caught.value).replace("\u2009", " ")
    assert (
        "nightly.plan.yaml:6 procedures.repeatability.limits.bidirectional_accuracy: a limit below the least" in message
    )
    assert "found '1.5 um'; allowed: more than 1.7" in message
    assert "U = 2 u, most of it calibration of the witness at two places" in message
    assert "inform_only: yes" in message


def test_a_plan_that_only_informs_may_hold_it_and_says_so(folder: Path) -> None:
    from datetime import date

    text = PLAN.replace("accuracy: 30 um", "accuracy: 1.5 um").replace("procedures:", "inform_only: yes\nprocedures:")
    plan, bench = load(folder, text)
    lines = preview(plan, bench, today=date(2026, 1, 1))  # type: ignore[arg-type]

    assert any(line.endswith("too fine") for line in lines)
    assert max(map(len, lines[1:])) <= WIDTH


def test_a_record_of_such_a_plan_can_still_be_read() -> None:
    bench = load_bench(TARNBROOK / "doser.bench.yaml")
    text = PLAN.replace("accuracy: 30 um", "accuracy: 1.5 um")

    assert any(one.too_fine for one in sights(parse_plan(text, "n.plan.yaml", bench), bench))


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("purpose: incoming\ninform_only: yes", "n.plan.yaml:2 inform_only: a plan for incoming that only informs"),
        (
            "purpose: nightly\ndecision_rule: stated-risk",
            "the rule stated-risk without a risk; allowed: such as maximum_risk",
        ),
        ("purpose: nightly\nmaximum_risk: 5 %", "n.plan.yaml:2 maximum_risk: a maximum risk, which the rule guarded"),
        ("purpose: nightly\ndecision_rule: stated-risk\nmaximum_risk: 60 %", "maximum_risk: too large"),
        ("purpose: nightly\ndecision_rule: stated-risk\nmaximum_risk: 0 %", "maximum_risk: too small"),
    ],
)
def test_heads_that_contradict_themselves(head: str, said: str) -> None:
    bench = load_bench(TARNBROOK / "doser.bench.yaml")
    with pytest.raises(BadInput, match=said):
        parse_plan(PLAN.replace("purpose: nightly", head), "n.plan.yaml", bench)


def test_a_stated_risk_is_read() -> None:
    bench = load_bench(TARNBROOK / "doser.bench.yaml")
    head = "purpose: nightly\ndecision_rule: stated-risk\nmaximum_risk: 2.5 %"
    plan = parse_plan(PLAN.replace("purpose: nightly", head), "n.plan.yaml", bench)

    assert (plan.rule, plan.maximum_risk) == (DecisionRule.STATED_RISK, 0.025)
