"""Contrast of every pair of colours in which the page sets words."""

from __future__ import annotations

import pytest

from stepwitness_reports.style import DARK, LIGHT, TEXT_PAIRS, Palette, variables


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_ratio_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("pair", TEXT_PAIRS, ids="-".join)
def test_words_stand_out_at_least_4_5_to_1(palette: Palette, pair: tuple[str, str]) -> None:
    foreground, background = (getattr(palette, name) for name in pair)
    assert contrast(foreground, background) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_the_witnesses_have_three_colours_and_the_pairs_name_every_one(palette: Palette) -> None:
    assert len({palette.drive, palette.counter, palette.gauge}) == 3
    named = {name for pair in TEXT_PAIRS for name in pair}
    assert named == {name for name in vars(palette) if name != "line"}


def test_each_colour_becomes_one_custom_property() -> None:
    assert variables(LIGHT).count("--") == len(vars(LIGHT))
    assert f"--band-text: {LIGHT.band_text};" in variables(LIGHT)
