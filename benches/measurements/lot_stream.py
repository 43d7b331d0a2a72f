"""Long series of lots from a simulated supplier, against a Markov chain of the switching rules computed apart.

    python benches/measurements/lot_stream.py [--lots 200000]

For each quality of the process, from half the AQL to four times it: the share of lots accepted on normal and on
tightened inspection against the binomial, and over the whole series, with switching, against the stationary
distribution of a chain that is written out here from the text of the rules (2 of 5 or fewer to tighten, 5 in a row to
go back, 5 not accepted to discontinue; the supplier then acts at once, and inspection resumes tightened). Lots are
drawn, judged and switched by the code that real ones go through. Differences are in standard errors of the simulation;
successive lots depend on each other through the stage, so that of the series is found from batches.
"""

from __future__ import annotations

import argparse
import math
import statistics
from collections import defaultdict
from random import Random

import numpy as np

from stepwitness.inspection.description import Sampling
from stepwitness.inspection.sampling import sample_plan
from stepwitness.inspection.sentence import Outcome, Sentence, Unit, judged_lot
from stepwitness.inspection.serials import drawn
from stepwitness.metrology.operating_characteristic import accept_binomial
from stepwitness.metrology.switching import Inspected, Stage, State, after, resumed
from stepwitness.serials import expanded

SERIALS = expanded("FS-001 to FS-120")
SAMPLING = Sampling("ISO 2859-1:1999", "II", 2.5)
AQL = 0.025
BATCHES = 50
LEAST = 1000
UNITS = {bad: Unit("", outcome, outcome, {}) for bad, outcome in enumerate((Outcome.CONFORMING, Outcome.NONCONFORMING))}

Place = tuple[str, tuple[bool, ...], int, int]
"""Where a series is: stage, the last lots on normal, and on tightened accepted in a row and not accepted in all."""


def next_place(place: Place, accepted: bool) -> Place:
    """The rules as the text has them."""
    stage, recent, row, failed = place
    if stage == "normal":
        recent = (*recent, accepted)[-5:]
        return ("tightened", (), 0, 0) if recent.count(False) >= 2 else ("normal", recent[-4:], 0, 0)
    if accepted:
        return ("normal", (), 0, 0) if row + 1 == 5 else ("tightened", (), row + 1, failed)
    return ("tightened", (), 0, 0) if failed + 1 == 5 else ("tightened", (), 0, failed + 1)


def stationary(chances: dict[str, float]) -> tuple[float, dict[str, float]]:
    """Share of lots accepted in the long run, and share of lots on each stage."""
    places: list[Place] = [("normal", (), 0, 0)]
    for place in places:
        for accepted in (True, False):
            if (then := next_place(place, accepted)) not in places:
                places.append(then)
    moves = np.zeros((len(places), len(places)))
    for at, place in enumerate(places):
        moves[at, places.index(next_place(place, True))] += chances[place[0]]
        moves[at, places.index(next_place(place, False))] += 1.0 - chances[place[0]]
    equations = np.vstack([moves.T - np.eye(len(places)), np.ones(len(places))])
    shares = np.linalg.lstsq(equations, np.append(np.zeros(len(places)), 1.0), rcond=None)[0]
    by_stage: dict[str, float] = defaultdict(float)
    for place, share in zip(places, shares, strict=True):
        by_stage[place[0]] += float(share)
    return sum(share * chances[stage] for stage, share in by_stage.items()), dict(by_stage)


def stream(fraction: float, lots: int, seed: int) -> tuple[list[bool], list[str]]:
    """Whether each lot was accepted, and the stage that it was inspected on."""
    chance, state = Random(seed), State(SAMPLING.edition)
    plans = {stage: sample_plan(SAMPLING, len(SERIALS), stage) for stage in (Stage.NORMAL, Stage.TIGHTENED)}
    accepted, stages = [], []
    for number in range(lots):
        if state.stage is Stage.DISCONTINUED:
            state = resumed(state)
        plan = plans[state.stage]
        bad = {serial: chance.random() < fraction for serial in SERIALS}
        units = [UNITS[bad[serial]] for serial in drawn(SERIALS, plan.sample, number)]
        judged = judged_lot(plan, SAMPLING, units)
        accepted.append(judged.sentence is Sentence.ACCEPTED)
        stages.append(state.stage.value)
        state = after(state, Inspected(plan.attributes, judged.nonconforming))
    return accepted, stages


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--lots", type=int, default=200_000, help="in each series")
    lots = parser.parse_args().lots
    if lots < LEAST:
        parser.error(f"--lots {lots}: at least {LEAST}, for shares that have a standard error")
    plans = {stage: sample_plan(SAMPLING, len(SERIALS), Stage(stage)) for stage in ("normal", "tightened")}
    print(f"lots of {len(SERIALS)}, {SAMPLING.edition}, level II, AQL 2.5 %; {lots} lots a series")
    for stage, plan in plans.items():
        print(f"  {stage}: n = {plan.sample}, Ac = {plan.attributes.ac}")
    print("\nquality  stage       lots  accepted  computed  off by / s.e.")
    worst = 0.0
    for times in (0.5, 1.0, 1.5, 2.0, 4.0):
        fraction = times * AQL
        chances = {
            stage: float(accept_binomial(plan.sample, plan.attributes.ac, [fraction])[0])
            for stage, plan in plans.items()
        }
        accepted, stages = stream(fraction, lots, seed=int(1000 * times))
        for stage, due in chances.items():
            held = [one for one, at in zip(accepted, stages, strict=True) if at == stage]
            if held:
                found = sum(held) / len(held)
                off = (found - due) / math.sqrt(due * (1.0 - due) / len(held))
                worst = max(worst, abs(off))
                print(f"{100 * fraction:6.2f} %  {stage:9} {len(held):6}    {found:.4f}    {due:.4f}  {off:+.2f}")
        due, by_stage = stationary(chances)
        size = lots // BATCHES
        means = [sum(accepted[at * size : (at + 1) * size]) / size for at in range(BATCHES)]
        found, error = statistics.mean(means), statistics.stdev(means) / math.sqrt(BATCHES)
        off = (found - due) / error
        worst = max(worst, abs(off))
        tight = stages.count("tightened") / lots
        print(
            f"{100 * fraction:6.2f} %  series    {lots:6}    {found:.4f}    {due:.4f}  {off:+.2f}   "
            f"on tightened {tight:.3f}, computed {by_stage.get('tightened', 0.0):.3f}"
        )
    print(f"\nthe greatest difference is {worst:.2f} standard errors, of 15")


if __name__ == "__main__":
    main()
