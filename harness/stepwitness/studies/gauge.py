"""How good a gauge is: several parts, each measured several times by each appraiser (operator, bench, mounting)."""

from __future__ import annotations

from stepwitness.errors import BadInput, Place
from stepwitness.metrology.gauge_study import Component, gauge_study
from stepwitness.studies.study import Figure, Readings, Study, between, of_readings, rounded

GOOD_PERCENT, POOR_PERCENT = 10.0, 30.0
"""Of %GRR (common practice, no source): up to the first a gauge is good, from the second on it isn't good enough."""

WORDING = "ISO 22514-7, from memory"


def gauge(
    table: Readings,
    *,
    part: str,
    appraiser: str,
    value: str,
    unit: str = "",
    lower: float | None = None,
    upper: float | None = None,
) -> Study:
    """A crossed gauge study.

    Parameters
    ----------
    part, appraiser, value : columns. unit : of the readings, to print. lower, upper : limits of the characteristic.

    Raises
    ------
    BadInput : a reading that isn't one, and a study in which not every appraiser measured every part as often.
    """
    with of_readings(table):
        found = gauge_study(_crossed(table, part=part, appraiser=appraiser, value=value), lower=lower, upper=upper)
    figures = [
        Figure("share of the gauge in the spread, %GRR", found.grr.percent, found.grr_percent, "%", WORDING),
        _component("gauge, GRR", found.grr, unit),
        _component("repeatability, EV", found.repeatability, unit),
        _component("between appraisers, AV", found.reproducibility, unit),
        *(() if found.pooled else (_component("appraiser with part, INT", found.interaction, unit),)),
        _component("between parts, PV", found.part, unit),
        Figure("classes told apart", found.classes, found.classes_interval, "", "1.41 PV / GRR"),
    ]
    if found.of_tolerance is not None:
        figures.append(Figure("share of the tolerance, 6 GRR", found.of_tolerance, found.of_tolerance_interval, "%"))
    percent = found.grr.percent
    worth = "good" if percent <= GOOD_PERCENT else "poor" if percent >= POOR_PERCENT else "fair"
    statement = (
        f"The gauge makes {rounded(percent)} % of the spread ({between(found.grr_percent, '%')}), which is {worth} by "
        f"common practice (10 and 30 %), and tells {found.distinct} classes of parts apart."
    )
    pooled = "The interaction of appraiser and part was pooled with the repeatability, as its test allows."
    return Study(statement, tuple(figures), (pooled,) if found.pooled else ())


def _component(title: str, component: Component, unit: str) -> Figure:
    return Figure(title, component.sd, component.interval, unit, "standard deviation, by analysis of variance")


def _crossed(table: Readings, *, part: str, appraiser: str, value: str) -> list[list[list[float]]]:
    cells = table.grouped(value, (part, appraiser))
    parts, appraisers = (list(dict.fromkeys(key[at] for key in cells)) for at in (0, 1))
    most = max(map(len, cells.values()))
    for one in parts:
        for other in appraisers:
            have = len(cells.get((one, other), ()))
            if have != most:
                raise BadInput(
                    "not every appraiser measured every part as often",
                    place=Place(table.file),
                    found=f"{have} by {other} of {one}, {most} elsewhere",
                )
    return [[cells[one, other] for other in appraisers] for one in parts]
