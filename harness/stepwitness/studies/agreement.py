"""Whether two witnesses agree: bench against bench, gauge against counter, this year against last."""

from __future__ import annotations

from stepwitness.errors import BadInput, Place
from stepwitness.metrology.agreement import limits_of_agreement
from stepwitness.studies.study import Figure, Readings, Study, between, of_readings, rounded


def agreement(table: Readings, *, first: str, second: str, unit: str = "", wanted: float | None = None) -> Study:
    """Paired differences of two columns, and the limits between which 95 % of differences lie.

    Parameters
    ----------
    first, second : columns, each line one thing that both saw. wanted : the greatest difference that is allowed: the
        outer ends of both limits' intervals are held against it.

    Raises
    ------
    BadInput : a reading that isn't one, fewer than three pairs, differences without spread.
    """
    if first == second:
        raise BadInput("a witness is compared with itself", place=Place(table.file), found=f"'{first}' twice")
    with of_readings(table):
        found = limits_of_agreement(table.numbers(first), table.numbers(second))
    figures = [
        Figure(f"{first} − {second}", found.bias, found.bias_interval, unit, "mean of paired differences, Student's t"),
        Figure("probability of so great a mean without bias", found.bias_p),
        Figure("lower limit of agreement", found.lower, found.lower_interval, unit, "95 % of differences"),
        Figure("upper limit of agreement", found.upper, found.upper_interval, unit, "95 % of differences"),
    ]
    if found.trend is not None:
        figures.append(Figure("difference per reading", found.trend, found.trend_interval, "", "slope over the mean"))
    seen = "" if 0.0 in found.bias_interval else ", which is told from none"
    unit_text = f" {unit}" if unit else ""
    statement = (
        f"{first} reads {rounded(found.bias)}{unit_text} against {second} on the mean of {found.n} pairs "
        f"({between(found.bias_interval, unit)}){seen}; 95 % of differences lie between {rounded(found.lower)} and "
        f"{rounded(found.upper)}{unit_text}"
    )
    holds = None
    if wanted is not None:
        holds = -wanted <= found.lower_interval.low and found.upper_interval.high <= wanted
        statement += f"; {rounded(wanted)}{unit_text} either way is {'shown' if holds else 'not shown'}"
    return Study(f"{statement}.", tuple(figures), holds=holds)
