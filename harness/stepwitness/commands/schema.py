"""`stepwitness schema`: the JSON Schema of a file, for completion in an editor."""

from __future__ import annotations

import argparse
import json
from typing import Any

from stepwitness.commands.terminal import OK, Commands, say


def add(commands: Commands) -> None:
    schema = commands.add_parser("schema", help="print the JSON Schema of a file, for completion in an editor")
    schema.add_argument("file", choices=("bench", "plan", "lot", "qualification"))
    schema.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    say(json.dumps(_schema(given.file), indent=2))
    return OK


def _schema(file: str) -> dict[str, Any]:
    if file == "bench":
        from stepwitness.bench.model import bench_schema

        return bench_schema()
    if file == "lot":
        from stepwitness.inspection.model import lot_schema

        return lot_schema()
    if file == "qualification":
        from stepwitness.qualification.model import qualification_schema

        return qualification_schema()
    from stepwitness.plan.model import plan_schema

    return plan_schema()
