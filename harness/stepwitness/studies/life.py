"""How long units last: a Weibull life by maximum likelihood, suspensions included."""

from __future__ import annotations

from stepwitness.errors import BadInput, Place
from stepwitness.metrology.life import StoppedBy, fit_weibull, life_quantile
from stepwitness.metrology.life_demonstration import reliability_bound
from stepwitness.studies.study import Figure, Readings, Study, between, of_readings, rounded

B10 = 0.1


def life(
    table: Readings,
    *,
    value: str,
    failed: str = "",
    unit: str = "",
    stopped_by: StoppedBy = "time",
    mission: float | None = None,
    reliability: float | None = None,
    shape: float | None = None,
) -> Study:
    """The fitted life, or with a supposed `shape` the bound that few failures, or none, give.

    Parameters
    ----------
    value, failed : columns: how long each unit ran, and whether it failed then (all did, unless said). mission : a time
        in the unit of the lives. reliability : wanted over the mission, held against the lower bound.

    Raises
    ------
    BadInput : lives that aren't above 0, fewer than two failures without a shape, a reliability without a mission.
    """
    if reliability is not None and (mission is None or shape is None):
        raise BadInput(
            "a reliability is shown over a mission, by a supposed shape",
            place=Place(table.file),
            allowed="a mission and a shape beside it",
        )
    lives = table.numbers(value)
    marks = table.marks(failed) if failed else [True] * len(lives)
    if shape is not None:
        return _bounded(table, lives, sum(marks), unit=unit, mission=mission, reliability=reliability, shape=shape)
    with of_readings(table):
        fit = fit_weibull(lives, marks, stopped_by=stopped_by)
        early = life_quantile(fit, B10)
    figures = [
        Figure("shape β", fit.shape, fit.shape_interval, "", "Weibull, maximum likelihood"),
        Figure("scale η", fit.scale, fit.scale_interval, unit, "63.2 % have failed"),
        Figure("life B10", early.value, early.interval, unit, "10 % have failed"),
        Figure("mean life", fit.mean, None, unit),
    ]
    if mission is not None:
        figures.append(Figure(f"reliability over {rounded(mission)} {unit}".rstrip(), fit.reliability(mission)))
    statement = (
        f"{fit.failures} of {fit.n} units failed; 10 % have failed by {rounded(early.value)} {unit}".rstrip()
        + f" ({between(early.interval, unit)})."
    )
    return Study(statement, tuple(figures), ("Intervals are by the likelihood ratio, at 95 %.",))


def _bounded(
    table: Readings,
    lives: list[float],
    failures: int,
    *,
    unit: str,
    mission: float | None,
    reliability: float | None,
    shape: float,
) -> Study:
    if mission is None:
        raise BadInput(
            "a supposed shape bounds the reliability over a mission", place=Place(table.file), allowed="a mission"
        )
    with of_readings(table):
        bound = reliability_bound(lives, mission=mission, failures=failures, shape=shape)
    title = f"reliability over {rounded(mission)} {unit}".rstrip()
    holds = None if reliability is None else bound >= reliability
    statement = f"With 95 % confidence the {title} is at least {rounded(bound)} ({failures} of {len(lives)} failed)"
    if reliability is not None:
        statement += f"; {rounded(reliability)} is {'shown' if holds else 'not shown'}"
    figure = Figure(title, bound, None, "", f"lower bound, Weibull with a supposed shape of {rounded(shape)}")
    return Study(f"{statement}.", (figure,), holds=holds)
