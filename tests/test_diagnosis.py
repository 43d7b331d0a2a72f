"""What the witnesses saw, said in a sentence, and a cause only where they leave no other."""

from __future__ import annotations

from fractions import Fraction

import pytest

from stepwitness import diagnosis
from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.metrology.positioning import positioning


def plain(text: str) -> str:
    """Thin and fixed spaces as plain ones."""
    return " ".join(text.replace("\u202f", " ").replace("\u2009", " ").split())


@pytest.fixture
def axis() -> Axis:
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
    return Axis("doser", 200, 16, Fraction(2, 1000), Fraction(60, 1000), Orientation.HORIZONTAL, encoder)


@pytest.mark.parametrize(
    ("load_m", "motor_m", "said"),
    [
        (-46e-6, -1e-6, "46.0 µm ± 1.0 µm short on reversal; drive and counter agree with each other to 1 count, "
         "so the play lies behind the encoder: nut or coupling"),
        (-46e-6, -40e-6, "the motor itself came 40 counts short, so most of it lies before the screw"),
        (-46e-6, None, "46.0 µm ± 1.0 µm short on reversal"),
        (12e-6, 1e-6, "12.0 µm ± 1.0 µm long on reversal"),
        (-0.8e-6, 0.0, "no more than its uncertainty"),
    ],
)  # fmt: skip
def test_reversal(axis: Axis, load_m: float, motor_m: float | None, said: str) -> None:
    assert said in plain(diagnosis.reversal(load_m, 1e-6, motor_m, axis))


def test_reversal_names_no_cause_without_a_witness_for_it(axis: Axis) -> None:
    for text in (diagnosis.reversal(-46e-6, 1e-6, None, axis), diagnosis.reversal(-1e-6, 2e-6, 0.0, axis)):
        assert "nut" not in text
        assert "screw" not in text


@pytest.mark.parametrize(
    ("counts", "gauge_m", "said", "unsaid"),
    [
        (0.0, 0.0, "differ by 0 counts", "counter missed"),
        (1.0, None, "differ by 1 count from", "edges"),
        (5.0, 0.5e-6, "while the gauge closes to 0.5 µm: the counter missed or doubled edges", "lost steps"),
        (40.0, 40e-6, "and the gauge to 40.0 µm: the motor lost steps, or both witnesses slipped", "doubled"),
        (
            -5.0,
            None,
            "−5 counts from where they began; edges missed by the counter or steps lost by the motor",
            "closes",
        ),
    ],
)
def test_closure(counts: float, gauge_m: float | None, said: str, unsaid: str) -> None:
    text = plain(diagnosis.closure(counts, gauge_m))
    assert said in text
    assert unsaid not in text


@pytest.mark.parametrize(("difference", "said"), [(8e-4, "800 ppm more"), (-1.5e-3, "1 500 ppm less")])
def test_scale_blames_neither(difference: float, said: str) -> None:
    text = plain(diagnosis.scale(difference, 0.057))
    assert f"over 57.0 mm the counter tells {said} travel than the gauge" in text
    assert "can't be told without a check standard" in text


def test_the_starved_claim_puts_three_figures_side_by_side() -> None:
    assert plain(diagnosis.starved_claim(8e-3, 0.0, 1e-7)) == (
        "at too little current the drive claims 8.000 mm, the encoder counted 0.000 mm, the gauge saw 0.000 mm"
    )
    assert "encoder" not in diagnosis.starved_claim(8e-3, None, 0.0)
    assert "gauge" not in diagnosis.starved_claim(8e-3, 0.0, None)


def test_standing_by_each_witness_that_looked() -> None:
    assert plain(diagnosis.standing(0.03, 0.029998, 0.029988)) == (
        "after recovery the counter sees the axis 2.0 µm from its target, the gauge 12.0 µm"
    )
    assert "gauge" not in diagnosis.standing(0.03, 0.03, None)


def test_a_travel_in_the_trades_units(axis: Axis) -> None:
    """46 µm on a 2 mm lead: 4.6 full steps, 8.28 degrees of the motor."""
    assert plain(diagnosis.in_trade(46e-6, axis)) == "that is 4.60 steps or 8.28° of the motor"


@pytest.mark.parametrize(
    ("attribute", "said"),
    [
        ("R", "reversal accounts for 10.0 µm of it"),
        ("R_up", "scatter of one side"),
        ("B", "the load stops 10.0 µm short of where it stops downwards (greatest at a target: 11.0 µm)"),
        ("B_mean", "the load stops 10.0 µm short"),
        ("E", "mean deviations range over 11.0 µm"),
    ],
)
def test_figures_of_the_load(attribute: str, said: str) -> None:
    figures = positioning([[0.0, 0.0], [-1e-6, -1e-6]], [[9e-6, 9e-6], [1e-5, 1e-5]])
    assert said in plain(diagnosis.load_figure(attribute, figures))


def test_figures_of_the_load_the_other_way_round() -> None:
    figures = positioning([[9e-6, 9e-6]], [[0.0, 0.0]])
    assert "9.0 µm long of where" in plain(diagnosis.load_figure("B", figures))


def test_figures_of_the_motor_say_that_they_are_the_motors() -> None:
    figures = positioning([[0.0, 2e-6]], [[3e-6, 3e-6]])
    assert "counted positions of the motor" in diagnosis.motor_figure("R", figures)
    assert "the motor itself stops 2.0 µm apart by direction" in plain(diagnosis.motor_figure("B_mean", figures))
