"""A picture of a traced move as one SVG: small multiples over one time axis, no other file needed.

The witnesses keep their colour and line: drive vermilion dashed, encoder blue solid, the load black dotted. Lines are
labelled where they end; what happened stands at a thin vertical line, the first of its kind only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from stepwitness.standin.trace import Event, Trace, thinned

VERMILION, BLUE, BLACK, GREEN = "#d55e00", "#0072b2", "#1a1a1a", "#009e73"
WIDTH, PANEL, GAP = 720, 120, 34
LEFT, RIGHT, TOP = 70, 150, 46
POINTS = 1500


@dataclass(frozen=True)
class Line:
    label: str
    values: NDArray[np.float64]
    colour: str
    dashes: str = ""


@dataclass(frozen=True)
class Panel:
    heading: str
    lines: tuple[Line, ...]


def panels(trace: Trace) -> tuple[Panel, ...]:
    """What the picture shows, from the whole to the reason."""
    counted = () if np.isnan(trace.counted_m).all() else (Line("encoder", trace.counted_m * 1e3, BLUE),)
    return (
        Panel(
            "travel / mm",
            (
                *counted,
                Line("drive", trace.command_m * 1e3, VERMILION, "7 4"),
                Line("load", trace.load_m * 1e3, BLACK, "2 3"),
            ),
        ),
        Panel(
            "command − place / µm",
            (
                Line("rotor", (trace.command_m - trace.rotor_m) * 1e6, BLUE),
                Line("load", (trace.command_m - trace.load_m) * 1e6, BLACK, "2 3"),
            ),
        ),
        Panel(
            "winding current / A",
            (Line("A", trace.current_a, VERMILION), Line("B", trace.current_b, GREEN, "7 4")),
        ),
        Panel("torque left / N·m", (Line("margin", trace.margin_nm, BLACK),)),
    )


def picture(trace: Trace, *, title: str = "A move of the stand-in axis") -> str:
    """The SVG's text. SIMULATED stands in its title, because nothing else about it would tell."""
    shown = thinned(trace, POINTS)
    drawn = panels(shown)
    height = TOP + len(drawn) * (PANEL + GAP) + 16
    time_ms = shown.time_s * 1e3
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'font-family="system-ui, sans-serif" font-size="12" fill="{BLACK}">',
        f"<title>{escape(title)}, SIMULATED</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        f'<text x="{LEFT}" y="18" font-weight="600">{escape(title)}</text>',
        f'<text x="{WIDTH - 8}" y="18" text-anchor="end">SIMULATED</text>',
    ]
    for number, panel in enumerate(drawn):
        parts += _panel(panel, time_ms, TOP + number * (PANEL + GAP), last=number == len(drawn) - 1)
    parts += _marks(trace.events, time_ms, TOP + len(drawn) * (PANEL + GAP) - GAP)
    return "\n".join([*parts, "</svg>", ""])


def _marks(events: Sequence[Event], time_ms: NDArray[np.float64], bottom: int) -> list[str]:
    """The first event of each kind, the later ones lower so that their labels don't meet."""
    parts: list[str] = []
    seen: set[str] = set()
    until = float(time_ms[-1]) or 1.0
    for event in events:
        kind = event.what.split()[0]
        if kind in seen:
            continue
        x = LEFT + (WIDTH - LEFT - RIGHT) * event.time_s * 1e3 / until
        y = TOP + 12 + 14 * len(seen)
        seen.add(kind)
        parts.append(f'<path d="M{x:.1f} {TOP}V{bottom}" stroke="{BLACK}" stroke-width="0.6" fill="none"/>')
        parts.append(f'<text x="{x - 4:.1f}" y="{y}" text-anchor="end">{escape(event.what.replace("-", "−"))}</text>')
    return parts


def _panel(panel: Panel, time_ms: NDArray[np.float64], top: int, *, last: bool) -> list[str]:
    everything = np.concatenate([line.values for line in panel.lines])
    low, high = _room(float(np.nanmin(everything)), float(np.nanmax(everything)))
    wide = WIDTH - LEFT - RIGHT
    until = float(time_ms[-1]) or 1.0

    def x(value: float) -> float:
        return LEFT + wide * value / until

    def y(value: float) -> float:
        return top + PANEL * (high - value) / (high - low)

    parts = [f'<text x="{LEFT}" y="{top - 6}">{escape(panel.heading)}</text>']
    for tick in _ticks(low, high, 4):
        parts.append(f'<path d="M{LEFT} {y(tick):.1f}h{wide}" stroke="#e4e4e4" fill="none"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y(tick) + 4:.1f}" text-anchor="end">{_number(tick)}</text>')
    if last:
        below = f'y="{top + PANEL + 16}" text-anchor="middle"'
        parts += [f'<text x="{x(tick):.1f}" {below}>{_number(tick)}</text>' for tick in _ticks(0.0, until, 7)]
        parts.append(f'<text x="{WIDTH - RIGHT + 8}" y="{top + PANEL + 16}">time / ms</text>')
    for line, label_y in zip(panel.lines, _label_places([y(float(li.values[-1])) for li in panel.lines]), strict=True):
        points = " ".join(f"{x(t):.1f},{y(v):.1f}" for t, v in zip(time_ms.tolist(), line.values.tolist(), strict=True))
        dashes = f' stroke-dasharray="{line.dashes}"' if line.dashes else ""
        parts.append(f'<polyline points="{points}" fill="none" stroke="{line.colour}" stroke-width="1.4"{dashes}/>')
        parts.append(
            f'<text x="{WIDTH - RIGHT + 8}" y="{label_y + 4:.1f}" fill="{line.colour}">{escape(line.label)}</text>'
        )
    return parts


def _room(low: float, high: float) -> tuple[float, float]:
    """A twentieth of air above and below; never nothing."""
    air = 0.05 * (high - low) or max(abs(high), 1.0) * 0.05
    return low - air, high + air


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers (1, 2 or 5 times a power of ten) between `low` and `high`."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough)
    return [index * step for index in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _label_places(wanted: list[float], apart: float = 14.0) -> list[float]:
    """Heights near `wanted` at which labels don't overlap."""
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    places = list(wanted)
    for lower, upper in pairwise(order):
        places[upper] = max(places[upper], places[lower] + apart)
    return places
