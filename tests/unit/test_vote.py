"""Which of several decodings is believed."""

from dataclasses import replace
from decimal import Decimal

from assistant.core.expect import Expect
from models.vote import Decoding, Rule, Vote

D = Decimal
READING = Expect("reading", D("1"), D("40"), 2, (D("6.00"), D("9.00")))
RULES = {"reading": Rule(3, 2, 4), "command": Rule(2), "yes": Rule(3)}
ANYWHERE = replace(READING, near=None)


def won(*said: str | tuple[str, bool], expect: Expect = READING, by: tuple[str, ...] = ("stock", "adapted")) -> str | None:
    vote = Vote(expect, RULES)
    for number, one in enumerate(said):
        text, narrowed = (one, False) if isinstance(one, str) else one
        vote.add(Decoding(text, by[number % len(by)], narrowed))
    return vote.winner()


def test_one_decoding_is_no_evidence_and_enough_that_say_alike_are():
    assert won("seven point two five") is None
    assert won(*["seven point two five"] * 2, expect=ANYWHERE) is None
    assert won(*["seven point two five"] * 3, expect=ANYWHERE) == "seven point two five"


def test_what_is_unlikely_must_be_heard_more_surely():
    assert won(*["seven point two five"] * 3) is None
    assert won(*["seven point two five"] * 4) == "seven point two five"


def test_two_ways_to_say_a_number_are_one_meaning():
    assert won("seven point two zero", "seven point two oh", "seven decimal two oh", expect=ANYWHERE) == "seven point two zero"


def test_a_narrowed_decoding_supports_what_others_heard():
    assert won(("seven point two five", True), "seven point two five", "seven point two five")
    assert won(("seven point two nine", True), "seven point two five", "seven point two five") is None


def test_a_narrowed_decoding_never_makes_a_value():
    assert won(*[("seven point two five", True)] * 5) is None
    assert won(*[("seven point two five", True)] * 5, "one point five", "seven point two five") is None


def test_a_rival_that_is_as_strong_stops_it_and_words_that_are_no_sentence_count_against():
    assert won(*["seven point two five"] * 3, *["eleven point two five"] * 3, expect=ANYWHERE) is None
    assert won(*["seven point two five"] * 3, *["point point"] * 3, expect=ANYWHERE) is None
    assert won(*["point point"] * 5) is None


def test_yes_must_be_the_hardest():
    expect = Expect("yesno")
    assert won("yes", "yes", expect=expect) is None
    assert won("no", "no", expect=expect) == "no"
    assert won("yes", "yes", "yes", expect=expect) == "yes"


def test_a_number_wins_nothing_where_yes_or_no_is_asked_and_silence_counts_for_nothing():
    assert won(*["seven point two five"] * 5, expect=Expect("yesno")) is None
    assert won(*[""] * 5) is None


def test_one_recogniser_alone_repeats_its_own_mistakes():
    said = ["seven point two five"] * 6
    assert won(*said, by=("stock",)) is None and won(*said) == "seven point two five"
