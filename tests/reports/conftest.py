"""A run directory as the report finds it: a record and its journals, made here with plausible numbers.

The doser of Tarnbrook Dosing (fictional) with a worn nut: 46 µm of play behind the encoder. The record's numbers are
set, not evaluated: a report doesn't judge.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from stepwitness.axis import Axis, Orientation
from stepwitness.display import THIN, shown
from stepwitness.quantities import Kind
from stepwitness.records.journal import JournalReadings, JournalWriter
from stepwitness.records.manifest import text_digest, write_record

BENCH = """\
name: doser-rig-1
axis: {name: doser, serial: TB-0417, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm,
       orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 0.03 N*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 70 mm, zero_at: -5 mm, resolution: 0.1 um, measuring_force: 0.8 N,
        calibration: {certificate: TB-0031, expires: 2027-03-01, U: 1.2 um, k: 2}}
drag: {part: stand-in}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, at: 0 mm, side: low}
safe_state: hold
guide_friction: 4 N
"""

GAUGELESS_BENCH = (
    "\n".join(line for line in BENCH.splitlines() if "gauge:" not in line and "TB-0031" not in line) + "\n"
)

PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability:
      limits: {bidirectional_repeatability: 60 um, mean_reversal: 55 um}
  - backlash:
      drags: [0 N, 6 N]
      limits: {reversal_value: 25 um}
  - stall_recovery:
      stall_current: 0.05 A
      following_error_window: 2.5 steps
      limits: {detection_latency: 20 ms, false_alarms: 0}
"""

PLAY_M = 46e-6
STEP_M = 1e-5
COUNT_M = 1e-6
MICROSTEP_M = STEP_M / 16
LATENCY_S = 0.0094


def contribution(source: str, u: float, kind: str = "B") -> dict[str, Any]:
    return {"source": source, "u": u, "type": kind}


_KINDS = {"um": Kind.TRAVEL, "mm": Kind.TRAVEL, "step": Kind.TRAVEL, "ms": Kind.TIME, "": Kind.COUNT, "ppm": Kind.RATIO}
_AXIS = Axis(
    name="doser",
    full_steps=200,
    microsteps=16,
    travel_per_turn=Fraction(2, 1000),
    stroke=Fraction(60, 1000),
    orientation=Orientation.HORIZONTAL,
)


def _printed(value: float | None, U: float, unit: str) -> dict[str, str]:
    printed = shown(value, U, unit=unit, kind=_KINDS[unit], axis=_AXIS)
    return {"value": printed.value, "U": printed.uncertainty, "unit": printed.unit, "text": str(printed)}


def estimate(name: str, title: str, value: float | None, U: float = 0.0, **more: Any) -> dict[str, Any]:
    """One estimate of a record; its budget is split so that it adds up to U / 2."""
    u = U / 2
    unit = more.get("unit", "um")
    budget = [contribution("scatter of the readings", 0.8 * u, "A"), contribution("resolution", 0.6 * u)] if U else []
    return {
        "name": name,
        "title": title,
        "symbol": "",
        "unit": unit,
        "kind": _KINDS[unit].value,
        "value": value,
        "u": u,
        "U": U,
        "k": 2.0,
        "budget": budget,
        "statement": "",
        "reason": "",
        "clause": "own definition",
        "definition": f"what {title} is",
        "shown": _printed(value, U, unit),
        **more,
    }


def finding(procedure: str, estimate: Mapping[str, Any], verdict: str, limit: float, text: str) -> dict[str, Any]:
    """The finding for a limit on an estimate, as the record holds it."""
    value = estimate["value"]
    copied = ("title", "symbol", "clause", "value", "u", "U", "k", "unit", "statement")
    return {
        "procedure": procedure,
        "characteristic": estimate["name"],
        **{key: estimate[key] for key in copied},
        "limit": limit,
        "sense": "at most",
        "limit_text": text,
        "margin": None if value is None else limit - abs(value),
        "rule": "guarded",
        "verdict": verdict,
        "reason": "" if verdict == "PASS" else estimate["statement"],
        "shown": {**estimate["shown"], "limit": f"≤ {text.replace(' ', THIN).replace('um', 'µm')}"},
    }


def unobserved(held: dict[str, Any], reason: str) -> None:
    """Takes the value out of an estimate or a finding."""
    held.update(value=None, u=None, U=None, statement="", reason=reason)
    held["shown"] |= _printed(None, 0.0, held["unit"])
    if "verdict" in held:
        held.update(margin=None, verdict="NOT OBSERVABLE")
    else:
        held["budget"] = []


def repeatability_estimates() -> list[dict[str, Any]]:
    return [
        estimate(
            "bidirectional_repeatability",
            "bidirectional repeatability",
            5.31e-5,
            4.4e-6,
            symbol="R",
            clause="ISO 230-2:2014 3.19",
            definition="greatest over the targets of 2 s↑ + 2 s↓ + |B|, 4 s↑ and 4 s↓ there",
            statement="the load's positions spread over 53.1 µm; reversal accounts for 46.0 µm of it",
        ),
        estimate("mean_reversal", "mean reversal value", -4.6e-5, 1.9e-6, symbol="B̄", clause="ISO 230-2:2014 3.14"),
        estimate("scale_difference", "scale, counter − gauge", 2.1e-5, 1.6e-5, unit="ppm"),
    ]


class RunMaker:
    """Writes one run directory; change any attribute before `write`."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.bench_text, self.plan_text = BENCH, PLAN
        self.gauge = True
        self.runs = 5
        self.unnoticed = 0
        self.starved_first = False
        self.renamed: dict[str, str] = {}
        self.run: dict[str, Any] = {
            "id": "8d0c4c1e",
            "started": "2026-11-25T02:10:04+00:00",
            "ended": "2026-11-25T02:14:31+00:00",
            "simulated": True,
            "over": "process",
            "partial": False,
            "partial_reason": "",
            "verdict": "FAIL",
            "worst": "FAIL",
            "attempt": 1,
            "previous": None,
            "statement": "doser, serial TB-0417: FAIL. Reversal at the load is 46.2\u2009µm ± 4.1\u2009µm (k = 2); "
            "the limit is 25\u2009µm.",
        }
        repeatability = repeatability_estimates()
        backlash = [
            estimate(
                "reversal_value",
                "reversal value at the load",
                4.62e-5,
                4.1e-6,
                symbol="B",
                statement="the load came 46.2 µm ± 4.1 µm short on reversal; drive and counter agree with each other "
                "to 1.0 counts, so the play lies behind the encoder: nut or coupling",
            ),
            estimate("clearance", "clearance", 4.41e-5, 2.2e-6),
        ]
        stall = [
            estimate("detection_latency", "stall detection latency", 9.4e-3, 1.2e-3, unit="ms"),
            estimate("false_alarms", "false alarms", 0.0, unit=""),
            estimate(
                "claim_error",
                "claim against count, starved",
                8e-3,
                1e-6,
                unit="mm",
                statement="at too little current the drive claims 8.000 mm, the encoder counted 0.000 mm, the gauge "
                "saw 0.000 mm",
            ),
        ]
        self.estimates: dict[str, list[dict[str, Any]]] = {
            "repeatability": repeatability,
            "backlash": backlash,
            "stall_recovery": stall,
        }
        self.findings = [
            finding("repeatability", repeatability[0], "PASS", 6e-5, "60 um"),
            finding("repeatability", repeatability[1], "PASS", 5.5e-5, "55 um"),
            finding("backlash", backlash[0], "FAIL", 2.5e-5, "25 um"),
            finding("stall_recovery", stall[0], "PASS", 2e-2, "20 ms"),
            finding("stall_recovery", stall[1], "PASS", 0.0, "0"),
        ]
        self.outcomes = dict.fromkeys(self.estimates, ("done", ""))
        self.exchanges: dict[str, list[dict[str, Any]]] = {}
        self.not_acquired: list[dict[str, str]] = []
        self.identities = {"drive": "stand-in drive", "counter": "stand-in counter", "gauge": "stand-in gauge"}

    def write(self) -> Path:
        self.directory.mkdir(parents=True, exist_ok=True)
        write_record(self.directory, self.sections())
        return self.directory

    def sections(self) -> dict[str, Any]:
        return {
            "run": self.run,
            "plan": _text("doser.plan.yaml", self.plan_text, name="doser", purpose="nightly", rule="guarded"),
            "bench": _text("doser.bench.yaml", self.bench_text, name="doser-rig-1", identities=self.identities),
            "axis": {"name": "doser", "serial": "TB-0417"},
            "procedures": [self._procedure(name) for name in self.estimates],
            "findings": self.findings,
            "not_acquired": self.not_acquired,
            "software": {
                "stepwitness": "0.1.0",
                "python": "3.11.7",
                "numpy": "2.4.6",
                "scipy": "1.17.0",
                "platform": "Linux-x86_64",
            },
            "report": {
                "standard": "ISO/IEC 17025:2017, 7.8",
                "operator": "MK",
                "items": [
                    {"clause": "7.8.2.1 b", "item": "laboratory", "told": "Tarnbrook Dosing, test room 2"},
                    {"clause": "7.8.2.1 e", "item": "customer", "told": None},
                ],
            },
            "chain": {"bench": "doser-rig-1", "number": 1, "previous": None, "folder": self.directory.name},
        }

    def _procedure(self, name: str) -> dict[str, Any]:
        outcome, cause = self.outcomes[name]
        journal = f"{name}.journal.jsonl"
        batches = self._journal(name, self.directory / journal)
        return {
            "id": name,
            "procedure": self.renamed.get(name, name),
            "title": name.replace("_", " "),
            "evaluator": "1",
            "journal": journal,
            "outcome": outcome,
            "cause": cause,
            "started_s": 0.0,
            "ended_s": 161.4,
            "batches": list(batches),
            "estimates": self.estimates[name],
        }

    def _journal(self, name: str, path: Path) -> tuple[str, ...]:
        rows = {"repeatability": _positions, "backlash": _reversals, "stall_recovery": _stalls}[name]
        outcome, cause = self.outcomes[name]
        with JournalWriter(path, {"procedure": name}, batch_rows=200) as journal:
            for table, row in rows(self):
                if not self.gauge and "gauge_m" in row:
                    row["gauge_m"] = None
                journal.write(table, row)
            for row in self.exchanges.get(name, ()):
                journal.write("exchanges", row)
            if outcome in ("done", "aborted"):
                journal.end(outcome, cause)
            else:
                journal.commit()
        return JournalReadings(path).digests


Rows = Iterator[tuple[str, dict[str, Any]]]


def _sweep(t_s: float, claim_m: float, counted_m: float, gauge_m: float) -> dict[str, Any]:
    return {"t_s": t_s, "skew_s": 2e-4, "claim_m": claim_m, "counted_m": counted_m, "gauge_m": gauge_m}


def _counted(travel_m: float) -> float:
    return round(travel_m / COUNT_M) * COUNT_M


def _positions(maker: RunMaker) -> Rows:
    """Targets in both directions: play, a pitch error of one sine, scatter of 1.2 µm."""
    draw = random.Random(7)
    targets = [0.0015 + index * 0.0057 + draw.uniform(-1e-3, 1e-3) for index in range(11)]
    t_s = 0.0
    yield "closure", {"run": 0, **_sweep(t_s, 0.001, 0.001, 0.001)}
    for run in range(maker.runs):
        yield "closure", {"run": run + 1, **_sweep(t_s, 0.001, 0.001 - run * COUNT_M, 0.001 + run * 2e-7)}
        for up in (True, False):
            for index in range(11) if up else reversed(range(11)):
                t_s += 0.6
                target = targets[index]
                pitch = 4e-6 * math.sin(target / 0.02) + 8e-5 * target
                side = -PLAY_M / 2 if up else PLAY_M / 2
                where = {"target_index": index, "target_m": target, "run": run, "up": up}
                seen = _sweep(
                    t_s,
                    target,
                    _counted(target + (-4e-7 if up else 4e-7)),
                    target + pitch + side + draw.gauss(0, 1.2e-6),
                )
                yield "positions", {**where, **seen}


def _reversals(maker: RunMaker) -> Rows:
    draw = random.Random(8)
    t_s = 0.0
    for place_index, place in enumerate((0.0155, 0.030, 0.0445)):
        for drag in (0.0, 6.0):
            for repeat in range(maker.runs):
                for up in (True, False):
                    t_s += 0.5
                    play = PLAY_M + 1.5e-6 * place_index + drag * 4e-7
                    gauge = place + (-play / 2 if up else play / 2) + draw.gauss(0, 7e-7)
                    where = {"place_index": place_index, "place_m": place, "drag_n": drag, "repeat": repeat, "up": up}
                    counted = _counted(place + (-6e-7 if up else 6e-7))
                    yield "reversals", {**where, **_sweep(t_s, place, counted, gauge)}


def _stalls(maker: RunMaker) -> Rows:
    """Starved out and back, then one stall provoked in mid-move; the speed is 6 mm/s."""
    t_s, stands_m, speed = 3.0, 0.026, 6e-3
    for look in range(5):
        yield "currents", {"t_s": t_s - 1 + look * 1e-3, "set_a": 0.6, "metered_a": 0.598 + look * 1e-3}
    for leg, way in (("out", 1), ("back", -1)):
        for step in range(70):
            moved = min(step * 0.02 * speed, 8e-3)
            claim = stands_m + (moved if way > 0 else 8e-3 - moved)
            shiver = 3e-6 * math.sin(step)
            t_s += 0.02
            yield "motion", {**_sweep(t_s, claim, _counted(stands_m + shiver), stands_m + shiver), "phase": "starved"}
        yield (
            "claim",
            {"leg": leg, "commanded_m": way * 8e-3, "claim_m": way * 8e-3, "counted_m": way * 1e-6, "gauge_m": 0.0},
        )
    for index in range(3):
        start_s = t_s + 1.0
        onset_s = start_s + 4e-3 / speed
        detected_s = onset_s + LATENCY_S * (1 - 0.1 * index)
        while t_s + 0.0011 < detected_s:
            t_s += 0.0011
            if t_s < (onset_s + 1e-3 if maker.starved_first else start_s):
                continue
            claim = stands_m + (t_s - start_s) * speed
            rests = stands_m + (min(t_s, onset_s) - start_s) * speed - 5e-6
            yield "motion", {**_sweep(t_s, claim, _counted(rests), rests - 2e-5), "phase": f"transient {index + 1}"}
        noticed = index + 1 != maker.unnoticed
        detection = {
            "index": index,
            "scenario": "transient",
            "loop": "harness",
            "detected": noticed,
            "onset_s": onset_s,
            "starved_s": onset_s + 2e-4,
            "onset_claim_m": stands_m + 4e-3,
            "detected_s": detected_s,
            "detected_skew_s": 2e-4,
            "detected_claim_m": stands_m + (detected_s - start_s) * speed,
            "following_error_m": (detected_s - onset_s) * speed + 5e-6,
        }
        if not noticed:
            detection |= dict.fromkeys(("detected_s", "detected_skew_s", "detected_claim_m", "following_error_m"))
        yield "detections", detection
        yield "events", {"t_s": detected_s, "event": "stall detected", "detail": f"transient stall {index + 1}"}
        t_s += 1.0
    yield from _standstill()


def _standstill() -> Rows:
    """Brought back from three steps away, then held by windows down to one that is finer than a microstep."""
    for scenario, window, before, after in (
        ("return", 1.0, -3.0, 0.05),
        ("left alone", 1.0, 0.5, 0.5),
        ("hunting", 0.25, 0.5, 0.05),
        ("hunting", 0.025, 0.05, -0.05),
    ):
        for look in range(40):
            hunts = window < 0.05 and look % 2 == 0
            error = before if look == 0 or hunts else after
            row = {"scenario": scenario, "loop": "harness", "window_m": window * STEP_M, "t_s": look * 0.0125}
            yield "standstill", {**row, "error_m": error * STEP_M, "correction_m": 0.0}


def _text(file: str, text: str, **more: Any) -> dict[str, Any]:
    return {"file": file, "text": text, "sha256": text_digest(text), **more}


@pytest.fixture
def make_run(tmp_path: Path) -> RunMaker:
    """A failing run of the doser; change what the test needs, then `write`."""
    return RunMaker(tmp_path / "2026-11-25T0210")


@pytest.fixture
def gaugeless_run(make_run: RunMaker) -> RunMaker:
    """The same on a bench without a gauge: the load's figures can't be observed."""
    make_run.gauge = False
    make_run.bench_text = GAUGELESS_BENCH
    reason = "no displacement gauge on the load: a motor-side encoder can't see what lies behind it"
    for held in (*make_run.estimates["repeatability"], *make_run.estimates["backlash"], *make_run.findings[:3]):
        unobserved(held, reason)
    make_run.run.update(verdict="FAIL", statement="doser, serial TB-0417: FAIL. The drive claims what nobody saw.")
    return make_run
