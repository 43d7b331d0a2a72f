"""How soon a nightly history shows a step or a ramp, and how often it cries wolf.

    python benches/measurements/drift_detection.py [--nights 60] [--keep nights.json] [--trials 400]

1. False alarms: the demo's two axes are run in process, night by night, each night with noise of its own; histories of
   four months are drawn from those nights, and every limit of both plans is watched at the default setting. A
   bench-night is false where any of them raises an alarm. Once more with a scatter from night to night of twice each
   uncertainty added, normal and skewed, since a real rig has weather and a stand-in has none.
2. Detection: normal histories with a step or a ramp after forty good nights, in units of the spread; the delay is in
   nights after its beginning, and what is told a week later is held against what was done.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from stepwitness.bench.assembly import open_bench
from stepwitness.bench.model import parse_bench
from stepwitness.metrology.inputs import Floats
from stepwitness.metrology.trend import BASELINE, LEAST, Status, Watch, replay, trend
from stepwitness.plan.model import load_plan
from stepwitness.procedures.acquisition import acquire
from stepwitness.quantities import Kind
from stepwitness.records.journal import JournalReadings, JournalWriter
from stepwitness.records.judgement import judgement_of

TARNBROOK = Path(__file__).parents[1] / "tarnbrook"
AXES = ("doser", "plate-lift")
LENGTH = 120
ONSET = 40
DAY_S = 86400.0

Rows = dict[str, list[tuple[float, float]]]
"""By characteristic: value and standard uncertainty of each night."""


def nights(axis: str, number: int) -> Rows:
    """Every limit of a demo plan, night by night."""
    plan = load_plan(TARNBROOK / f"{axis}.plan.yaml")
    text = (TARNBROOK / f"{axis}.bench.yaml").read_text(encoding="utf-8")
    found: Rows = {}
    for night in range(number):
        described = parse_bench(re.sub(r"seed: \d+", f"seed: {1000 + night}", text), f"{axis}.bench.yaml")
        with tempfile.TemporaryDirectory() as folder, open_bench(described) as bench:
            for planned in plan.procedures:
                path = Path(folder) / f"{planned.id}.journal.jsonl"
                acquire(bench, planned, JournalWriter(path, {"procedure": planned.id}))
                judged = judgement_of(plan, planned, described, JournalReadings(path))
                for finding in judged.findings:
                    characteristic = finding.characteristic
                    counted = " counted" if characteristic.kind is Kind.COUNT else ""
                    name = f"{axis} {planned.id} {characteristic.name}{counted}"
                    estimate = finding.estimate
                    if estimate.value is not None:
                        found.setdefault(name, []).append((float(estimate.value), estimate.standard_uncertainty))
    return found


# -- false alarms --------------------------------------------------------------------------------------------

Scatter = Callable[[np.random.Generator, int], Floats]


def none(_draw: np.random.Generator, n: int) -> Floats:
    return np.zeros(n)


def normal(draw: np.random.Generator, n: int) -> Floats:
    return 2.0 * draw.standard_normal(n)


def skewed(draw: np.random.Generator, n: int) -> Floats:
    """As the greatest of many has it: gamma of shape 9, skewness 0.67."""
    return 2.0 * (draw.gamma(9.0, size=n) - 9.0) / 3.0


def false_nights(rows: Rows, *, baseline: int, trials: int, scatter: Scatter) -> Floats:
    """For each history, on how many of its nights any limit of either axis raised an alarm."""
    draw = np.random.default_rng(7)
    limits = {axis: sum(name.startswith(f"{axis} ") for name in rows) for axis in AXES}
    found = np.zeros(trials)
    for trial in range(trials):
        cried = {axis: np.zeros(LENGTH, dtype=bool) for axis in AXES}
        picked = {axis: draw.integers(0, len(next(iter(rows.values()))), LENGTH) for axis in AXES}
        for name, points in rows.items():
            axis = next(one for one in AXES if name.startswith(f"{one} "))
            values, u = np.array(points)[picked[axis]].T
            counted = name.endswith(" counted")
            values = values if counted else values + scatter(draw, LENGTH) * u
            watch = Watch(baseline).shared(limits[axis])
            seen = replay(values, np.ascontiguousarray(u), watch=watch, resolution=1.0 if counted else 0.0)
            cried[axis][list(seen.alarms)] = True
        found[trial] = np.sum((cried[AXES[0]] | cried[AXES[1]])[LEAST:])
    return found


def tell_false_alarms(rows: Rows, trials: int) -> None:
    nights_seen = len(next(iter(rows.values())))
    print(f"{len(rows)} limits on {len(AXES)} axes; histories of {LENGTH} nights drawn from {nights_seen}")
    print("false alarms, with both axes run every night: nights on which any limit of either cried")
    print(f"  {'scatter':34}  baseline  of nights  per night, 95 % at most  a year")
    kinds = (
        ("as simulated", none),
        ("with 2 u from night to night", normal),
        ("the same, skewed", skewed),
    )
    for words, scatter in kinds:
        for baseline in (10, BASELINE, 30):
            found = false_nights(rows, baseline=baseline, trials=trials, scatter=scatter)
            total = trials * (LENGTH - LEAST)
            rate = float(np.sum(found)) / total
            # nights of one history hang together, so histories are counted: by their scatter, or where none had an
            # alarm by the chance of that
            spread = 1.645 * float(np.std(found, ddof=1)) / math.sqrt(trials) / (LENGTH - LEAST)
            most = rate + spread if rate else -math.log(0.05) / trials
            counts = f"{np.sum(found):4.0f} of {total}"
            print(f"  {words:34}  {baseline:8}  {counts}  {rate:8.5f}  {most:8.5f}  {365 * rate:6.2f}")


# -- detection -----------------------------------------------------------------------------------------------


def delays(change: Floats, *, baseline: int, trials: int, kind: Status) -> tuple[float, float, float, float]:
    """Median and 90 % quantile of the delay in nights, the share that was seen at all, and the share of those that was
    told rightly a week after the first alarm."""
    draw, watch = np.random.default_rng(11), Watch(baseline).shared(13)
    u, times = np.full(len(change), 0.3), np.arange(float(len(change))) * DAY_S
    seen, right = [], 0
    for _ in range(trials):
        values = draw.standard_normal(len(change)) + change
        alarms = [index for index in replay(values, u, watch=watch).alarms if index >= ONSET]
        if not alarms:
            continue
        seen.append(alarms[0] - ONSET)
        week = min(alarms[0] + 8, len(change))
        told = trend(times[:week], values[:week], u[:week], watch=watch)
        right += told.status is kind
    if not seen:
        return float("nan"), float("nan"), 0.0, float("nan")
    # one that was never seen counts as later than all that were
    padded = np.concatenate([seen, np.full(trials - len(seen), np.inf)])
    middle, late = (float(np.quantile(padded, share, method="inverted_cdf")) for share in (0.5, 0.9))
    return middle, late, len(seen) / trials, right / len(seen)


def changes() -> Iterator[tuple[str, Floats, Status]]:
    after = np.maximum(np.arange(ONSET + LENGTH) - ONSET, 0).astype(float)
    for size in (1.0, 1.5, 2.0, 3.0, 4.0, 6.0):
        yield f"step of {size:g} spreads", size * (np.arange(ONSET + LENGTH) >= ONSET).astype(float), Status.STEP
    for rate in (0.1, 0.25, 0.5, 1.0, 2.0):
        yield f"ramp of {rate:g} spreads a week", rate / 7.0 * after, Status.DRIFTED


def tell_detection(trials: int) -> None:
    print(f"\ndelay in nights after a change that begins on night {ONSET}; not seen within {LENGTH} nights: inf")
    print(f"  {'change':28}  baseline  median  90 %  seen  told rightly a week later")
    for words, change, kind in changes():
        for baseline in (10, BASELINE, 30):
            middle, late, share, right = delays(change, baseline=baseline, trials=trials, kind=kind)
            print(f"  {words:28}  {baseline:8}  {middle:6.0f}  {late:4.0f}  {100 * share:3.0f} %  {100 * right:3.0f} %")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=60, help="nights to run on each axis of the demo")
    parser.add_argument("--keep", type=Path, help="file in which those nights are kept, and read from where it exists")
    parser.add_argument("--trials", type=int, default=400)
    given = parser.parse_args()
    if given.keep is not None and given.keep.exists():
        rows: Rows = json.loads(given.keep.read_text(encoding="utf-8"))
    else:
        rows = {name: points for axis in AXES for name, points in nights(axis, given.nights).items()}
        if given.keep is not None:
            given.keep.write_text(json.dumps(rows), encoding="utf-8")
    tell_false_alarms(rows, given.trials)
    tell_detection(given.trials)


if __name__ == "__main__":
    main()
