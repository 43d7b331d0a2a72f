"""Evaluating a million readings to ISO 230-2, beside a pandas groupby that computes mean and standard deviation alone.

    python benches/measurements/evaluate_speed.py [--readings 1000000]

Needs pandas (extra ``bench``). Both get the same columns in memory and are timed in turn, in one process; printed are
the best of seven and their ratio. Then the same readings are evaluated in chunks of another size, and the greatest
relative difference of any figure is printed.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from stepwitness.metrology.grouped import GroupedMoments, groups_of, positioning_of, positioning_of_long

FIGURES = ("B", "B_mean", "R_up", "R_down", "R", "E_up", "E_down", "E", "M", "A_up", "A_down", "A")
TARGETS = 50
CHUNK = 5000
REPEATS = 7


def readings(count: int) -> pd.DataFrame:
    """So many readings of an axis with 50 targets, in the order of an endless test."""
    runs = count // (2 * TARGETS)
    way = np.concatenate([np.arange(TARGETS), np.arange(TARGETS)[::-1]])
    index = np.tile(way, runs)
    up = np.tile(np.repeat([True, False], TARGETS), runs)
    noise = np.random.default_rng(1).standard_normal(len(index))
    deviation = 1e-6 * (np.sin(index) + np.where(up, -2.0, 2.0) + 0.3 * noise)
    return pd.DataFrame({"target": index, "up": up, "deviation": deviation})


def best_s(work: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description="Speed of an evaluation beside a pandas groupby.")
    parser.add_argument("--readings", type=int, default=1_000_000)
    frame = readings(parser.parse_args().readings)
    index, up, deviation = (frame[name].to_numpy() for name in ("target", "up", "deviation"))

    def evaluated() -> dict[str, float]:
        figures = positioning_of_long(index, up, deviation)
        return {name: getattr(figures, name) for name in FIGURES}

    ours_s = best_s(evaluated)
    pandas_s = best_s(lambda: frame.groupby(["target", "up"])["deviation"].agg(["mean", "std"]))
    print(f"{len(frame):,} readings, {TARGETS} targets; best of {REPEATS}")
    print(f"all figures of ISO 230-2     {ours_s * 1e3:8.1f} ms")
    print(f"pandas groupby, mean and std {pandas_s * 1e3:8.1f} ms")
    print(f"ratio                        {ours_s / pandas_s:8.2f}")

    whole = positioning_of_long(index, up, deviation)
    moments = GroupedMoments(2 * TARGETS)
    start = time.perf_counter()
    for at in range(0, len(frame), CHUNK):
        chunk = slice(at, at + CHUNK)
        moments.add(groups_of(index[chunk], up[chunk]), deviation[chunk])
    streamed = positioning_of(moments)
    streamed_s = time.perf_counter() - start
    apart = max(abs(getattr(streamed, name) / getattr(whole, name) - 1) for name in FIGURES)
    print(f"in chunks of {CHUNK:,}           {streamed_s * 1e3:8.1f} ms; greatest relative difference {apart:.1e}")


if __name__ == "__main__":
    main()
