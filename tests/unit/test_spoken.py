"""Spoken numbers: what is one number, what is not, and that the station understands what it says itself."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.core.methods import registry
from assistant.core.spoken import NotANumber, digits, in_figures, parse, say, time_of_day

HUNDREDTHS = [Decimal(n).scaleb(-2) for n in range(10000)]


@pytest.mark.parametrize(("text", "value", "form"), [
    ("seven point two five", "7.25", "digits"),
    ("seven decimal two five", "7.25", "digits"),
    ("Seven, point, two, five", "7.25", "digits"),
    ("oh point two five", "0.25", "digits"),
    ("one four point five", "14.5", "digits"),
    ("double five point oh double oh", "55.000", "digits"),
    ("double five", "55", "digits"),
    ("thirty", "30", "whole"),
    ("thirty-one point eight one", "31.81", "whole"),
    ("four five point zero zero", "45.00", "digits"),
    ("eighteen point sixty three", "18.63", "whole"),
    ("ten point ten", "10.10", "whole"),
    ("fourteen and a half", "14.5", "whole"),
    ("four and a quarter", "4.25", "whole"),
    ("four and three quarters", "4.75", "whole"),
    ("zero and three quarters", "0.75", "whole"),
    ("six and a half", "6.5", "whole"),
    ("one four five point two", "145.2", "digits"),     # the mass of a large measure, lb
    ("102", "102", "whole"),                            # keyed: a hot day in Fahrenheit
    ("7.25", "7.25", "whole"),
    (" 45 ", "45", "whole"),
])
def test_one_number(text, value, form):
    spoken = parse(text)
    assert (str(spoken.value), spoken.form) == (value, form)


@pytest.mark.parametrize("text", [
    "", " , ", "seven two five", "seven twenty five", "twenty oh five", "point two five", "seven point",
    "seven point two point five", "seven point sixty oh", "seven point five twenty", "thirty zero", "twenty ten",
    "oh seven point two", "one hundred", "one two three", "oh one two point four", "one two three and a half",
    "one two three four point five", "twenty one two point four", "double", "double double five",
    "double point five", "seven and half", "four and quarter", "four and three quarter", "four point two and a quarter",
    "and a quarter", "quarter", "seven and a half five", "and a half", "minus seven", "-7", "7,25",
    "7.", ".5", "1234", "1e1", "٧", "seven point 25", "seven psi", "next", "nan", "seven\x00",
])
def test_what_is_not_plainly_one_number_is_refused_in_a_sentence(text):
    with pytest.raises(NotANumber) as refusal:
        parse(text)
    assert str(refusal.value).endswith((".", "?"))


@pytest.mark.parametrize(("value", "whole", "spelt"), [
    ("7.25", "seven point two five", "seven, point, two, five"),
    ("45.00", "forty five point zero zero", "four, five, point, zero, zero"),
    ("0.20", "zero point two zero", "zero, point, two, zero"),
    ("30", "thirty", "three, zero"),
    ("-0.12", "minus zero point one two", "minus, zero, point, one, two"),
    ("145.2", "one four five point two", "one, four, five, point, two"),
    ("1E+1", "ten", "one, zero"),
])
def test_said_whole_and_digit_by_digit(value, whole, spelt):
    assert (say(Decimal(value)), digits(Decimal(value))) == (whole, spelt)


def test_no_number_can_be_said_for_no_number():
    for value in ("NaN", "Infinity"):
        with pytest.raises(ValueError, match="can't|cannot"):
            say(Decimal(value))


def test_every_hundredth_comes_back_from_both_ways_of_saying_it():
    for value in HUNDREDTHS:
        for text in (say(value), digits(value)):
            assert str(parse(text).value) == str(value)
        assert parse(digits(value)).form == "digits"


@given(st.decimals(min_value=0, max_value=99, places=4) | st.integers(0, 99).map(Decimal))
def test_any_number_of_decimals_comes_back(value):
    assert str(parse(digits(value)).value) == str(parse(say(value)).value) == f"{value:f}"


WORDS = ["zero", "oh", "one", "two", "five", "nine", "ten", "fourteen", "twenty", "fifty", "point", "decimal", "and",
         "a", "half", "double", "hundred", "7", "7.25", "psi", "-", ""]


@given(st.lists(st.sampled_from(WORDS), max_size=7).map(" ".join) | st.text(max_size=12))
def test_any_text_is_one_number_below_a_thousand_or_a_plain_refusal(text):
    try:
        value = parse(text).value
    except NotANumber:
        return
    assert 0 <= value < 1000
    if value >= 100 and not text.strip().isdigit():  # a lost "point" must never make a reading ten or a hundred times too large
        assert "point" in text or "decimal" in text or "." in text
    if value >= 100 and "." not in f"{value:f}":
        return  # keyed whole: said it would be refused
    assert parse(digits(value)).value == value


@pytest.mark.parametrize(("keyed", "shown", "said"), [
    ("911", "09:11", "nine eleven"), ("1405", "14:05", "fourteen zero five"), ("0", "00:00", "zero zero zero"),
    ("2359", "23:59", "twenty three fifty nine"), ("1000", "10:00", "ten zero zero")])
def test_a_time_of_day_is_shown_and_said_as_one(keyed: str, shown: str, said: str) -> None:
    """It was read back and printed as 911."""
    assert registry.figures("ticket.batched", Decimal(keyed)) == registry.figures("ticket.water_at", shown) == shown
    assert registry.aloud("ticket.batched", Decimal(keyed)) == registry.aloud("ticket.batched", shown) == time_of_day(shown) == said
    assert registry.figures("ticket.number", Decimal(keyed)) == keyed and registry.aloud("slump", Decimal("4.25")) == digits(Decimal("4.25"))


def test_what_is_shown_has_figures_where_digits_are_said() -> None:
    assert in_figures("three, one, point, eight, one. Right?") == "31.81. Right?"
    assert in_figures("Air content, six, point, zero percent.") == "Air content, 6.0 percent."
    assert in_figures(f"It was {digits(Decimal('-0.50'))}; one run, two steps.") == "It was -0.50; one run, two steps."
