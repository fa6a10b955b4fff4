"""Which of several decodings is believed."""

from dataclasses import replace
from decimal import Decimal

import pytest

from assistant.core.expect import Expect
from models.ear import WITH_OWN
from models.vote import OWN, Decoding, Rule, Vote

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


# --- where the station's own model hears -----------------------------------------------------------------------------------

STATION = WITH_OWN["reading"]
FOUR = ["seven point two five"] * 4


def vote_of(own: list[str], others: list[str | tuple[str, bool]], expect: Expect = READING) -> Vote:
    vote = Vote(expect, WITH_OWN)
    for text in own:
        vote.add(Decoding(text, OWN))
    for number, one in enumerate(others):
        text, narrowed = (one, False) if isinstance(one, str) else one
        vote.add(Decoding(text, ("stock", "adapted")[number % 2], narrowed))
    return vote


@pytest.mark.parametrize("expect", [READING, ANYWHERE])
def test_the_own_model_and_another_must_agree(expect):
    assert vote_of(FOUR[:STATION.own], FOUR[:STATION.plain], expect).winner() == "seven point two five"
    assert vote_of(FOUR[:STATION.own - 1], FOUR, expect).winner() is None
    assert vote_of(FOUR, FOUR[:STATION.plain - 1], expect).winner() is None


def test_neither_wins_alone_however_sure_it_is():
    for expect, text in ((READING, "seven point two five"), (Expect("yesno"), "yes"), (Expect("command"), "scrap the test")):
        assert vote_of([text] * 3, [], expect).winner() is None
        assert vote_of([], [text] * 6, expect).winner() is None
        assert vote_of([text] * 3, [text] * 6, expect).winner() == text
    assert vote_of(["seven point two nine"] * 3, FOUR).winner() is None


def test_the_own_model_may_be_outvoted_among_its_own_three():
    assert vote_of(["seven point two nine", *FOUR[:2]], FOUR[:2]).winner() == "seven point two five"
    assert vote_of(["seven point two nine", "seven point two five", ""], FOUR).winner() is None


def test_where_the_own_model_hears_a_narrowed_decoding_supports_and_never_stands_for_another():
    narrowed = [("seven point two five", True)]
    assert vote_of(FOUR[:2], FOUR[:STATION.supported]).winner() is None
    assert vote_of(FOUR[:2], narrowed + FOUR[:STATION.supported]).winner() == "seven point two five"
    assert vote_of(FOUR[:2], [("seven point two nine", True), *FOUR[:STATION.supported]]).winner() is None
    assert vote_of(FOUR[:2], [*[("seven point two nine", True)] * 2, *narrowed, *FOUR[:STATION.supported]]).winner() is None
    assert vote_of(FOUR[:3], narrowed * 4).winner() is None


def test_one_more_than_a_command_needs_says_yes():
    def said(text: str, of_pocketsphinx: int) -> str | None:
        return vote_of([text] * 2, [text] * of_pocketsphinx, Expect("yesno")).winner()
    assert said("no", 1) == "no" and said("yes", 1) is None and said("yes", 2) == "yes"


def test_what_the_own_model_says_is_a_meaning_it_gave_twice():
    assert vote_of(["seven point two oh", "seven point two zero"], []).own_says() == "7.20"
    assert vote_of(["seven point two five", "seven point two nine", ""], FOUR).own_says() is None
    assert vote_of(["point point"] * 3, []).own_says() is None
    assert vote_of(FOUR[:3], [], Expect("yesno")).own_says() is None


@pytest.mark.parametrize("own, others, apart", [
    (FOUR[:3], ["seven point two nine"] * 2, True),
    (FOUR[:2], ["seven point two nine"], False),                    # one is a chance likeness
    (FOUR[:3], FOUR, False),
    (FOUR[:1], ["seven point two nine"] * 4, False),                # it heard nothing twice
    (FOUR[:3], ["next"] * 2, False),
    (FOUR[:3], ["point point"] * 2, False),
    (["next"] * 3, ["seven point two nine"] * 2, False),
    (FOUR[:3], [("seven point two nine", True)] * 3, False),
    ([], FOUR, False), (FOUR[:3], [], False)])
def test_two_readings_are_apart_only_if_each_was_heard_more_than_once(own, others, apart):
    assert vote_of(own, others).apart() is apart


def test_yes_and_no_are_never_apart():
    assert not vote_of(["yes"] * 3, ["no"] * 4, Expect("yesno")).apart()


@pytest.mark.parametrize("text, ident", [("next", "next"), ("time left", "time_left"), ("no", "no")])
def test_what_the_own_model_says_three_times_commands_the_station_alone(text: str, ident: str):
    vote = Vote(Expect("command") if ident != "no" else Expect("yesno"), WITH_OWN)
    for number in range(3):
        assert vote.winner() is None, number
        vote.add(Decoding(text, OWN))
    assert vote.winner() == text


@pytest.mark.parametrize("text, expect",
                         [("yes", Expect("yesno")), ("take it back", Expect("command")), ("scrap the test", Expect("command")),
                                          ("seven point two five", READING), ("seven point two five", ANYWHERE)])
def test_never_what_takes_or_throws_away_a_reading(text: str, expect: Expect):
    vote = Vote(expect, WITH_OWN)
    for _ in range(3):
        vote.add(Decoding(text, OWN))
    assert vote.winner() is None
    for _ in range(2):
        vote.add(Decoding(text, "stock"))
    assert vote.winner() == text
