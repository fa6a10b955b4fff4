"""Trust in a result: two technicians, retests. Published rows are checked in tests/outside/test_vectors.py too."""

from decimal import Decimal as D

import pytest

from assistant.core import quality


@pytest.mark.parametrize("name, first, second, verdict, words", [
    ("slump", "0.3", "1.12", "pass", "0.82"), ("slump", "0.3", "1.13", "fail", "more than 0.82"),
    ("slump", "3.4", "3.4", "pass", "at most 1.10"),
    ("slump", "6.0", "7.5", "pass", "1.50"), ("slump", "6.0", "7.6", "fail", "1.50"),
    ("slump", "2.3", "2.3", "pass", "at most 0.96"),  # half way between 1.2 and 3.4 in.
    ("temperature", "72", "73.9", "pass", "1.90"), ("temperature", "72", "74", "fail", "look for the reason"),
    ("density", "142.0", "144.3", "pass", "2.31"), ("density", "142.0", "144.4", "fail", "2.31"),
    ("air_content", "5.0", "5.8", "pass", "0.80"), ("air_content", "5.0", "5.9", "fail", "0.80"),
    ("system_air_metric", "0.20", "0.30", "none", "no published precision"),
])
def test_two_technicians(name, first, second, verdict, words) -> None:
    """C143-20 and C138 from memory, C1064 and C231 Type A second-hand: as its room in methods/ says."""
    found = quality.compare(name, D(first), D(second))
    assert found.verdict == verdict and words in found.why and found.standing


@pytest.mark.parametrize("name, first, second, verdict, words", [
    ("temperature", "22", "23", "pass", "1 \u00b0C apart, at most 1.06"), ("temperature", "22", "23.5", "fail", "\u00b0C"),
    ("density", "2275", "2312", "pass", "at most 37.00"), ("density", "2275", "2313", "fail", "kg/m3"),
    ("slump", "25", "45", "pass", "mm"), ("slump", "25", "47", "fail", "mm"),
])
def test_two_technicians_in_si(name, first, second, verdict, words) -> None:
    """A difference of 1.9 F is 1.06 C, not the 17 below zero that 1.9 F is as a temperature."""
    found = quality.compare(name, D(first), D(second), "si")
    assert found.verdict == verdict and words in found.why


@pytest.mark.parametrize("verdicts, preliminary, below, then, words", [
    (["pass"], False, False, "accepted", "is accepted"), (["fail"], False, False, "check-test", "another portion"),
    (["fail", "pass"], False, False, "accepted", "check test passed"),
    (["fail", "fail"], False, False, "rejected", "the check test failed too"),
    (["fail", "invalid"], False, False, "check-test", "another portion"), (["invalid"], False, False, "none", "no plain verdict"),
    (["invalid", "fail", "fail"], False, False, "rejected", ""), (["fail"], True, True, "adjust", "may be adjusted"),
    (["fail"], True, False, "adjust", "rejects nothing"), (["fail", "fail"], True, False, "adjust", "rejects nothing"),
    (["pass"], True, False, "none", "the acceptance sample decides"),
    (["pass", "fail"], False, False, "none", "for the agency"), (["pass", "pass"], False, False, "accepted", ""),
    (["fail", "pass", "fail"], False, False, "none", "for the agency"), (["repeated"], False, False, "none", "no plain verdict"),
])
def test_what_follows_a_failure(verdicts, preliminary, below, then, words) -> None:
    """C94's older wording second-hand; work item WK77546 (2021) for the preliminary sample. Of the load nothing is said."""
    for name, called in (("slump", "slump"), ("air_content", "air content")):
        found = quality.after(name, verdicts, preliminary, below)
        assert found.verdict == then and words in found.why and called in found.why and "load" not in found.why


@pytest.mark.parametrize("name", ["system_air_metric", "temperature", "density"])
def test_of_other_results_the_rule_says_nothing(name: str) -> None:
    """No source: C94 is quoted for slump and air content only."""
    for second, words in (("pass", "which counts"), ("fail", "failed in the check test too")):
        found = quality.after(name, ["fail", second])
        assert found.verdict == "none" and words in found.why and "C94" not in found.standing and "load" not in found.why
    assert quality.after(name, ["fail"]).verdict == "check-test"
    assert quality.after(name, ["fail"], may_check=False).verdict == "none"
