"""The pictures of a lot: each unit against its limits, and what the sampling plan accepts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from stepwitness.display import THIN, number
from stepwitness.metrology.operating_characteristic import accept_binomial, quality_accepted
from stepwitness.metrology.variables_sampling import accept_one_limit
from stepwitness_reports import svg

WIDTH = 760.0
_LEFT, _RIGHT = 20.0, 720.0
_ROW_GAP, _LEAST_ROW, _MOST_ROW, _A_UNIT = 46.0, 26.0, 96.0, 7.0
_BESIDE, _LETTER = 9.0, 7.5
_BEYOND = 1.25
"""How far the scale goes beyond a limit at least, in limits."""


@dataclass(frozen=True)
class Mark:
    """One unit's value of a characteristic as a share of its limit, with its expanded uncertainty; and whether it
    holds."""

    serial: str
    share: float
    uncertainty: float
    holds: bool


@dataclass(frozen=True)
class Row:
    """A characteristic with a limit that isn't zero, and its units in the order tested."""

    title: str
    at_least: bool
    marks: tuple[Mark, ...]


def rows_of(units: Sequence[Mapping[str, Any]]) -> list[Row]:
    """What can be drawn of the units' findings."""
    rows: dict[tuple[str, str], list[Mark]] = {}
    about: dict[tuple[str, str], Mapping[str, Any]] = {}
    for unit in units:
        for finding in unit["findings"]:
            if finding["value"] is None or not finding["limit"] or finding["limit"] < 0:
                continue
            key = (finding["procedure"], finding["characteristic"])
            about[key] = finding
            scale = finding["limit"]
            share, uncertainty = finding["value"] / scale, (finding["U"] or 0.0) / scale
            rows.setdefault(key, []).append(Mark(unit["serial"], abs(share), uncertainty, finding["verdict"] == "PASS"))
    return [
        Row(
            f"{about[key]['title']} {about[key]['symbol']}".strip() + f", limit {about[key]['shown']['limit']}",
            about[key]["sense"] == "at least",
            tuple(marks),
        )
        for key, marks in rows.items()
    ]


def against_limits(rows: Sequence[Row]) -> Markup:
    """Every value over its limit, one scale for all rows; what doesn't hold is a cross with its serial number."""
    most = max((mark.share + mark.uncertainty for row in rows for mark in row.marks), default=1.0)
    x = svg.Scale(0.0, max(_BEYOND, 1.05 * most), _LEFT, _RIGHT)
    parts, top = [svg.hatch("lot-limit")], 30.0
    for row in rows:
        height = min(_MOST_ROW, max(_LEAST_ROW, _A_UNIT * len(row.marks)))
        parts += [svg.text(_LEFT, top - 8, row.title, class_="title"), _row(row, x, top, height)]
        top += height + _ROW_GAP
    bottom = top - _ROW_GAP + 8
    values, decimals = svg.ticks(x.low, x.high, about=8)
    for value in values:
        parts.append(svg.text(x(value), bottom + 14, number(value, decimals), anchor="middle", class_="tick"))
    parts.append(svg.text((_LEFT + _RIGHT) / 2, bottom + 34, "value / limit", anchor="middle", class_="title"))
    return svg.picture(WIDTH, bottom + 44, "Each unit's values as shares of their limits", *parts)


def _row(row: Row, x: svg.Scale, top: float, height: float) -> Markup:
    bad_from, bad_to = (x.low, 1.0) if row.at_least else (1.0, x.high)
    parts = [
        svg.hatched("lot-limit", x(bad_from), top, x(bad_to), top + height),
        svg.line(x(1.0), top - 3, x(1.0), top + height + 3, class_="edge"),
        svg.line(x.start, top + height, x.end, top + height, class_="axis"),
    ]
    step = height / (len(row.marks) + 1)
    for place, mark in enumerate(row.marks, start=1):
        at, y = x(mark.share), top + place * step
        if mark.uncertainty:
            ends = (x(max(0.0, mark.share - mark.uncertainty)), x(mark.share + mark.uncertainty))
            parts.append(svg.line(ends[0], y, ends[1], y, class_="bracket"))
        if mark.holds:
            parts.append(svg.tag("circle", cx=at, cy=y, r=3.2, class_="unit"))
            continue
        cross = f"M{at - 4:.2f} {y - 4:.2f}l8 8m0 -8l-8 8"
        parts.append(svg.tag("path", d=cross, class_="broken"))
        fits = at + _BESIDE + _LETTER * len(mark.serial) < x.end
        anchor, beside = ("start", _BESIDE) if fits else ("end", -_BESIDE)
        parts.append(svg.text(at + beside, y + 4, mark.serial, anchor=anchor, class_="label"))
    return svg.group(*parts)


def characteristic(sampling: Mapping[str, Any]) -> Markup:
    """P(accept) against the quality of the process, with the AQL and what is accepted once in ten times."""
    aql = sampling["aql_percent"] / 100.0
    most_accepted = sampling["re"] - 1
    hardly = quality_accepted(sampling["attributes_sample"], most_accepted, probability_of_acceptance=0.10)
    qualities = np.linspace(0.0, min(1.0, 1.6 * hardly), 121)

    def accepted(fraction: float) -> float:
        if sampling["k"] is not None:
            return 1.0 if fraction <= 0.0 else accept_one_limit(sampling["sample"], sampling["k"], fraction)
        return float(accept_binomial(sampling["sample"], most_accepted, [fraction])[0])

    frame = svg.Frame.placed(
        left=60,
        top=26,
        right=700,
        bottom=236,
        x_range=(0.0, 100.0 * float(qualities[-1])),
        y_range=(0.0, 1.0),
        x_title="nonconforming of all that is offered / %",
        y_title="probability of acceptance",
    )
    curve = frame.path([(100.0 * float(q), accepted(float(q))) for q in qualities], class_="error")
    points = [
        _point(frame, fraction, accepted(fraction), words)
        for fraction, words in ((aql, "AQL "), (hardly, ""))
        if fraction <= qualities[-1]
    ]
    return svg.picture(WIDTH, 280, "Operating characteristic of the sampling plan", frame.drawn(), curve, *points)


def _point(frame: svg.Frame, fraction: float, probability: float, words: str) -> Markup:
    x, y = frame.x(100.0 * fraction), frame.y(probability)
    told = f"{words}{number(100.0 * fraction, 1)}{THIN}%: accepted with {number(100.0 * probability, 1)}{THIN}%"
    return svg.group(
        svg.line(x, frame.bottom, x, y, class_="moment"),
        svg.tag("circle", cx=x, cy=y, r=3.6, class_="unit"),
        svg.text(x + 9, y - 7, told, class_="label"),
    )
