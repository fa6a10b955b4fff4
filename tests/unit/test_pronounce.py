"""What is said may differ from what is shown only in how it sounds."""
from decimal import Decimal

import pytest
from hypothesis import given, strategies as st

from assistant.core import spoken
from assistant.pronounce import pronounce


@pytest.mark.parametrize(("shown", "said"), [
    ("seven, point, two, five. Right?", "seven point two five. Right?"),
    ("three, one, point, eight, one.", "three one point eight one."),
    ("System air metric, zero, point, two, zero psi. Pass.", "System air metric, zero point two zero P S I. Pass."),
    ("Charge to 14.5 psi, trim it.", "Charge to 14.5 P S I, trim it."),
    ("Damp the O-ring, damp the lid.", "Damp the O ring, damp the lid."),
])
def test_examples(shown: str, said: str) -> None:
    assert pronounce(shown) == said


@given(st.decimals(0, Decimal("59.99"), places=2))
def test_no_digit_is_lost_or_moved(value: Decimal) -> None:
    assert pronounce(spoken.digits(value)).replace(",", "").split() == spoken.digits(value).replace(",", "").split()

