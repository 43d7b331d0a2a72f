"""What the store knows as pandas frames, for a notebook.

>>> from stepwitness.records.store import open_store
>>> from stepwitness.records.store.frames import trend_frame
>>> with open_store("reports/stepwitness.sqlite") as store:  # doctest: +SKIP
...     trend_frame(store, axis="doser", characteristic="reversal_value").plot(y="value")
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stepwitness.errors import BadInput
from stepwitness.records.store.rows import COLUMNS, every_record, finding_rows
from stepwitness.records.store.store import Store

if TYPE_CHECKING:
    import pandas as pd


def records_frame(store: Store, **chosen: Any) -> pd.DataFrame:
    """A row a record, newest first; `chosen` as for `Store.records`. `started` and `ended` are times in UTC."""
    rows = [asdict(record) for record in every_record(store, **chosen)]
    return _timed(_frame(_spread(rows)), "started", "ended")


def findings_frame(store: Store, **chosen: Any) -> pd.DataFrame:
    """A row a finding or estimate of those records, in SI."""
    rows = list(finding_rows(store, every_record(store, **chosen)))
    return _timed(_frame(rows, list(COLUMNS)), "started", "ended")


def trend_frame(store: Store, **asked: Any) -> pd.DataFrame:
    """A row a point, by time, oldest first; `asked` as for `Store.trend`. What splits a history is a column each."""
    frame = _timed(_frame(_spread([asdict(point) for point in store.trend(**asked)])), "started")
    return frame.set_index("started") if len(frame) else frame


def _spread(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """`splits` as a column for each of its names."""
    return [
        {**{name: value for name, value in row.items() if name != "splits"}, **_named(row["splits"])} for row in rows
    ]


def _named(splits: dict[str, str]) -> dict[str, str]:
    return {f"split_{name}": text for name, text in splits.items()}


def _frame(rows: list[dict[str, Any]], columns: list[str] | None = None) -> pd.DataFrame:
    try:
        import pandas as pd
    except ImportError:
        raise BadInput("pandas isn't installed", cure="pip install pytest-stepwitness[frames]") from None
    return pd.DataFrame(rows, columns=columns)


def _timed(frame: pd.DataFrame, *names: str) -> pd.DataFrame:
    import pandas as pd

    return frame.assign(**{name: pd.to_datetime(frame[name], utc=True) for name in names if name in frame})
