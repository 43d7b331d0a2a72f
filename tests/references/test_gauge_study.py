"""The crossed gauge study that the automotive measurement systems manual works through, and exact analyses of its data.

Published numbers are compared to the digits that are published; its GRR of 0.302373 is 0.302371… exactly, so five
digits.
"""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology.gauge_study import GaugeStudy, gauge_study

DATA = REFERENCES / "gauge-study"
EXPECTED = json.loads((DATA / "crossed-10x3x3-results.json").read_text(encoding="utf-8"))


def readings() -> np.ndarray:
    lines = (DATA / "crossed-10x3x3.csv").read_text(encoding="utf-8").splitlines()
    values = np.full((10, 3, 3), np.nan)
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        values[int(row["part"]) - 1, "ABC".index(row["appraiser"]), int(row["trial"]) - 1] = float(row["value"])
    return values


def exact(value: str) -> object:
    return pytest.approx(float(value), rel=1e-12, abs=1e-15)


def test_analysis_of_variance_as_published_and_exactly() -> None:
    table = gauge_study(readings()).table
    published, computed = EXPECTED["published_anova"], EXPECTED["computed_exact_anova"]

    for name, source, key in (
        ("appraiser", table.column, "ss_appraiser"),
        ("part", table.row, "ss_part"),
        ("interaction", table.interaction, "ss_interaction"),
        ("equipment", table.error, "ss_equipment"),
    ):
        assert source.degrees_of_freedom == published[name]["df"]
        assert source.sum_of_squares == pytest.approx(published[name]["ss"], abs=6e-5)
        assert source.sum_of_squares == exact(computed[key])
    assert table.f_interaction == pytest.approx(published["interaction"]["F"], abs=5e-4)
    assert table.f_interaction == exact(computed["F_interaction"])
    assert table.p_interaction == exact(computed["p_interaction"])
    assert table.pooled.mean_square == exact(computed["ms_pooled"])
    assert table.pooled.degrees_of_freedom == 78


def test_components_as_published() -> None:
    study, published = gauge_study(readings()), EXPECTED["published_components_pooled"]

    assert study.pooled
    assert study.repeatability.variance == pytest.approx(published["EV_var"], abs=5e-7)
    assert study.reproducibility.variance == pytest.approx(published["AV_var"], abs=5e-7)
    assert study.part.variance == pytest.approx(published["PV_var"], abs=5e-7)
    assert study.repeatability.sd == pytest.approx(published["EV"], abs=5e-7)
    assert study.reproducibility.sd == pytest.approx(published["AV"], abs=5e-7)
    assert study.part.sd == pytest.approx(published["PV"], abs=5e-7)
    assert study.grr.sd == pytest.approx(published["GRR"], rel=1e-5)
    assert study.total.sd == pytest.approx(published["TV"], abs=5e-4)
    assert study.repeatability.percent == pytest.approx(published["pct_EV"], abs=0.05)
    assert study.reproducibility.percent == pytest.approx(published["pct_AV"], abs=0.05)
    assert study.grr.percent == pytest.approx(published["pct_GRR"], abs=0.05)
    assert study.part.percent == pytest.approx(published["pct_PV"], abs=0.05)
    assert study.distinct == published["ndc"]


@pytest.mark.parametrize(
    ("pooling", "key"), [("always", "computed_pooled"), ("never", "computed_with_interaction_kept")]
)
def test_components_exactly(pooling: str, key: str) -> None:
    study: GaugeStudy = gauge_study(readings(), pooling=pooling)  # type: ignore[arg-type]
    computed = EXPECTED[key]

    for name, component in (
        ("repeatability", study.repeatability),
        ("appraiser", study.reproducibility),
        ("interaction", study.interaction),
        ("part", study.part),
    ):
        assert component.variance == exact(computed["variance"][name])
        assert component.unbounded == exact(computed["raw_variance"][name])
    assert study.grr.variance == exact(computed["variance"]["grr"])
    assert study.total.variance == exact(computed["variance"]["total"])
    for name, component in (("EV", study.repeatability), ("AV", study.reproducibility), ("GRR", study.grr)):
        assert component.sd == exact(computed["sd"][name])
        assert component.percent == exact(computed["pct_of_total_sd"][name])
        assert component.percent_of_variance == exact(computed["pct_contribution"][name])
    # √2 here; with the manual's 1.41 the classes would be `ndc_unrounded_141`
    assert study.classes == exact(computed["ndc_unrounded"])
    assert study.classes * 1.41 / np.sqrt(2.0) == exact(computed["ndc_unrounded_141"])


def test_a_published_crossed_study_of_modules() -> None:
    """Houf and Berman 1988, 10 modules × 3 operators × 3: mean squares as printed in a public statistics manual."""
    cells = (
        "37 38 37 41 41 40 41 42 41 42 41 43 42 42 42 43 42 43 30 31 31 31 31 31 29 30 28 42 43 42 43 43 43 42 42 42 "
        "28 30 29 29 30 29 31 29 29 42 42 43 45 45 45 44 46 45 25 26 27 28 28 30 29 27 27 40 40 40 43 42 42 43 43 41 "
        "25 25 25 27 29 28 26 26 26 35 34 34 35 35 34 35 34 35"
    )
    study = gauge_study(np.array(cells.split(), dtype=float).reshape(10, 3, 3))

    assert study.table.row.sum_of_squares == pytest.approx(3935.955556, abs=5e-7)
    assert study.table.row.mean_square == pytest.approx(437.328395, abs=5e-7)
    assert study.table.column.sum_of_squares == pytest.approx(39.266667, abs=5e-7)
    assert study.table.column.mean_square == pytest.approx(19.633333, abs=5e-7)
    assert not study.pooled
