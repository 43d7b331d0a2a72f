from __future__ import annotations

import contextlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.command_set import CommandSet, yes_or_no
from stepwitness.devices.drives.text_line import CLOSED_LOOP_COMMANDS, DRIVE_COMMANDS
from stepwitness.devices.instruments.text_line import BY_ROLE
from stepwitness.errors import BadInput, Place

PLACE = Place("doser.bench.yaml", 12, "drive")


def _changed(**options: str) -> CommandSet:
    return DRIVE_COMMANDS.with_options({key.replace("__", "."): text for key, text in options.items()}, PLACE)


def test_an_option_overrides_one_item_and_leaves_the_rest() -> None:
    changed = _changed(position__send="POS?", position__reply="POS=(?P<value>-?[0-9]+)")
    assert changed.exchanges["position"].send == "POS?"
    assert changed.exchanges["status"] == DRIVE_COMMANDS.exchanges["status"]
    assert DRIVE_COMMANDS.exchanges["position"].send == "position?"


def test_a_unit_says_how_a_value_stands_on_the_wire() -> None:
    assert _changed(set_run_current__unit="mA").exchanges["set_run_current"].factor == pytest.approx(1e-3)


def test_settings_of_the_line() -> None:
    changed = _changed(tags="no", line_end="CR", refusal="ERR (?P<reason>.*)", overrange="OVER")
    assert (changed.tags, changed.line_end) == (False, "\r")
    assert (changed.refusal, changed.overrange) == ("ERR (?P<reason>.*)", "OVER")


@pytest.mark.parametrize(
    ("key", "text", "says"),
    [
        ("prot", "COM5", "did you mean 'port'?"),
        ("postion.send", "POS?", "did you mean 'position.send'?"),
        ("position.sent", "POS?", "did you mean 'position.send'?"),
        ("position.unit", "mm", "no such item"),
        ("move_by.send", "M", "allowed: {value}"),
        ("move_by.send", "M {value} {value2}", "allowed: {value}"),
        ("move_by.send", "M {value:q}", "a template that can't be filled"),
        ("move_by.send", "M {value.real.__class__}", "a template that can't be filled"),
        ("move_by.send", "M {", "a template that can't be filled"),
        ("enable.send", "EIN {value}", "no field in braces"),
        ("enable.send", "EIN\nHALT", "printable ASCII"),
        ("enable.send", "ÖFFNE", "printable ASCII"),
        ("position.reply", "POS=([0-9]+", "not a regular expression"),
        ("position.reply", "POS=[0-9]+", "(?P<value>…)"),
        ("status.reply", "(?P<enabled>E)", "(?P<moving>…)"),
        ("set_run_current.unit", "mm", "doesn't measure current"),
        ("set_run_current.unit", "quux", "an unknown unit"),
        ("refusal", "(", "not a regular expression"),
        ("tags", "maybe", "allowed: yes, no"),
        ("line_end", "ETX", "allowed: LF, CR, CRLF"),
    ],
)
def test_a_mistake_is_told_with_place_and_cure(key: str, text: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        DRIVE_COMMANDS.with_options({key: text}, PLACE)
    assert str(caught.value).startswith(f"doser.bench.yaml:12 drive.{key}: ")
    assert says in str(caught.value)


@given(st.text(max_size=20), st.text(max_size=40))
def test_any_option_is_taken_or_refused_in_one_line(key: str, text: str) -> None:
    with contextlib.suppress(BadInput):
        DRIVE_COMMANDS.with_options({key: text}, PLACE)
    for item in ("position.reply", "move_by.send", "set_run_current.unit", "refusal"):
        with contextlib.suppress(BadInput):
            changed = DRIVE_COMMANDS.with_options({item: text}, PLACE)
            # What was taken can be used.
            changed.exchanges["move_by"].send.format(value=-3200)
            re.compile(changed.exchanges["position"].reply)
            assert changed.exchanges["set_run_current"].factor > 0


@pytest.mark.parametrize(
    "commands", [DRIVE_COMMANDS, CLOSED_LOOP_COMMANDS, *(commands for _, commands in BY_ROLE.values())]
)
def test_the_sets_that_ship_pass_their_own_rules(commands: CommandSet) -> None:
    options = {f"{name}.send": item.send for name, item in commands.exchanges.items()}
    options |= {f"{name}.reply": item.reply for name, item in commands.exchanges.items()}
    options |= {f"{name}.unit": item.unit for name, item in commands.exchanges.items() if item.kind}
    assert commands.with_options(options, PLACE) == commands


def test_yes_or_no() -> None:
    assert yes_or_no("Yes", PLACE)
    assert not yes_or_no("false", PLACE)
