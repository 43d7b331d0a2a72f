"""Rows to a file that other programs read: CSV, JSON or Parquet, a batch at a time."""

from __future__ import annotations

import csv
import itertools
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from stepwitness.errors import BadInput, Place

BATCH_ROWS = 10_000


def write_csv(rows: Iterable[Mapping[str, Any]], columns: Iterable[str], file: IO[str]) -> None:
    """RFC 4180, with a heading; what is missing is empty."""
    writer = csv.DictWriter(file, list(columns), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)


def write_json(rows: Iterable[Mapping[str, Any]], file: IO[str]) -> None:
    """One array of objects, a line each."""
    separator = "["
    for row in rows:
        file.write(f"{separator}\n{json.dumps(row, ensure_ascii=False)}")
        separator = ","
    file.write("[]\n" if separator == "[" else "\n]\n")


def write_parquet(rows: Iterable[Mapping[str, Any]], columns: Mapping[str, type], path: Path) -> None:
    """A Parquet file with those columns.

    Raises
    ------
    BadInput : where pyarrow isn't installed, or the file can't be written.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise BadInput(
            "pyarrow isn't installed", place=Place(str(path)), cure="pip install pytest-stepwitness[parquet]"
        ) from None
    kinds = {str: pyarrow.string(), float: pyarrow.float64(), int: pyarrow.int64(), bool: pyarrow.bool_()}
    schema = pyarrow.schema([(name, kinds[kind]) for name, kind in columns.items()])
    try:
        with pyarrow.parquet.ParquetWriter(path, schema) as writer:
            for batch in _batches(rows):
                writer.write_table(pyarrow.Table.from_pylist(batch, schema))
    except OSError as error:
        raise BadInput(f"can't be written ({error})", place=Place(str(path))) from None


def _batches(rows: Iterable[Mapping[str, Any]]) -> Iterator[list[Mapping[str, Any]]]:
    left = iter(rows)
    while batch := list(itertools.islice(left, BATCH_ROWS)):
        yield batch
