"""Colours of every page, as data, so that a test can compute their contrast.

1. Hues are the Okabe–Ito palette's (published 2008); where one falls short of 4.5 : 1 on the background it is
   darkened, or its lighter neighbour of the same hue taken.
2. The three witnesses keep their colour and their line in every picture; the accent marks what doesn't hold.
3. Print takes the light colours; shapes, words and line patterns say everything again without colour.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Palette:
    """One colour scheme, as CSS hex colours.

    Attributes
    ----------
    background, text, quiet : page, words, and words of less weight.
    line : rules and grid lines, which carry no meaning. accent : what fails or was aborted.
    drive, counter, gauge : the three witnesses. limit : hatch and words of a limit.
    band, band_text : the SIMULATED and PARTIAL bands.
    """

    background: str
    text: str
    quiet: str
    line: str
    accent: str
    drive: str
    counter: str
    gauge: str
    limit: str
    band: str
    band_text: str


LIGHT = Palette(
    background="#ffffff",
    text="#1a1a1a",
    quiet="#54595e",
    line="#d4d6d8",
    accent="#9e3f77",  # reddish purple CC79A7, darkened
    drive="#c25500",  # vermilion D55E00 has 3.9 : 1 on white; darkened
    counter="#0072b2",
    gauge="#000000",
    limit="#5f6469",
    band="#1a1a1a",
    band_text="#ffffff",
)

DARK = Palette(
    background="#14171a",
    text="#ececea",
    quiet="#a9adb2",
    line="#3a3f45",
    accent="#cc79a7",
    drive="#d55e00",
    counter="#56b4e9",
    gauge="#f5f5f3",
    limit="#9aa0a6",
    band="#ececea",
    band_text="#14171a",
)

TEXT_PAIRS = (
    *((name, "background") for name in ("text", "quiet", "accent", "drive", "counter", "gauge", "limit")),
    ("band_text", "band"),
)
"""Every pair (foreground, background) in which the page sets words or lines that carry meaning."""


def variables(palette: Palette) -> str:
    """The palette as CSS custom properties."""
    return " ".join(f"--{name.replace('_', '-')}: {colour};" for name, colour in asdict(palette).items())
