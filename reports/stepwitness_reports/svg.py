"""Inline SVG, element by element: marks, lines, scales and a plot's frame.

1. Every text is escaped here; what comes back is `Markup` and may stand in a page as it is.
2. Colours come from the page's classes (`style.py`), never from an element, so one picture serves light, dark and
   print.
3. Coordinates are written with two decimals, so the same readings give the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from stepwitness.display import number

Point = tuple[float, float | None]
"""Time or place, and a value; None where there was none, which breaks a line."""


def tag(name: str, *content: str, **attributes: str | float) -> Markup:
    """One element. Underscores in attribute names become hyphens (`class_` loses its underscore)."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_attribute(value))}"' for key, value in attributes.items()
    )
    if not content:
        return Markup(f"<{name}{written}/>")
    return Markup(f"<{name}{written}>{''.join(escape(part) for part in content)}</{name}>")


def _attribute(value: str | float) -> str:
    if isinstance(value, str):
        return value
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def group(*content: Markup, class_: str = "") -> Markup:
    """Elements together; nothing for none."""
    inner = Markup("").join(content)
    if not inner:
        return inner
    return tag("g", inner, class_=class_) if class_ else tag("g", inner)


def text(x: float, y: float, words: str, *, anchor: str = "start", class_: str = "") -> Markup:
    more = {"class_": class_} if class_ else {}
    return tag("text", words, x=x, y=y, text_anchor=anchor, **more)


def line(x1: float, y1: float, x2: float, y2: float, *, class_: str) -> Markup:
    return tag("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def polyline(points: Sequence[tuple[float, float]], *, class_: str) -> Markup:
    """A line through `points`, in picture coordinates."""
    return tag("polyline", points=" ".join(f"{x:.2f},{y:.2f}" for x, y in points), class_=class_)


def triangle(x: float, y: float, *, up: bool, size: float = 4.2) -> Markup:
    """An approach: filled and pointing up for an upward one, open and pointing down for a downward one."""
    tip, base = (y - size, y + size * 0.75) if up else (y + size, y - size * 0.75)
    path = f"M{x:.2f} {tip:.2f}L{x + size:.2f} {base:.2f}L{x - size:.2f} {base:.2f}Z"
    return tag("path", d=path, class_="filled" if up else "open")


VERDICT_CLASS = {
    "PASS": "pass",
    "FAIL": "fail",
    "INCONCLUSIVE": "inconclusive",
    "NOT OBSERVABLE": "not-observable",
    "ABORTED": "aborted",
}


def verdict_mark(verdict: str) -> Markup:
    """The shape beside a verdict's word: disc, cross, half disc, ring or square."""
    shapes = {
        "PASS": tag("circle", cx=8, cy=8, r=6, class_="solid"),
        "FAIL": tag("path", d="M2.5 2.5L13.5 13.5M13.5 2.5L2.5 13.5", class_="stroke"),
        "INCONCLUSIVE": tag("circle", cx=8, cy=8, r=5.75, class_="outline")
        + tag("path", d="M8 2.25A5.75 5.75 0 0 0 8 13.75Z", class_="solid"),
        "NOT OBSERVABLE": tag("circle", cx=8, cy=8, r=5.5, class_="outline"),
        "ABORTED": tag("rect", x=2.5, y=2.5, width=11, height=11, class_="solid"),
    }
    return tag("svg", shapes[verdict], class_="mark", viewBox="0 0 16 16", aria_hidden="true")


def share_bar(share: float) -> Markup:
    """A share of a whole as a bar on a rule as long as the whole; the words beside it say the number."""
    rule = tag("line", x1=0, y1=7.5, x2=100, y2=7.5, class_="whole")
    bar = tag("rect", x=0, y=2, width=100 * min(1.0, max(0.0, share)), height=6)
    return tag("svg", rule, bar, class_="share", viewBox="0 0 100 10", aria_hidden="true")


@dataclass(frozen=True)
class Scale:
    """A linear map from a quantity to a picture coordinate."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def ticks(low: float, high: float, *, about: int) -> tuple[tuple[float, ...], int]:
    """Round values (1, 2 or 5 times a power of ten) inside [low, high], some `about`, and their decimals."""
    power = 10.0 ** math.floor(math.log10((high - low) / about))
    step = next(power * factor for factor in (1, 2, 5, 10) if (high - low) / (power * factor) <= about)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(index * step for index in range(first, last + 1)), decimals


def span(values: Iterable[float], *, pad: float = 0.08, least: float = 0.0) -> tuple[float, float]:
    """A range that holds `values` with some air, at least `least` wide; (0, 1) around nothing."""
    held = [value for value in values if math.isfinite(value)]
    if not held:
        return (0.0, 1.0)
    low, high = min(held), max(held)
    room = max(high - low, least, abs(high) * 1e-9, 1e-12)
    middle = (low + high) / 2
    half = max(room, high - low) / 2 * (1 + 2 * pad)
    return (middle - half, middle + half)


@dataclass(frozen=True)
class Frame:
    """The rectangle of a plot with its two scales; the left and lower edges carry ticks."""

    x: Scale
    y: Scale
    x_title: str
    y_title: str
    x_ticks: int = 8
    y_ticks: int = 6
    y_numbers: bool = True
    x_marks: tuple[tuple[float, str], ...] | None = None
    """Places on the x axis with their words, where they aren't round numbers."""

    @classmethod
    def placed(
        cls,
        *,
        left: float,
        top: float,
        right: float,
        bottom: float,
        x_range: tuple[float, float],
        y_range: tuple[float, float],
        x_title: str = "",
        y_title: str = "",
        x_ticks: int = 8,
        y_ticks: int = 6,
        y_numbers: bool = True,
        x_marks: tuple[tuple[float, str], ...] | None = None,
    ) -> Frame:
        """A frame between picture coordinates; the quantity grows to the right and upwards."""
        across, along = Scale(*x_range, left, right), Scale(*y_range, bottom, top)
        return cls(across, along, x_title, y_title, x_ticks, y_ticks, y_numbers, x_marks)

    @property
    def left(self) -> float:
        return self.x.start

    @property
    def right(self) -> float:
        return self.x.end

    @property
    def top(self) -> float:
        return self.y.end

    @property
    def bottom(self) -> float:
        return self.y.start

    def drawn(self) -> Markup:
        """Grid, ticks and titles. Without an `x_title` the x ticks carry no numbers (a frame below has them)."""
        parts: list[Markup] = []
        values, decimals = ticks(self.y.low, self.y.high, about=self.y_ticks)
        for value in values:
            y = self.y(value)
            zero = abs(value) < 1e-12
            parts.append(line(self.left, y, self.right, y, class_="zero" if zero else "grid"))
            if self.y_numbers:
                parts.append(text(self.left - 7, y + 4, number(value, decimals), anchor="end", class_="tick"))
        for value, words in self._x_marks():
            x = self.x(value)
            parts.append(line(x, self.bottom, x, self.bottom + 4, class_="axis"))
            if self.x_title:
                parts.append(text(x, self.bottom + 17, words, anchor="middle", class_="tick"))
        parts.append(line(self.left, self.bottom, self.right, self.bottom, class_="axis"))
        if self.x_title:
            middle = (self.left + self.right) / 2
            parts.append(text(middle, self.bottom + 35, self.x_title, anchor="middle", class_="title"))
        if self.y_title:
            parts.append(text(self.left - 50, self.top - 10, self.y_title, class_="title"))
        return group(*parts)

    def _x_marks(self) -> tuple[tuple[float, str], ...]:
        if self.x_marks is not None:
            return self.x_marks
        values, decimals = ticks(self.x.low, self.x.high, about=self.x_ticks)
        return tuple((value, number(value, decimals)) for value in values)

    def path(self, points: Iterable[Point], *, class_: str) -> Markup:
        """A line through readings; broken where a value is missing, cut where x leaves the frame."""
        parts: list[Markup] = []
        run: list[tuple[float, float]] = []
        for x, y in (*points, (math.inf, None)):
            if y is not None and self.x.low <= x <= self.x.high:
                run.append((self.x(x), self.y(y)))
                continue
            if len(run) > 1:
                parts.append(polyline(run, class_=class_))
            run = []
        return group(*parts)


def spread(wanted: Sequence[float], *, gap: float, low: float, high: float) -> list[float]:
    """Places for labels: as near to `wanted` as may be, `gap` apart, in the same order, inside [low, high]."""
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    places = [0.0] * len(wanted)
    last = -math.inf
    for index in order:
        places[index] = last = max(wanted[index], last + gap, low)
    limit = high
    for index in reversed(order):
        places[index] = min(places[index], limit)
        limit = places[index] - gap
    return places


def hatch(name: str) -> Markup:
    """The definition of the limits' hatch; `name` must be unique in the page."""
    stripe = line(0, 0, 0, 6, class_="hatch")
    return tag(
        "defs",
        tag(
            "pattern",
            stripe,
            id=name,
            width=6,
            height=6,
            patternUnits="userSpaceOnUse",
            patternTransform="rotate(45)",
        ),
    )


def hatched(name: str, x1: float, y1: float, x2: float, y2: float) -> Markup:
    """A rectangle under the hatch `name`, in any order of corners."""
    return tag(
        "rect",
        x=min(x1, x2),
        y=min(y1, y2),
        width=abs(x2 - x1),
        height=abs(y2 - y1),
        fill=f"url(#{name})",
    )


def picture(width: float, height: float, title: str, *content: Markup) -> Markup:
    """A whole drawing, with its words for who can't see it."""
    return tag(
        "svg",
        tag("title", title),
        *content,
        class_="picture",
        viewBox=f"0 0 {_attribute(width)} {_attribute(height)}",
        role="img",
    )
