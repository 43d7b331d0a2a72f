"""Studies of a table of readings: published cases through the file, and what a table is refused for."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from stepwitness.errors import BadInput
from stepwitness.installation.reference_data import REFERENCES
from stepwitness.studies.agreement import agreement
from stepwitness.studies.gauge import gauge
from stepwitness.studies.life import life
from stepwitness.studies.process import process
from stepwitness.studies.study import Readings, Study

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Writes columns as a CSV file."""

    def written(**columns: list[object]) -> Path:
        path = tmp_path / "readings.csv"
        with path.open("w", newline="") as file:
            out = csv.writer(file)
            out.writerow(columns)
            out.writerows(zip(*columns.values(), strict=True))
        return path

    return written


def value_of(study: Study, title: str) -> float:
    (found,) = [figure.value for figure in study.figures if figure.title.startswith(title)]
    return found


# -- gauge ---------------------------------------------------------------------------------------------------


@pytest.fixture
def crossed(tmp_path: Path) -> Path:
    """The published study of 10 parts, 3 appraisers and 3 trials, as its file stands, notes aside."""
    lines = (REFERENCES / "gauge-study" / "crossed-10x3x3.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    path = tmp_path / "crossed.csv"
    path.write_text("".join(line for line in lines if not line.startswith("#")))
    return path


def test_the_published_gauge_study(crossed: Path) -> None:
    """Measurement Systems Analysis reference manual, 4th edition, table III-B 8: %GRR 27.9, 4 classes."""
    table = Readings.read(crossed, ["part", "appraiser", "value"])
    study = gauge(table, part="part", appraiser="appraiser", value="value")
    published = json.loads((REFERENCES / "gauge-study" / "crossed-10x3x3-results.json").read_text(encoding="utf-8"))
    expected = published["published_components_pooled"]
    assert value_of(study, "share of the gauge") == pytest.approx(expected["pct_GRR"], abs=0.05)
    assert value_of(study, "repeatability") == pytest.approx(expected["EV"], abs=5e-6)
    assert value_of(study, "between parts") == pytest.approx(expected["PV"], abs=5e-6)
    assert "tells 4 classes of parts apart" in study.statement
    assert "fair by common practice" in study.statement
    assert study.notes == (
        "The interaction of appraiser and part was pooled with the repeatability, as its test allows.",
    )


def test_a_study_with_a_hole_is_refused(crossed: Path) -> None:
    lines = crossed.read_text().splitlines(keepends=True)
    crossed.write_text("".join(lines[:-1]))
    table = Readings.read(crossed, ["part", "appraiser", "value"])
    with pytest.raises(
        BadInput, match="not every appraiser measured every part as often; found 2 by C of 10, 3 elsewhere"
    ):
        gauge(table, part="part", appraiser="appraiser", value="value")


# -- process -------------------------------------------------------------------------------------------------


def test_ppk_of_readings(write: Write) -> None:
    """First principles: mean 10, s = √(2/3); Ppk = 2/(3 s), Pp = 5/(6 s)."""
    table = Readings.read(write(value=[9, 10, 11, 10], lot=["a", "a", "b", "b"]), ["value", "lot"])
    study = process(table, value="value", lower=7.0, upper=12.0, wanted=1.33)
    assert value_of(study, "Ppk") == pytest.approx(2.0 / (3.0 * (2.0 / 3.0) ** 0.5))
    assert study.holds is False
    assert study.statement.endswith("from 4 readings; 1.33 is not shown.")


def test_an_index_is_shown_by_the_lower_end_of_its_interval(write: Write) -> None:
    values = [10.0 + 0.01 * (n % 5) for n in range(200)]
    study = process(Readings.read(write(value=values), ["value"]), value="value", lower=9.0, upper=11.0, wanted=1.33)
    assert study.holds is True


def test_subgroups_give_cpk_beside_ppk(write: Write) -> None:
    table = Readings.read(write(value=[1, 2, 5, 6, 9, 10], lot=["a", "a", "b", "b", "c", "c"]), ["value", "lot"])
    study = process(table, value="value", subgroup="lot", lower=0.0, upper=12.0)
    assert value_of(study, "Cpk") > 3.0 * value_of(study, "Ppk")


def test_a_process_without_a_limit_or_of_an_unknown_shape_is_refused(write: Write) -> None:
    table = Readings.read(write(value=[1, 2, 3]), ["value"])
    with pytest.raises(BadInput, match="a process without a limit"):
        process(table, value="value")
    with pytest.raises(BadInput, match="did you mean 'weibull'"):
        process(table, value="value", shape="weibul", upper=5.0)  # type: ignore[arg-type]


# -- agreement -----------------------------------------------------------------------------------------------


def test_a_witness_that_reads_more_is_told(write: Write) -> None:
    gauge_reads = [1.0, 2.0, 3.0, 4.0, 5.0]
    counter_reads = [1.11, 2.09, 3.10, 4.12, 5.08]
    table = Readings.read(write(gauge=gauge_reads, counter=counter_reads), ["gauge", "counter"])
    study = agreement(table, first="counter", second="gauge", unit="mm", wanted=1.0)
    assert value_of(study, "counter − gauge") == pytest.approx(0.1)
    assert "which is told from none" in study.statement
    assert study.holds is True
    assert agreement(table, first="counter", second="gauge", wanted=0.1).holds is False


def test_a_witness_is_not_compared_with_itself(write: Write) -> None:
    table = Readings.read(write(gauge=[1, 2, 3]), ["gauge"])
    with pytest.raises(BadInput, match="compared with itself"):
        agreement(table, first="gauge", second="gauge")


# -- life ----------------------------------------------------------------------------------------------------


def test_the_published_ball_bearings(write: Write) -> None:
    """Lieblein and Zelen's 23 lives: shape 2.102, scale 81.88 as published."""
    case = json.loads((REFERENCES / "life" / "weibull-kaplan-meier.json").read_text(encoding="utf-8"))[
        "weibull_complete"
    ]
    study = life(Readings.read(write(life=list(case["data"])), ["life"]), value="life", unit="million turns")
    assert value_of(study, "shape") == pytest.approx(case["published"]["shape"], abs=5e-4)
    assert value_of(study, "scale") == pytest.approx(case["published"]["scale"], abs=5e-3)
    assert study.statement.startswith("23 of 23 units failed; 10 % have failed by ")


def test_no_failure_bounds_the_reliability_by_a_supposed_shape(write: Write) -> None:
    """First principles: with no failure and every unit run for one mission, R = (1 − C)^(1/n); 45 units show 0.9356."""
    table = Readings.read(write(life=[1.0] * 45, failed=["no"] * 45), ["life", "failed"])
    study = life(table, value="life", failed="failed", shape=2.0, mission=1.0, reliability=0.93)
    assert study.figures[0].value == pytest.approx(0.05 ** (1 / 45))
    assert study.holds is True
    assert life(table, value="life", failed="failed", shape=2.0, mission=1.0, reliability=0.95).holds is False


def test_few_failures_without_a_shape_are_refused(write: Write) -> None:
    table = Readings.read(write(life=[1.0, 2.0], failed=["no", "yes"]), ["life", "failed"])
    with pytest.raises(BadInput, match="a Weibull fit takes 2 failures at least"):
        life(table, value="life", failed="failed")
    with pytest.raises(BadInput, match="allowed: a mission and a shape"):
        life(table, value="life", reliability=0.9)


# -- the table -----------------------------------------------------------------------------------------------


def test_lines_are_chosen_by_a_cell(write: Write) -> None:
    path = write(value=[1, 2, 3], bench=["rig-1", "rig-2", "rig-1"])
    assert Readings.read(path, ["value"], only={"bench": "rig-1"}).numbers("value") == [1.0, 3.0]
    with pytest.raises(BadInput, match="no reading stands below the headings; found none with bench = rig-3"):
        Readings.read(path, ["value"], only={"bench": "rig-3"})


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("value", "x", "readings.csv:3 value: not a number; found 'x'"),
        ("value", "nan", "readings.csv:3 value: not a reading"),
        ("failed", "maybe", "readings.csv:3 failed: neither yes nor no; found 'maybe'"),
        ("name", "", "readings.csv:3 name: an empty cell"),
    ],
)
def test_a_bad_cell_is_told_with_its_line(write: Write, column: str, cell: str, says: str) -> None:
    columns: dict[str, list[object]] = {"value": [1, 2], "failed": ["yes", "no"], "name": ["a", "b"]}
    columns[column][1] = cell
    table = Readings.read(write(**columns), [column])
    with pytest.raises(BadInput) as caught:
        {"value": table.numbers, "failed": table.marks, "name": table.words}[column](column)
    assert says in str(caught.value)
