"""The pictures: plain numbers in the engineer's units in, one drawing out.

1. A witness keeps its class (colour and line) in every picture: drive, counter, gauge.
2. Lines are labelled where they end; up is filled, down is open; a limit is a grey hatch over what isn't allowed.
3. Nothing here reads a record or judges.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from stepwitness.display import THIN, number
from stepwitness_reports.svg import (
    Frame,
    Point,
    Scale,
    group,
    hatch,
    hatched,
    line,
    picture,
    polyline,
    span,
    spread,
    tag,
    text,
    triangle,
)

WIDTH = 760.0
LEFT = 64.0
RIGHT = 618.0
"""Where frames end; labels stand in the rest."""

WITNESS_WORDS = {"drive": "drive claims", "counter": "encoder counted", "gauge": "gauge read"}
"""The three witnesses by class, and what is written at their lines."""

LABEL_GAP = 15.0


@dataclass(frozen=True)
class TargetDeviations:
    """Deviations at one target, in µm; the means are None where nothing was read in that direction."""

    target_mm: float
    up_um: tuple[float, ...]
    down_um: tuple[float, ...]
    up_mean_um: float | None
    down_mean_um: float | None


@dataclass(frozen=True)
class Band:
    """A span of deviation at one target, in µm, with the words beside it."""

    target_mm: float
    low_um: float
    high_um: float
    words: str


def deviations(targets: Sequence[TargetDeviations], *, witness: str, band: Band | None, title: str) -> Markup:
    """Deviation against target: up filled, down open, the means of each direction joined."""
    held = [value for item in targets for value in (*item.up_um, *item.down_um)]
    if band is not None:
        held += [band.low_um, band.high_um]
    places = [item.target_mm for item in targets]
    frame = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=34,
        bottom=270,
        x_range=span(places, pad=0.05, least=1.0),
        y_range=span((*held, 0.0) if _near_zero(held) else held, least=1.0),
        x_title="target / mm",
        y_title="deviation / µm",
    )
    parts = [frame.drawn()]
    if band is not None:
        parts.append(_band(frame, band))
    ends: list[tuple[float, str]] = []
    for up in (True, False):
        means = [(item.target_mm, item.up_mean_um if up else item.down_mean_um) for item in targets]
        shift = 3.5 if up else -3.5
        joined = [(frame.x(x) + shift, frame.y(y)) for x, y in means if y is not None]
        if not joined:
            continue
        parts.append(polyline(joined, class_=f"mean {witness}"))
        ends.append((joined[-1][1], "up, mean" if up else "down, mean"))
        marks = [
            triangle(frame.x(item.target_mm) + shift, frame.y(value), up=up)
            for item in targets
            for value in (item.up_um if up else item.down_um)
        ]
        parts.append(group(*marks, class_=f"marks {witness}"))
    parts.append(end_labels(frame, [(y, words, witness) for y, words in ends]))
    parts.append(_marker_key(RIGHT - 172, 16, witness))
    return picture(WIDTH, 312, title, *parts)


def _near_zero(values: Sequence[float]) -> bool:
    """Whether zero lies near enough to show without flattening the rest."""
    if not values:
        return True
    width = max(max(values) - min(values), 1e-9)
    return min(values) < 0 < max(values) or min(abs(value) for value in values) < width


def _band(frame: Frame, band: Band) -> Markup:
    x = frame.x(band.target_mm) + 11
    low, high = frame.y(band.low_um), frame.y(band.high_um)
    left_half = x < (frame.left + frame.right) / 2
    return group(
        line(x, low, x, high, class_="bracket"),
        line(x - 4, low, x + 4, low, class_="bracket"),
        line(x - 4, high, x + 4, high, class_="bracket"),
        text(
            x + (7 if left_half else -7),
            max(high - 6, frame.top + 10),
            band.words,
            anchor="start" if left_half else "end",
            class_="label",
        ),
    )


def _marker_key(x: float, y: float, witness: str) -> Markup:
    """Which marker is which approach; the one thing here that a direct label can't say."""
    return group(
        group(triangle(x, y, up=True), class_=f"marks {witness}"),
        text(x + 9, y + 4, "going up", class_="tick"),
        group(triangle(x + 86, y, up=False), class_=f"marks {witness}"),
        text(x + 95, y + 4, "going down", class_="tick"),
    )


def end_labels(frame: Frame, labels: Sequence[tuple[float, str, str]]) -> Markup:
    """Words at the right end of lines: (picture y, words, class), moved apart where lines end together."""
    places = spread([y for y, _, _ in labels], gap=LABEL_GAP, low=frame.top + 4, high=frame.bottom)
    return group(
        *(
            group(
                line(frame.right + 2, y, frame.right + 9, place, class_=f"leader {class_}"),
                text(frame.right + 12, place + 4, words, class_=f"label {class_}"),
            )
            for (y, words, class_), place in zip(labels, places, strict=True)
        )
    )


@dataclass(frozen=True)
class Reversal:
    """Mean reversal at one place, in µm, with its least and greatest repeat."""

    place_mm: float
    mean_um: float
    low_um: float
    high_um: float


@dataclass(frozen=True)
class ReversalLine:
    """Reversals along the axis as one witness saw them under one drag."""

    witness: str
    words: str
    places: tuple[Reversal, ...]


@dataclass(frozen=True)
class Bound:
    """A limit in the plot's unit: what lies beyond it isn't allowed."""

    value: float
    words: str


def reversals(lines: Sequence[ReversalLine], *, limit: Bound | None, title: str, name: str) -> Markup:
    """Amount of reversal against place, one line a witness and drag, with the limit's hatch above it."""
    items = [item for one in lines for item in one.places]
    held = [value for item in items for value in (item.low_um, item.high_um)]
    frame = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=34,
        bottom=250,
        x_range=span([item.place_mm for item in items], pad=0.18, least=1.0),
        y_range=span((*held, *((limit.value,) if limit else ()), 0.0), pad=0.1, least=1.0),
        x_title="place / mm",
        y_title="reversal / µm",
    )
    parts = [hatch(name)]
    labels: list[tuple[float, str, str]] = []
    if limit is not None:
        parts.append(forbidden(frame, name, limit.value, both=False))
        labels.append((frame.y(limit.value), limit.words, "limit"))
    parts.append(frame.drawn())
    for index, one in enumerate(lines):
        shift = (index - (len(lines) - 1) / 2) * 12
        joined = [(frame.x(item.place_mm) + shift, frame.y(item.mean_um)) for item in one.places]
        parts.append(polyline(joined, class_=f"mean {one.witness}"))
        for item, (x, y) in zip(one.places, joined, strict=True):
            ends = frame.y(item.low_um), frame.y(item.high_um)
            parts.append(line(x, ends[0], x, ends[1], class_=f"whisker {one.witness}"))
            parts.append(group(line_mark(index, x, y), class_=f"marks {one.witness}"))
        labels.append((joined[-1][1], one.words, one.witness))
    parts.append(end_labels(frame, labels))
    return picture(WIDTH, 292, title, *parts)


def line_mark(index: int, x: float, y: float) -> Markup:
    """Disc for the first line, open square for the second, and so on in turn."""
    if index % 2:
        return tag("rect", x=x - 4, y=y - 4, width=8, height=8, class_="open")
    return tag("circle", cx=x, cy=y, r=4.2, class_="filled")


def forbidden(frame: Frame, name: str, bound: float, *, both: bool) -> Markup:
    """Hatch beyond `bound`, and where `both` holds below minus `bound`, with its edge."""
    parts = []
    for edge, far in ((bound, frame.y.high), (-bound, frame.y.low))[: 2 if both else 1]:
        if frame.y.low < edge < frame.y.high:
            y = frame.y(edge)
            parts += [
                hatched(name, frame.left, y, frame.right, frame.y(far)),
                line(frame.left, y, frame.right, y, class_="edge"),
            ]
    return group(*parts)


@dataclass(frozen=True)
class Moment:
    """An instant that matters, in seconds on the picture's time, and the words beside it."""

    t_s: float
    words: str


def travel(
    lines: Mapping[str, Sequence[Point]],
    errors: Sequence[Point],
    *,
    window_steps: float | None,
    moments: Sequence[Moment],
    title: str,
    name: str,
) -> Markup:
    """Travel by each witness (mm) against time, and the following error (full steps) against its window beneath.

    `lines` by witness class; `errors` may be empty where nobody counted.
    """
    times = [*(x for points in lines.values() for x, _ in points), *(moment.t_s for moment in moments)]
    first, last = min(times, default=0.0), max(times, default=1.0)
    room = (0.04 if moments else 0.0) * (last - first)
    x_range = (first - room, last + room) if last > first else (first, first + 1.0)
    upper = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=54,
        bottom=230,
        x_range=x_range,
        y_range=span((y for points in lines.values() for _, y in points if y is not None), least=0.01),
        x_title="" if errors else "time / s",
        y_title="travel / mm",
    )
    parts = [hatch(name), upper.drawn()]
    labels = []
    for witness in ("gauge", "counter", "drive"):
        points = lines.get(witness, ())
        parts.append(upper.path(points, class_=f"witness {witness}"))
        end = next((y for _, y in reversed(points) if y is not None), None)
        if end is not None:
            labels.append((upper.y(end), WITNESS_WORDS[witness], witness))
    parts.append(end_labels(upper, labels))
    bottom = upper.bottom
    if errors:
        lower = _following_error(parts, upper, errors, window_steps, name)
        bottom = lower.bottom
    parts.insert(1, _moments(upper, bottom, moments))
    return picture(WIDTH, bottom + 44, title, *parts)


def _following_error(
    parts: list[Markup], upper: Frame, errors: Sequence[Point], window: float | None, name: str
) -> Frame:
    values = [y for _, y in errors if y is not None]
    lower = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=upper.bottom + 40,
        bottom=upper.bottom + 138,
        x_range=(upper.x.low, upper.x.high),
        y_range=span((*values, *((window, -window) if window else (0.0,))), least=0.5, pad=0.15),
        x_title="time / s",
        y_title="following error / full steps",
        y_ticks=4,
    )
    labels = []
    if window:
        parts.append(forbidden(lower, name, window, both=True))
        labels.append((lower.y(window), f"window ±{number(window, 1)}{THIN}steps", "limit"))
    parts.append(lower.drawn())
    parts.append(lower.path(errors, class_="error"))
    if values:
        labels.append((lower.y(values[-1]), "claim − count", ""))
    parts.append(end_labels(lower, labels))
    return lower


def _moments(frame: Frame, bottom: float, moments: Sequence[Moment]) -> Markup:
    """Thin vertical lines through both frames, each with its words above all else, on the side that has room."""
    parts = []
    for index, moment in enumerate(moments):
        if not frame.x.low <= moment.t_s <= frame.x.high:
            continue
        x = frame.x(moment.t_s)
        y = frame.top - 8 - (index + 1) * LABEL_GAP
        on_left = x > (frame.left + frame.right) / 2
        parts += [
            line(x, y - 9, x, bottom, class_="moment"),
            text(x + (-5 if on_left else 5), y, moment.words, anchor="end" if on_left else "start", class_="label"),
        ]
    return group(*parts)


@dataclass(frozen=True)
class Testimony:
    """What one witness says of one leg: travel in mm, and the words at its bar. None where it wasn't there."""

    leg: str
    witness: str
    travel_mm: float | None
    words: str


def claims(items: Sequence[Testimony], *, title: str) -> Markup:
    """The three figures of the claim, side by side: one bar a witness and leg, on one scale."""
    legs = list(dict.fromkeys(item.leg for item in items))
    most = max((abs(item.travel_mm or 0.0) for item in items), default=0.0) or 1.0
    left, right = 196.0, 520.0
    scale = Scale(0.0, most, left, right)
    parts: list[Markup] = []
    y = 8.0
    for leg in legs:
        of_leg = [item for item in items if item.leg == leg]
        parts.append(text(0, y + 16, leg, class_="title"))
        top = y
        for item in of_leg:
            y += 20
            words = {"drive": "drive claims", "counter": "counter saw", "gauge": "gauge saw"}[item.witness]
            parts.append(text(left - 12, y - 4, words, anchor="end", class_=f"label {item.witness}"))
            end = scale(abs(item.travel_mm or 0.0))
            if item.travel_mm is not None and end - left > 0.5:
                parts.append(line(left, y - 8, end, y - 8, class_=f"bar {item.witness}"))
            parts.append(text(end + 9, y - 4, item.words, class_="label"))
        parts.append(line(left, top + 2, left, y + 2, class_="axis"))
        y += 14
    return picture(WIDTH, y, title, *parts)


@dataclass(frozen=True)
class Standing:
    """One stretch at standstill: error in full steps against time, and the position window that held."""

    words: str
    window_steps: float
    points: Sequence[Point]


_PANEL_WIDTH, _PANEL_HEIGHT, _PANELS_A_ROW = 128.0, 84.0, 5


def standing(items: Sequence[Standing], *, title: str, name: str) -> Markup:
    """Small multiples of the error at standstill, one panel a position window, all on one scale."""
    errors = [y for item in items for _, y in item.points if y is not None]
    y_range = span((*errors, 0.0), pad=0.15, least=0.2)
    parts = [hatch(name), text(LEFT - 50, 14, "error / full steps", class_="title")]
    bottom = 0.0
    for index, item in enumerate(items):
        row, column = divmod(index, _PANELS_A_ROW)
        left = LEFT + column * (_PANEL_WIDTH + 12)
        top = 44 + row * (_PANEL_HEIGHT + 78)
        bottom = top + _PANEL_HEIGHT
        frame = Frame.placed(
            left=left,
            right=left + _PANEL_WIDTH,
            top=top,
            bottom=bottom,
            x_range=(0.0, max((x for x, _ in item.points), default=0.0) or 1.0),
            y_range=y_range,
            x_title="time / s",
            x_ticks=3,
            y_ticks=4,
            y_numbers=column == 0,
        )
        parts += [
            forbidden(frame, name, item.window_steps, both=True),
            frame.drawn(),
            frame.path(item.points, class_="error"),
            text(left, top - 8, item.words, class_="tick"),
        ]
    return picture(WIDTH, bottom + 44, title, *parts)
