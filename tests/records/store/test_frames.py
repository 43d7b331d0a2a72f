"""pandas frames of what the store knows."""

from __future__ import annotations

from typing import Any

import pytest

from stepwitness.records.store import Store
from stepwitness.records.store.frames import findings_frame, records_frame, trend_frame

pytest.importorskip("pandas", reason="pandas isn't installed (extra: frames)")


def test_frames_have_times_numbers_and_splits(store: Store, run_folder: Any) -> None:
    for night in range(3):
        store.file(run_folder(night, offset_um=10.0 + night))
    trend = trend_frame(store, axis="doser", procedure="offset", characteristic="mean_offset")
    assert [round(value * 1e6, 6) for value in trend["value"]] == [10.0, 11.0, 12.0]
    assert [str(day)[:10] for day in trend.index] == ["2026-09-01", "2026-09-02", "2026-09-03"]
    assert str(trend.index.tz) == "UTC"
    assert set(trend["split_firmware"]) == {"drive Tarnbrook D1 17"}
    records = records_frame(store, since="2026-09-02")
    assert list(records["id"]) == ["0002-doser-rig-1", "0001-doser-rig-1"]
    findings = findings_frame(store)
    assert findings.groupby("characteristic")["value"].count()["mean_offset"] == 6
    assert findings["value"].dtype == float


def test_nothing_is_an_empty_frame(store: Store) -> None:
    assert len(trend_frame(store, characteristic="mean_offset")) == 0
    assert len(records_frame(store)) == 0
    assert "value" in findings_frame(store)
