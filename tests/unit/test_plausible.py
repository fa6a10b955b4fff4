"""What a reading can be. Hard rules are derived (0 < E1 < P1, E(n-1) < En < Pn), soft ones are ours, in no standard."""

import re
from decimal import Decimal as D

import pytest

from assistant.core.plausible import band, doubts, plausible_range, reading
from assistant.core.settings import Settings

SETTINGS = Settings()
GOOD = {f"{kind}.{run}.{step}": D(value) for kind, runs in {
    "charge": (("14.50", "30.00", "45.00"), ("14.50", "30.00", "45.00")),
    "equilibrium": (("7.25", "18.63", "31.81"), ("7.32", "18.77", "32.01"))}.items()
    for run, values in enumerate(runs, 1) for step, value in enumerate(values, 1)}


def before(name: str) -> dict[str, D]:
    """The readings taken before `name` in a good test."""
    _, run, step = name.split(".")
    return {key: value for key, value in GOOD.items()
            if (key.split(".")[1:], key.split(".")[0]) < ([run, step], name.split(".")[0])}


@pytest.mark.parametrize("name", GOOD)
def test_a_good_test_raises_no_doubt(name: str) -> None:
    assert reading(name, GOOD[name], before(name), SETTINGS) is None
    low, high = plausible_range(name, before(name), SETTINGS)
    assert low <= GOOD[name] <= high


@pytest.mark.parametrize("name, value, words", [
    ("equilibrium.1.1", "14.51", "is not below the charge"), ("equilibrium.1.1", "0.00", "is no pressure"),
    ("equilibrium.1.1", "-1", "is no pressure"),
    ("equilibrium.1.2", "7.25", "is not above the last equilibrium"),
    ("equilibrium.1.3", "45.01", "is not below the charge"),
    ("equilibrium.2.1", "14.51", "is not below the charge"),
    ("equilibrium.2.2", "7.10", "is not above the last equilibrium"),
    ("charge.1.2", "7.25", "is not above the last equilibrium"),
    ("charge.1.1", "46.01", "is over the meter's maximum"),
    ("leak.charge", "50", "is over the meter's maximum"), ("leak.final", "-0.01", "is below zero"),
    ("leak.initial", "0", "is no pressure"), ("equilibrium.1.1", "NaN", "no gauge reading"),
    ("equilibrium.1.1", "1e-999", "no gauge reading"), ("charge.1.1", "Infinity", "no gauge reading"),
])
def test_impossible(name: str, value: str, words: str) -> None:
    taken = before(name) if name.count(".") == 2 else {}
    doubt = reading(name, D(value), taken, SETTINGS)
    assert doubt and doubt.kind == "impossible" and words in doubt.words
    assert len(list(doubts(name, D(value), taken, SETTINGS))) == 1


@pytest.mark.parametrize("name, value, rule", [
    ("equilibrium.1.1", "13.00", "air"),  # 0.7 %
    ("equilibrium.1.1", "4.80", "air"),  # 12.1 %
    ("equilibrium.2.1", "13.00", "far"), ("equilibrium.2.1", "10.17", "far"),  # the bowl was not let down
    ("equilibrium.2.2", "19.61", "far"),
    ("equilibrium.1.2", "18.00", "fit"), ("equilibrium.1.2", "18.93", "fit"),
    ("equilibrium.1.3", "31.11", "fit"), ("equilibrium.1.3", "32.12", "fit"),
    ("equilibrium.1.3", "38.11", "fit"),
    ("equilibrium.2.1", "7.24", "run_differences"), ("equilibrium.2.2", "18.62", "run_differences"),
    ("equilibrium.2.2", "18.69", "run_differences"), ("equilibrium.2.3", "31.94", "run_differences"),
    ("equilibrium.2.3", "31.81", "metric"), ("equilibrium.2.3", "31.80", "metric"),
])
def test_doubtful(name: str, value: str, rule: str) -> None:
    doubt = reading(name, D(value), before(name), SETTINGS)
    assert doubt and (doubt.kind, doubt.rule) == ("doubtful", rule)


@pytest.mark.parametrize("name, value", [
    ("equilibrium.1.1", "12.42"), ("equilibrium.1.1", "4.84"),  # 1.005 and 11.98 %: both inside 1 to 12
    ("equilibrium.1.2", "18.91"), ("equilibrium.1.3", "31.20"), ("equilibrium.1.3", "32.11"),
    ("equilibrium.2.1", "7.25"), ("equilibrium.2.2", "18.70"), ("equilibrium.2.3", "31.95"),
])
def test_just_inside_the_soft_rules(name: str, value: str) -> None:
    assert reading(name, D(value), before(name), SETTINGS) is None


def test_a_metric_over_the_usual_is_doubted_but_not_at_it() -> None:
    # lower run 1 by 0.6, so that E2.3 still fits its own run
    taken = {**before("equilibrium.2.3"), "equilibrium.1.3": D("31.21")}
    assert reading("equilibrium.2.3", D("32.01"), taken, SETTINGS) is None
    over = reading("equilibrium.2.3", D("32.02"), taken, SETTINGS)
    assert over and over.rule == "metric"


def test_impossible_comes_before_doubtful() -> None:
    assert reading("equilibrium.2.3", D("18.77"), before("equilibrium.2.3"), SETTINGS).kind == "impossible"


@pytest.mark.parametrize("name, value", [("equilibrium.1.1", "14.52"), ("equilibrium.1.2", "7.10"),
                                         ("equilibrium.1.3", "38.11"), ("equilibrium.2.3", "31.19"),
                                         ("equilibrium.2.2", "18.60"), ("leak.final", "35.10")])
def test_words_begin_with_what_was_read_and_tell_no_other_reading(name: str, value: str) -> None:
    taken = {"leak.initial": D("45.20")} if name.startswith("leak") else before(name)
    said = reading(name, D(value), taken, SETTINGS).words
    assert said.startswith(value + " ") and len(said.split()) <= 12
    numbers = re.findall(r"\d+\.\d+", said)
    assert numbers[0] == value and not set(numbers[1:]) & {f"{one:f}" for one in GOOD.values()}


def test_rules_whose_readings_are_missing_are_left_out() -> None:
    for name in GOOD:
        assert reading(name, GOOD[name], {}, SETTINGS) is None


def test_leak_final_far_off_is_doubtful() -> None:
    taken = {"leak.initial": D("45.20")}
    assert reading("leak.final", D("44.20"), taken, SETTINGS) is None
    assert reading("leak.final", D("44.19"), taken, SETTINGS).kind == "doubtful"


@pytest.mark.parametrize("name, value, state, by, words", [
    ("charge.1.1", "14.50", "in_band", "0", "in the band"),
    ("charge.2.1", "14.55", "in_band", "0.05", "in the band"),
    ("charge.1.3", "45.12", "over", "0.12", "over by 0.12: bleed a little"),
    ("charge.1.2", "29.93", "under", "0.07", "under by 0.07: pump a little"),
    ("charge.1.2", "31.00", "over", "1.00", "over by 1.00: bleed"),
    ("charge.1.3", "4.5", "under", "40.5", "under by 40.5: pump"),
    ("leak.charge", "45.0", "in_band", "0", "in the band"),
    ("leak.initial", "45.50", "in_band", "0", "in the band"),
    ("leak.charge", "45.62", "over", "0.12", "over by 0.12: bleed a little"),
    ("leak.initial", "44.99", "under", "0.01", "under by 0.01: pump a little"),
])
def test_band(name: str, value: str, state: str, by: str, words: str) -> None:
    found = band(name, D(value), SETTINGS)
    assert (found.state, found.by, found.words) == (state, D(by), words)


@pytest.mark.parametrize("name", ["equilibrium.1.1", "leak.final", "charge.3.1", "charge.1.4", "charge"])
def test_other_names_have_no_band(name: str) -> None:
    with pytest.raises(ValueError, match=name.replace(".", r"\.")):
        band(name, D(1), SETTINGS)


def test_hard_range() -> None:
    assert plausible_range("equilibrium.1.2", before("equilibrium.1.2"), SETTINGS) == (D("7.26"), D("30.00"))
    assert plausible_range("charge.1.3", before("charge.1.3"), SETTINGS) == (D("18.64"), D("46"))
    assert plausible_range("charge.2.1", before("charge.2.1"), SETTINGS) == (D("0.01"), D("46"))
    assert plausible_range("leak.final", {}, SETTINGS) == (D("0.00"), D("46"))


def test_each_fit_rule_speaks_on_its_own() -> None:
    # 10 % of r3 is about 0.7 psi at r = 1, so with the defaults it hides the rule of 1.0 psi below
    loose = Settings.from_mapping({"ratio_difference": "1"})
    taken = before("equilibrium.1.3")
    assert reading("equilibrium.1.3", D("30.82"), taken, loose) is None
    assert reading("equilibrium.1.3", D("30.81"), taken, loose).rule == "fit"  # 31.815 was to be expected


def test_the_meters_maximum_itself_is_allowed() -> None:
    assert reading("charge.1.3", D("46"), before("charge.1.3"), SETTINGS) is None


@pytest.mark.parametrize("name", ["ticket.number", "ticket.truck", "picked.by"])
def test_a_number_on_paper_may_have_eight_digits_and_a_test_from_before_replays_as_it_was_lived(name: str) -> None:
    for value in ("4011712", "99999999"):
        assert reading(name, D(value), {}, SETTINGS) is None
        assert "no gauge reading" in reading(name, D(value), {}, SETTINGS, rules=5).words
    assert reading(name, D("100000000"), {}, SETTINGS).kind == "impossible"
