"""How a process fits between its limits: performance, capability from subgroups, and a tolerance interval."""

from __future__ import annotations

from typing import get_args

from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.metrology.capability import Index, capability, performance
from stepwitness.metrology.quantile_capability import Shape, quantile_performance
from stepwitness.studies.study import Figure, Readings, Study, between, of_readings, rounded

SHAPES: tuple[str, ...] = get_args(Shape)
WORDING = "ISO 22514-2, from memory"


def process(
    table: Readings,
    *,
    value: str,
    subgroup: str = "",
    shape: Shape = "normal",
    unit: str = "",
    lower: float | None = None,
    upper: float | None = None,
    wanted: float | None = None,
) -> Study:
    """Ppk of all readings and, with a column that names `subgroup`, Cpk within them.

    Parameters
    ----------
    value, subgroup : columns. shape : of the distribution. lower, upper : limits, in the unit of the readings.
    wanted : the index that has to be shown: the lower end of the interval is held against it.

    Raises
    ------
    BadInput : a reading that isn't one, no limit, too few readings.
    """
    if shape not in SHAPES:
        raise BadInput("no such shape", found=f"'{shape}'", allowed=", ".join(SHAPES), cure=near_miss(shape, SHAPES))
    values = table.numbers(value)
    if lower is None and upper is None:
        raise BadInput(
            "a process without a limit", place=Place(table.file), allowed="a lower limit, an upper one or both"
        )
    with of_readings(table):
        overall = performance(values, lower=lower, upper=upper)
        figures = [Figure("mean", overall.mean, None, unit), Figure("standard deviation", overall.sd, None, unit)]
        if shape == "normal":
            figures += _indices("P", overall.spread, overall.least)
            least, interval = overall.least.value, overall.least.interval
            figures.append(
                Figure(
                    "outside the limits",
                    100 * (overall.outside_lower + overall.outside_upper),
                    None,
                    "%",
                    "normal process",
                )
            )
        else:
            by_quantiles = quantile_performance(values, shape=shape, lower=lower, upper=upper)
            least, interval = by_quantiles.ppk, by_quantiles.ppk_interval
            figures += [
                Figure("0.135 % quantile", by_quantiles.x_low, None, unit),
                Figure("median", by_quantiles.x_mid, None, unit),
                Figure("99.865 % quantile", by_quantiles.x_high, None, unit),
                Figure("Ppk", least, interval, "", f"{WORDING}; quantiles of a {shape} distribution"),
                *(() if shape == "readings" else (Figure("probability of so poor a fit", by_quantiles.fit_p),)),
            ]
        if subgroup:
            within = capability(list(table.grouped(value, (subgroup,)).values()), lower=lower, upper=upper)
            figures += _indices("C", within.spread, within.least)
    statement = f"Ppk is {rounded(least)} ({between(interval)}) from {len(values)} readings"
    holds = None if wanted is None else interval.low >= wanted
    if wanted is not None:
        statement += f"; {rounded(wanted)} is {'shown' if holds else 'not shown'}"
    return Study(f"{statement}.", tuple(figures), holds=holds)


def _indices(letter: str, spread: Index | None, least: Index) -> list[Figure]:
    both = [] if spread is None else [Figure(f"{letter}p", spread.value, spread.interval, "", WORDING)]
    return [*both, Figure(f"{letter}pk", least.value, least.interval, "", WORDING)]
