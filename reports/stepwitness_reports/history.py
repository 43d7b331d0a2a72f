"""Against the runs before: a picture for each characteristic, those that changed first.

1. Everything comes from the record's section ``history``, so the page says what was known on that night.
2. Runs of the baseline are open, later ones filled, those of an earlier history small; the grey band is where one more
   run may lie.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from markupsafe import Markup

from stepwitness.display import MINUS
from stepwitness.history.notes import night_notes
from stepwitness_reports.pictures import Figure
from stepwitness_reports.plots import LABEL_GAP, LEFT, RIGHT, WIDTH
from stepwitness_reports.sheet import capital
from stepwitness_reports.svg import Frame, group, hatch, hatched, line, picture, span, tag, text

DAY_S = 86400.0
FAR = 4.0
"""A limit further away than so many heights of what was measured isn't drawn, or it would flatten the rest."""


@dataclass(frozen=True)
class History:
    """What the page says of the runs before: what holds for the whole night, pictures of what changed, pictures of what
    is as it was, and the characteristics that had one value in every run."""

    sentences: tuple[str, ...]
    changed: tuple[Figure, ...]
    steady: tuple[Figure, ...]
    constant: tuple[str, ...]


def history_of(section: Mapping[str, Any] | None, started: str) -> History | None:
    """None where the record was held against nothing, or there is no run before it."""
    entries = [one for one in (section or {}).get("characteristics", ()) if len(one["points"]) > 1]
    if not section or not (entries or list(night_notes(section))):
        return None
    moving = [one for one in entries if one["changed"] or len({value for _, value in one["points"]}) > 1]
    drawn = [(one["changed"], figure(one, started, name=f"past{index}")) for index, one in enumerate(moving)]
    sentences = [f"{capital(note.told)}." for note in night_notes(section)]
    if {one["status"] for one in entries} == {"same"}:
        sentences.append("Every characteristic is what it was.")
    return History(
        tuple(sentences),
        tuple(made for changed, made in drawn if changed),
        tuple(made for changed, made in drawn if not changed),
        tuple(_heading(one) for one in entries if one not in moving),
    )


def _heading(entry: Mapping[str, Any]) -> str:
    return f"{entry['procedure'].replace('_', ' ')}: {entry['title']} {entry['symbol']}".strip()


def figure(entry: Mapping[str, Any], started: str, *, name: str) -> Figure:
    """One characteristic over its runs, this one last, time in days before it."""
    now_s = _instant(started)
    scale = entry["scale"]
    points = [((_instant(when) - now_s) / DAY_S, value / scale) for when, value in entry["points"]]
    baseline = entry["baseline"]
    band = None
    if baseline is not None:
        band = tuple((baseline["centre"] + side * baseline["half_width"]) / scale for side in (-1, 1))
    values = [value for _, value in points]
    low, high = span([*values, *(band or ())], pad=0.1, least=1e-9)
    limits = [bound / scale for bound in (entry["lower"], entry["upper"]) if bound is not None]
    near = [bound for bound in limits if min(abs(bound - low), abs(bound - high)) < FAR * (high - low)]
    frame = Frame.placed(
        left=LEFT,
        right=RIGHT,
        top=34,
        bottom=210,
        x_range=span([at for at, _ in points], pad=0.03, least=1.0),
        y_range=span([*values, *(band or ()), *near], pad=0.1, least=1e-9),
        x_title="time before this run / days",
        y_title=f"{entry['title']} / {entry['unit_text'] or '1'}",
    )
    heading = _heading(entry)
    drawing = picture(
        WIDTH,
        252,
        f"{heading} over {len(points)} runs: {entry['words']}",
        hatch(name),
        _band(frame, points, entry, band),
        *_limits(frame, near, limits, entry, name),
        frame.drawn(),
        _splits(frame, points, entry["splits"]),
        _change(frame, points, entry),
        _marks(frame, points, entry),
    )
    far = "" if len(near) == len(limits) else f" The limit {entry['limit_text']} lies outside the picture."
    return Figure(drawing, f"{capital(heading)}: {entry['words']}.{far}")


def _instant(text: str) -> float:
    told = datetime.fromisoformat(text)
    return (told if told.tzinfo else told.replace(tzinfo=UTC)).timestamp()


def _limits(
    frame: Frame, near: Sequence[float], limits: Sequence[float], entry: Mapping[str, Any], name: str
) -> list[Markup]:
    parts = []
    for bound in near:
        above = bound == limits[-1] and entry["upper"] is not None
        y = frame.y(bound)
        parts += [
            hatched(name, frame.left, y, frame.right, frame.top if above else frame.bottom),
            line(frame.left, y, frame.right, y, class_="edge"),
            text(frame.right + 12, y + 4, f"limit {_bound(entry, negative=bound < 0)}", class_="label limit"),
        ]
    return parts


def _bound(entry: Mapping[str, Any], *, negative: bool) -> str:
    """The limit without its sign of comparison; the lower end of a limit on a magnitude is its negative."""
    told: str = entry["limit_text"].split(" ", 1)[-1]
    return f"{MINUS}{told}" if negative and not told.startswith(MINUS) else told


def _band(
    frame: Frame, points: Sequence[tuple[float, float]], entry: Mapping[str, Any], band: tuple[float, ...] | None
) -> Markup:
    """Where one more run may lie, from the last split on."""
    if band is None:
        return Markup("")
    left = frame.x(points[entry["first"]][0])
    top, bottom = frame.y(band[1]), frame.y(band[0])
    centre = frame.y(entry["baseline"]["centre"] / entry["scale"])
    return group(
        tag("rect", x=left, y=top, width=max(frame.right - left, 1.0), height=bottom - top, class_="baseline"),
        line(left, centre, frame.right, centre, class_="zero"),
        text(frame.right + 12, centre + 4, f"mean of {entry['baseline']['runs']} runs", class_="label"),
    )


def _splits(frame: Frame, points: Sequence[tuple[float, float]], splits: Sequence[Mapping[str, Any]]) -> Markup:
    """A dashed line before the first run of each new history; the newest is told in words."""
    parts = []
    for split in splits:
        at = split["at"]
        x = frame.x((points[max(at - 1, 0)][0] + points[at][0]) / 2)
        parts.append(line(x, frame.top, x, frame.bottom, class_="split"))
        if split is splits[-1]:
            on_left = x > (frame.left + frame.right) / 2
            words = " and ".join(change.partition(" (")[0] for change in split["changed"])
            parts.append(
                text(
                    x + (-6 if on_left else 6),
                    frame.top + 12,
                    words,
                    anchor="end" if on_left else "start",
                    class_="label",
                )
            )
    return group(*parts)


def _change(frame: Frame, points: Sequence[tuple[float, float]], entry: Mapping[str, Any]) -> Markup:
    """Where the step is, or the fitted ramp."""
    since = entry["since"]
    if since is None:
        return Markup("")
    after = points[since:]
    if entry["slope_per_s"] is None:
        before = (points[since - 1][0] + after[0][0]) / 2 if since else after[0][0]
        return line(frame.x(before), frame.top - LABEL_GAP, frame.x(before), frame.bottom, class_="moment")
    slope = entry["slope_per_s"] * DAY_S / entry["scale"]
    middle = sum(at for at, _ in after) / len(after)
    mean = sum(value for _, value in after) / len(after)
    ends = [(frame.x(at), frame.y(mean + slope * (at - middle))) for at in (after[0][0], after[-1][0])]
    return line(*ends[0], *ends[1], class_="ramp")


def _marks(frame: Frame, points: Sequence[tuple[float, float]], entry: Mapping[str, Any]) -> Markup:
    """Small for an earlier history, open for what the baseline is or will be made of, filled for what came after."""
    first, baseline = entry["first"], entry["baseline"]
    after = first + baseline["runs"] if baseline else len(points)
    return group(
        *(
            tag(
                "circle",
                cx=frame.x(at),
                cy=frame.y(value),
                r=1.8 if index < first else 3.2,
                class_="filled" if index >= after or index < first else "open",
            )
            for index, (at, value) in enumerate(points)
        ),
        class_="marks runs",
    )
