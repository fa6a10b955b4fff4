"""A state is copied with changes as quickly as may be, and as safely as ``dataclasses.replace`` does it."""
from __future__ import annotations

from dataclasses import fields, replace

import pytest

from assistant.core.state import Phase, State


def test_a_changed_copy_is_what_replace_gives() -> None:
    state = State(header={"job": "x"}, typed="12")
    copy = state.but(now=3.0, phase=Phase.ENTRY)
    assert copy == replace(state, now=3.0, phase=Phase.ENTRY) and (state.now, state.phase) == (0.0, Phase.IDLE)
    assert vars(copy).keys() == {each.name for each in fields(State)}, "nothing that was worked out of the old one comes along"


def test_what_is_no_part_of_it_is_refused() -> None:
    with pytest.raises(TypeError, match="a state has no phrase"):
        State().but(phrase="entry")
