"""Where the check values lie, and how they are read: numbers stay the texts that were printed."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

REFERENCES = Path(__file__).parent / "references"


def case(name: str) -> Any:
    """A JSON file of check values, as ``gum/h1-end-gauge.json``."""
    return json.loads((REFERENCES / name).read_text(encoding="utf-8"))


def rows(name: str) -> list[dict[str, str]]:
    """A CSV file of check values; lines that begin with ``#`` are notes."""
    lines = (REFERENCES / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
