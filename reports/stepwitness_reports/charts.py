"""Plain charts: some lines in one frame, or in a row of small frames on one scale.

1. A line is labelled at its end; in small frames, which have no room for that, in the caption.
2. Up is filled and points up, down is open and points down, as in every picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from markupsafe import Markup

from stepwitness_reports.plots import LEFT, RIGHT, WIDTH, Bound, end_labels, forbidden, line_mark
from stepwitness_reports.svg import Frame, group, hatch, picture, polyline, span, text, triangle

_HEIGHT = 150.0
_A_ROW = 3
_GAP = 26.0
_BELOW = 44.0


class Mark(Enum):
    """What stands at each point."""

    NONE = "none"
    UP = "up"
    DOWN = "down"
    DISC = "disc"
    SQUARE = "square"


@dataclass(frozen=True)
class Series:
    """Points in the chart's units, the class of their witness, and the words at the end of their line."""

    points: tuple[tuple[float, float], ...]
    words: str = ""
    class_: str = ""
    mark: Mark = Mark.NONE
    joined: bool = True


def chart(
    series: Sequence[Series],
    *,
    x_title: str,
    y_title: str,
    title: str,
    limit: Bound | None = None,
    name: str = "",
    least: float = 1.0,
    zero: bool = True,
) -> Markup:
    """Lines in one frame, `least` high at least and with `zero` in it or not; beyond a `limit`, to both sides, is
    hatched under `name`."""
    bounds = (limit.value, -limit.value) if limit else ()
    frame = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=28,
        bottom=28 + _HEIGHT,
        x_range=span([x for one in series for x, _ in one.points], pad=0.03, least=1e-9),
        y_range=span([*((0.0,) if zero else ()), *bounds, *(y for one in series for _, y in one.points)], least=least),
        x_title=x_title,
        y_title=y_title,
        y_ticks=5,
    )
    parts = [hatch(name), forbidden(frame, name, limit.value, both=True)] if limit else []
    labels = [(frame.y(limit.value), limit.words, "limit")] if limit else []
    parts.append(frame.drawn())
    for one in series:
        parts.append(_drawn(frame, one))
        if one.words and one.points:
            labels.append((frame.y(one.points[-1][1]), one.words, one.class_))
    parts.append(end_labels(frame, labels))
    return picture(WIDTH, 28 + _HEIGHT + _BELOW, title, *parts)


@dataclass(frozen=True)
class Panel:
    """One small frame: its words, and its lines."""

    words: str
    series: tuple[Series, ...]


def multiples(panels: Sequence[Panel], *, x_title: str, y_title: str, title: str, least: float = 1.0) -> Markup:
    """Small frames side by side, on one scale upwards; each has its own stretch of the quantity along."""
    y_range = span([0.0, *(y for panel in panels for one in panel.series for _, y in one.points)], least=least)
    width = (WIDTH - LEFT - _GAP * (_A_ROW - 1)) / _A_ROW
    parts: list[Markup] = []
    bottom = 0.0
    for index, panel in enumerate(panels):
        row, column = divmod(index, _A_ROW)
        left, top = LEFT + column * (width + _GAP), 44 + row * (_HEIGHT * 0.7 + 78)
        bottom = top + _HEIGHT * 0.7
        frame = Frame.placed(
            left=left,
            right=left + width,
            top=top,
            bottom=bottom,
            x_range=span([x for one in panel.series for x, _ in one.points], pad=0.03, least=1e-9),
            y_range=y_range,
            x_title=x_title,
            x_ticks=4,
            y_ticks=5,
            y_numbers=column == 0,
        )
        parts += [frame.drawn(), *(_drawn(frame, one) for one in panel.series)]
        parts.append(text(left, top - 8, panel.words, class_="tick"))
    parts.append(text(LEFT - 50, 14, y_title, class_="title"))
    return picture(WIDTH, bottom + _BELOW, title, *parts)


def _drawn(frame: Frame, one: Series) -> Markup:
    at = [(frame.x(x), frame.y(y)) for x, y in one.points if math.isfinite(y)]
    # what a drive was told is dashed wherever it stands; of the others a thin line joins what was read
    line_class = "witness drive" if one.class_ == "drive" else f"mean {one.class_}" if one.class_ else "error"
    parts = [polyline(at, class_=line_class)] if one.joined and len(at) > 1 else []
    if one.mark is not Mark.NONE:
        parts.append(group(*(_mark(one.mark, x, y) for x, y in at), class_=f"marks {one.class_}"))
    return group(*parts)


def _mark(mark: Mark, x: float, y: float) -> Markup:
    if mark in (Mark.UP, Mark.DOWN):
        return triangle(x, y, up=mark is Mark.UP, size=3.2)
    return line_mark(mark is Mark.SQUARE, x, y)
