"""What a bench can see, limit by limit, and plans that ask for more."""

from __future__ import annotations

from pathlib import Path

import pytest

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
