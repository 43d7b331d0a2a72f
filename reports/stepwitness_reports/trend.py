"""A trend as a picture of its own: a panel for each history, one below the other, all over the same time.

1. Each value stands with its expanded uncertainty, under the mark of its verdict; the line between values breaks where
   the history splits, and what changed there is told below by number.
2. A limit is drawn over the records that had it, hatched on the side where no value may lie. One that would flatten
   the rest is told in words.
3. The file needs no other and has the colours of print, as it goes into documents that know no scheme of colours.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import UTC
from itertools import pairwise

from markupsafe import Markup

from stepwitness.display import MINUS
from stepwitness.history.series import Series, Shown
from stepwitness_reports.dates import date_marks, time_title
from stepwitness_reports.history import FAR
from stepwitness_reports.plots import LEFT, RIGHT, WIDTH
from stepwitness_reports.sheet import capital, environment
from stepwitness_reports.style import LIGHT
from stepwitness_reports.svg import Frame, group, hatch, hatched, line, polyline, span, tag, text

TOP, HEIGHT, FOOT = 74.0, 190.0, 46.0
LINE_HEIGHT = 17.0
MARGIN = 16.0
ABOUT = 6
"""Marks on the axis of time: as many dates as stand side by side."""

LEAST_TIME_S = 60.0
LEAST_SHARE = 0.05
"""Values that are all the same stand in a range of this share of them."""

LEAST_LABELLED = 90.0
"""A limit of the past that was shorter in force has no room for its words."""

COLUMNS = 110


def draw(found: Sequence[Series]) -> str:
    """The picture as the text of an SVG file; the same histories give the same text."""
    panels: list[Markup] = []
    time = span([_s(point) for one in found for point in one.points], pad=0.03, least=LEAST_TIME_S)
    y = MARGIN
    for index, one in enumerate(found):
        height, panel = _panel(one, time, name=f"limit{index}")
        panels.append(tag("g", panel, transform=f"translate({MARGIN:.0f} {y:.2f})"))
        y += height
    width = WIDTH + 2 * MARGIN
    ground = tag("rect", width=width, height=y, fill=LIGHT.background)
    title = tag("title", f"{found[0].heading} over time" if found else "nothing to show")
    sizes = {"width": f"{width:.0f}", "height": f"{y:.0f}", "viewBox": f"0 0 {width:.0f} {y:.0f}"}
    style = tag("style", Markup(_style()))
    return (
        f"{tag('svg', title, style, ground, *panels, xmlns='http://www.w3.org/2000/svg', class_='picture', **sizes)}\n"
    )


def _style() -> str:
    """The style of every picture with its colours filled in: not every program that shows SVG knows CSS variables."""
    css = environment().get_template("picture.css").render()
    for name, colour in asdict(LIGHT).items():
        css = css.replace(f"var(--{name.replace('_', '-')})", colour)
    css = re.sub(r"var\(--ink(, [^)]*)?\)", LIGHT.text, css)
    return f'{css}.picture {{ font-family: system-ui, "Segoe UI", "Liberation Sans", "DejaVu Sans", sans-serif; }}\n'


def _s(point: Shown) -> float:
    return point.time.timestamp()


def _panel(series: Series, time: tuple[float, float], *, name: str) -> tuple[float, Markup]:
    """A history, and the height that it takes."""
    points = series.points
    ends = [end for one in points for end in (one.value - one.expanded, one.value + one.expanded)]
    low, high = span(ends, pad=0.1, least=LEAST_SHARE * max(map(abs, ends)) or 1.0)
    bounds = sorted({bound for one in points for bound in one.limits})
    near = [bound for bound in bounds if min(abs(bound - low), abs(bound - high)) < FAR * (high - low)]
    frame = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=TOP,
        bottom=TOP + HEIGHT,
        x_range=time,
        y_range=span([low, high, *near], pad=0.04),
        x_title=time_title(*time, about=ABOUT),
        y_title=f"{capital(series.heading.partition(': ')[2])} / {series.unit or '1'}",
        x_marks=date_marks(*time, about=ABOUT),
    )
    far = dict.fromkeys(one.limit_text for one in points if set(one.limits) - set(near))
    below = [*_notes(series, far=list(far))]
    foot = TOP + HEIGHT + FOOT + LINE_HEIGHT
    parts = [
        hatch(name),
        text(0, 14, capital(series.heading), class_="heading"),
        text(0, 32, series.subject, class_="tick"),
        *([text(WIDTH, 14, "SIMULATED", anchor="end", class_="heading")] if series.simulated else ()),
        frame.drawn(),
        *_limits(frame, series, near, name),
        _splits(frame, points),
        _values(frame, points),
        *_key(points, foot),
        *(text(0, foot + LINE_HEIGHT * (1 + index), words, class_="tick") for index, words in enumerate(below)),
    ]
    return foot + LINE_HEIGHT * (len(below) + 2), group(*parts)


def _notes(series: Series, *, far: Sequence[str]) -> Iterator[str]:
    """What stands below: each split by its number, a limit that isn't drawn, and what the newest run found."""
    for number, point in enumerate((one for one in series.points if one.changed), start=1):
        told = f"{number}: since {point.time.astimezone(UTC):%Y-%m-%d %H:%M}: {'; '.join(point.changed)}"
        yield from textwrap.wrap(told, COLUMNS, subsequent_indent="\u2003")
    if far:
        yield "Outside the picture: " + ", ".join(f"limit {words}" for words in far) + "."
    if series.newest:
        yield from textwrap.wrap(f"The newest run: {series.newest}.", COLUMNS)


# -- what is drawn ---------------------------------------------------------------------------------------------


def _between(frame: Frame, points: Sequence[Shown], index: int) -> float:
    """The place before the point `index`: in the middle between it and the one before, or an edge."""
    if index == 0:
        return frame.left
    if index == len(points):
        return frame.right
    return frame.x((_s(points[index - 1]) + _s(points[index])) / 2)


def _runs(keys: Sequence[object]) -> Iterator[tuple[int, int]]:
    """The index ranges in which the key stays the same."""
    edges = [0, *(index for index in range(1, len(keys)) if keys[index] != keys[index - 1]), len(keys)]
    yield from pairwise(edges)


def _limits(frame: Frame, series: Series, near: Sequence[float], name: str) -> Iterator[Markup]:
    points = series.points
    for first, end in _runs([one.limits for one in points]):
        left, right = _between(frame, points, first), _between(frame, points, end)
        bounds = points[first].limits
        for bound in bounds:
            if bound not in near:
                continue
            y = frame.y(bound)
            downwards = series.at_least or (len(bounds) == 2 and bound == bounds[0])
            yield hatched(name, left, y, right, frame.bottom if downwards else frame.top)
            yield line(left, y, right, y, class_="edge")
            sign = MINUS if len(bounds) == 2 and bound == bounds[0] else ""
            words = f"limit {sign}{points[first].limit_text}"
            if end == len(points):
                yield text(frame.right + 12, y + 4, words, class_="label limit")
            elif right - left > LEAST_LABELLED:
                yield text(left + 6, y + (-5 if downwards else 14), words, class_="label limit")


def _splits(frame: Frame, points: Sequence[Shown]) -> Markup:
    parts = []
    for number, index in enumerate((at for at, one in enumerate(points) if one.changed), start=1):
        x = _between(frame, points, index)
        parts.append(line(x, frame.top, x, frame.bottom, class_="split"))
        parts.append(text(x + 5, frame.top + 12, str(number), class_="label"))
    return group(*parts)


def _values(frame: Frame, points: Sequence[Shown]) -> Markup:
    places = [(frame.x(_s(one)), frame.y(one.value)) for one in points]
    lines = []
    starts = [0, *(index for index, one in enumerate(points) if one.changed and index), len(points)]
    for first, end in pairwise(starts):
        if end - first > 1:
            lines.append(polyline(places[first:end], class_="leader"))
    whiskers = [
        line(x, frame.y(one.value - one.expanded), x, frame.y(one.value + one.expanded), class_="whisker")
        for (x, _), one in zip(places, points, strict=True)
        if one.expanded
    ]
    marks = [_mark(x, y, one.verdict) for (x, y), one in zip(places, points, strict=True)]
    return group(*lines, *whiskers, group(*marks, class_="marks"))


def _mark(x: float, y: float, verdict: str, r: float = 3.4) -> Markup:
    """The shape of a verdict; open where the record had no limit."""
    if verdict == "FAIL":
        arms = f"M{x - r:.2f} {y - r:.2f}L{x + r:.2f} {y + r:.2f}M{x + r:.2f} {y - r:.2f}L{x - r:.2f} {y + r:.2f}"
        return tag("path", d=arms, class_="broken")
    ring = tag("circle", cx=x, cy=y, r=r, class_="filled" if verdict == "PASS" else "open")
    if verdict != "INCONCLUSIVE":
        return ring
    half = f"M{x:.2f} {y - r:.2f}A{r:.2f} {r:.2f} 0 0 0 {x:.2f} {y + r:.2f}Z"
    return group(ring, tag("path", d=half, class_="filled"))


def _key(points: Sequence[Shown], y: float) -> Iterator[Markup]:
    """What each mark says that is there, and the bars."""
    x = 6.0
    for verdict in dict.fromkeys(one.verdict for one in points):
        words = verdict or "without a limit"
        yield group(_mark(x, y - 4, verdict, 4.0), class_="marks")
        yield text(x + 10, y, words, class_="tick")
        x += 10 + (8.8 if verdict else 6.4) * len(words) + 18
    if any(one.expanded for one in points):
        yield line(x, y - 11, x, y + 3, class_="whisker")
        yield text(x + 8, y, "value \u00b1 U", class_="tick")
