"""Spoken numbers against text2num, both ways, for every hundredth from 0.00 to 60.00.

Source: the Python package text2num (PyPI), an independent words-to-number converter. What it can't say is
stated beside each check: it takes number words said one by one, without a point between, as separate numbers.
"""

from decimal import Decimal

import pytest

text_to_num = pytest.importorskip("text_to_num", reason="text2num is not installed; run python3 tests once")
alpha2digit = text_to_num.alpha2digit

from assistant.core.spoken import NotANumber, digits, parse, say  # noqa: E402

VALUES = [Decimal(n).scaleb(-2) for n in range(6001)]


def test_text2num_understands_what_we_say():
    assert [alpha2digit(say(value), "en") for value in VALUES] == [str(value) for value in VALUES]


def test_text2num_understands_what_we_read_back():
    """From 10 on it leaves the first digit apart ("1 4.50"): joined, it must be our number."""
    for value in VALUES:
        seen = alpha2digit(digits(value).replace(",", ""), "en")
        assert seen.replace(" ", "") == str(value)
        assert (" " in seen) == (value >= 10)


def test_we_understand_what_text2num_writes():
    for value in VALUES:
        assert str(parse(alpha2digit(say(value), "en")).value) == str(value)


def test_two_decimals_said_as_one_number():
    """text2num does not join "eighteen point sixty three"; it gives "18 point 63", of which each half must agree."""
    for value in VALUES:
        whole, hundredths = f"{value}".split(".")
        if int(hundredths) >= 10:
            text = f"{say(Decimal(whole))} point {say(Decimal(hundredths))}"
            assert alpha2digit(text, "en") == f"{whole} point {hundredths}"
            assert parse(text).value == value


@pytest.mark.parametrize("text", ["seven twenty five", "seven two five", "twenty oh five"])
def test_what_text2num_leaves_in_pieces_we_refuse(text):
    assert " " in alpha2digit(text, "en")
    with pytest.raises(NotANumber):
        parse(text)
