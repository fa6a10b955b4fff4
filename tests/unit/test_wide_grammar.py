"""What can be said for a reading that is no pressure; and that pressures are heard in the grammar that they had."""

from decimal import Decimal as D

import pytest

from assistant.core.expect import Expect
from assistant.core.spoken import parse
from models import grammar

FAHRENHEIT, MASS, PSI = Expect("reading", D(32), D(120), 0), Expect("reading", D(0), D(999), 1), Expect("reading", D(1), D(46), 2)


@pytest.mark.parametrize("expect, text, fits", [
    (FAHRENHEIT, "seventy two", True), (FAHRENHEIT, "seven two", True), (FAHRENHEIT, "seventy two point five", False),
    (FAHRENHEIT, "one zero two", True), (FAHRENHEIT, "seven", True),
    (MASS, "one four five point two", True), (MASS, "ninety one point one", True), (MASS, "eighteen point six", True),
    (MASS, "one four five", False), (MASS, "one forty five point two", False), (MASS, "nine one", True),
    (PSI, "seventy two point five zero", False), (PSI, "seven two", False), (PSI, "seven", False),
    (PSI, "seven point two five", True),
])
def test_what_can_be_said(expect: Expect, text: str, fits: bool) -> None:
    assert grammar.built(expect).accepts(text.split()) is fits
    if fits:
        parse(text, whole=expect.places == 0)


def test_every_sentence_of_the_wide_grammar_is_one_number() -> None:
    import random
    rng, wide = random.Random(3), grammar.automaton(grammar.WIDE, commands=False)
    for _ in range(2000):
        said = wide.sentence(rng)
        assert 0 <= parse(said).value < 1000, said


def test_pressures_keep_their_grammar() -> None:
    assert not grammar.wide(PSI) and not grammar.wide(grammar.EVERYTHING) and grammar.anywhere(PSI).high is None
    assert grammar.wide(FAHRENHEIT) and grammar.wide(MASS) and not grammar.wide(Expect("yesno"))


@pytest.mark.parametrize("text, value", [("four and a quarter", "4.25"), ("four and three quarters", "4.75"),
                                         ("three and a half", "3.5"), ("eleven and a quarter", "11.25")])
def test_inches_are_said_in_quarters_and_pressures_are_not(text: str, value: str) -> None:
    assert grammar.built(Expect("reading", D(0), D(12), 2, unit="in.")).accepts(text.split())
    assert parse(text).value == D(value)
    if "quarter" in text:
        assert not grammar.built(PSI).accepts(text.split())
