"""Patterns and transitions as in IEC 61800-7-201 (from memory)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.drives.cia402_states import (
    CONTROLWORDS,
    ENERGISED,
    STATUS_PATTERNS,
    TOWARDS_ENABLED,
    TRANSITIONS,
    Command,
    Control,
    State,
    after,
    command_of,
    state_of,
    status_bits,
)
from stepwitness.devices.errors import BadReply


@pytest.mark.parametrize(
    ("word", "state"),
    [
        (0x0000, State.NOT_READY),
        (0x0250, State.SWITCH_ON_DISABLED),
        (0x0270, State.SWITCH_ON_DISABLED),
        (0x0231, State.READY),
        (0x0233, State.SWITCHED_ON),
        (0x0637, State.ENABLED),
        (0x1637, State.ENABLED),
        (0x0217, State.QUICK_STOP),
        (0x021F, State.FAULT_REACTION),
        (0x0218, State.FAULT),
        (0x0238, State.FAULT),
    ],
)
def test_statuswords_of_the_standard(word: int, state: State) -> None:
    assert state_of(word) is state


@given(st.integers(0, 0xFFFF))
def test_a_statusword_fits_one_state_or_is_an_error(word: int) -> None:
    fitting = [state for mask, value, state in STATUS_PATTERNS if word & mask == value]
    assert len(fitting) <= 1
    if fitting:
        assert state_of(word) is fitting[0]
    else:
        with pytest.raises(BadReply, match="fits no state"):
            state_of(word)


@pytest.mark.parametrize("state", State)
def test_the_bits_of_a_state_tell_it(state: State) -> None:
    assert state_of(status_bits(state)) is state


@pytest.mark.parametrize("command", CONTROLWORDS)
def test_the_word_of_a_command_gives_it(command: Command) -> None:
    assert command_of(CONTROLWORDS[command], before=0) is command


def test_a_reset_is_an_edge() -> None:
    assert command_of(Control.RESET, before=0) is Command.FAULT_RESET
    assert command_of(Control.RESET, before=Control.RESET) is None
    assert command_of(Control.RESET | 0x0F, before=Control.RESET | 0x0F) is None


@pytest.mark.parametrize("start", TOWARDS_ENABLED)
def test_each_state_on_the_way_leads_to_operation_enabled(start: State) -> None:
    state, steps = start, 0
    while state is not State.ENABLED:
        state, steps = after(state, TOWARDS_ENABLED[state]), steps + 1
        assert steps <= 4


@given(st.sampled_from(State), st.sampled_from(Command))
def test_nothing_but_enable_operation_energises(state: State, command: Command) -> None:
    found = after(state, command)
    if state not in ENERGISED and found in ENERGISED:
        assert (state, command) == (State.SWITCHED_ON, Command.ENABLE_OPERATION)


def test_a_fault_is_left_by_its_reset_alone_and_into_a_state_without_current() -> None:
    left = {command: after(State.FAULT, command) for command in Command}
    assert left.pop(Command.FAULT_RESET) is State.SWITCH_ON_DISABLED
    assert set(left.values()) == {State.FAULT}
    assert State.FAULT_REACTION not in {state for state, _ in TRANSITIONS}


@given(st.sampled_from(State), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_every_word_in_every_state_leads_to_a_state(state: State, word: int, before: int) -> None:
    assert after(state, command_of(word, before)) in State
