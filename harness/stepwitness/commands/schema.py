"""`stepwitness schema`: the JSON Schema of a file, for completion in an editor."""

from __future__ import annotations

import argparse
import json

from stepwitness.commands.terminal import OK, Commands, say


def add(commands: Commands) -> None:
    schema = commands.add_parser("schema", help="print the JSON Schema of a file, for completion in an editor")
    schema.add_argument("file", choices=("bench", "plan", "lot"))
    schema.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    if given.file == "bench":
        from stepwitness.bench.model import bench_schema

        schema = bench_schema()
    elif given.file == "lot":
        from stepwitness.inspection.model import lot_schema

        schema = lot_schema()
    else:
        from stepwitness.plan.model import plan_schema

        schema = plan_schema()
    say(json.dumps(schema, indent=2))
    return OK
