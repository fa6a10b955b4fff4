"""Whatever is read: an assessment never raises, gives no number from an impossible reading, and is exact."""

import json
from decimal import Decimal as D
from fractions import Fraction

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from assistant import work
from assistant.core import plausible
from assistant.core.methods import leak, sequential
from assistant.core.settings import Settings
from assistant.files import jsonline

any_number = st.one_of(
    st.decimals(allow_nan=True, allow_infinity=True),
    st.decimals(min_value=-1, max_value=60, places=2),
    st.sampled_from([D(t) for t in ("0", "-0", "1e-999999", "1e999999", "sNaN", "14.5", "45", "46", "7.25")]),
)
gauge = st.decimals(min_value=0, max_value=60, places=2)
NAMES = [f"{kind}.{run}.{step}" for kind in ("charge", "equilibrium") for run in (1, 2) for step in (1, 2, 3)]
KEYS = ["charge_psi", "equilibrium_psi", "limits", "rounding", "initial_psi", "final_psi"]


def table(numbers):
    return st.lists(st.lists(numbers, min_size=3, max_size=3), min_size=2, max_size=2)


@st.composite
def possible_run(draw, charges=(D("14.50"), D("30.00"), D("45.00"))) -> list[D]:
    """Three equilibria that obey E(n-1) < En < Pn."""
    before, found = D(0), []
    for charge in charges:
        before = draw(st.decimals(min_value=before + D("0.01"), max_value=charge - D("0.01"), places=2))
        found.append(before)
    return found


@st.composite
def lived_run(draw) -> list[D]:
    """What a bowl of some air gives, each reading a little off."""
    ratio, before, found = Fraction(draw(st.integers(30, 200)), 100), Fraction(0), []
    for charge in (Fraction(29, 2), Fraction(30), Fraction(45)):
        before = (charge + ratio * before) / (1 + ratio)
        found.append(D(round(100 * before) + draw(st.integers(-15, 15))) / 100)
    return found


def exact(value: D) -> Fraction:
    return Fraction(value)


def possible(charges: list[D], equilibria: list[D]) -> bool:
    """The hard rule written out on its own, in exact fractions."""
    before = Fraction(0)
    for charge, equilibrium in zip(charges, equilibria):
        if not (charge.is_finite() and equilibrium.is_finite()):
            return False
        if not before < exact(equilibrium) < exact(charge) <= 46:
            return False
        before = exact(equilibrium)
    return True


def same_air(equilibria: list[D], charges: tuple[D, ...] = (D("14.50"), D("30.00"), D("45.00"))) -> bool:
    """Whether the three steps of a run show the same air, by the tolerances of trade.md 8, in exact fractions."""
    before = first = exact(equilibria[0])
    ratio = (exact(charges[0]) - first) / first
    for charge, value in zip(map(exact, charges[1:]), map(exact, equilibria[1:])):
        off = value - (charge + ratio * before) / (1 + ratio)
        if abs((charge - value) / (value - before) / ratio - 1) > Fraction(1, 10) or not -1 <= off <= Fraction(3, 10):
            return False
        before = value
    return True


@settings(max_examples=400, deadline=None)
@given(table(any_number), table(any_number))
def test_anything_at_all_is_assessed(charge, equilibrium) -> None:
    done = sequential.assess(charge, equilibrium, Settings())
    assert done.verdict in ("pass", "fail", "invalid", "none") and done.why
    air, metric = done.results
    # 1e999999 as a fraction has a million digits: that rule is only for sizes a gauge could show
    numbers = [number for row in charge + equilibrium for number in row]
    assume(all(not n.is_finite() or n.is_zero() or -13 < n.adjusted() < 6 for n in numbers))
    sound = [possible(c, e) for c, e in zip(charge, equilibrium)]
    if not sound[0]:
        assert air.value is None
    if not all(sound):
        assert metric.value is None and done.verdict == "invalid"


@settings(max_examples=300, deadline=None)
@given(possible_run() | lived_run(), possible_run() | lived_run())
def test_possible_readings_give_exact_numbers(first, second) -> None:
    starts = [[D("14.50"), D("30.00"), D("45.00")]] * 2
    done = sequential.assess(starts, [first, second], Settings())
    air, metric = done.results
    difference = exact(second[2]) - exact(first[2])
    alike = same_air(first), same_air(second)
    if not all(alike):
        assert done.verdict == "invalid" and "do not show the same air" in done.why
    elif difference < 0:
        assert metric.value is None and done.verdict == "invalid"
    else:
        assert exact(metric.value) == difference == exact(metric.rounded)
    true_air = 6 * (exact(D("14.50")) - exact(first[0])) / exact(first[0])
    if true_air > 100 or "equilibrium 1.1 stands out" in done.why:
        assert air.value is None
    else:
        assert abs(exact(air.value) - true_air) <= true_air / 10**26  # 28 digits, rounded once


@settings(max_examples=200, deadline=None)
@given(possible_run() | lived_run(), possible_run() | lived_run())
def test_a_pass_is_inside_the_limits_as_written_and_gains_from_step_to_step(first, second) -> None:
    limits = {"system_air_metric": [None, "0.20"], "air_content": ["4.5", "7.5"]}
    job = Settings.from_mapping({"limits": limits, "chamber_ratio": "0.06", "aggregate_correction_pct": "0"})
    done = sequential.assess([[D("14.5"), D(30), D(45)]] * 2, [first, second], job)
    air, metric = (one.rounded for one in done.results)
    inside = None not in (air, metric) and D("4.5") <= air <= D("7.5") and metric <= D("0.20")
    gains = [0, *(exact(after) - exact(before) for before, after in zip(first, second))]
    rising = gains[3] > 0 and all(more > less - Fraction(1, 100) for less, more in zip(gains, gains[1:]))
    assert (done.verdict == "pass") == (inside and same_air(first) and same_air(second) and rising)


@settings(max_examples=300, deadline=None)
@given(any_number, any_number, st.none() | st.integers(0, 400).map(D))
def test_the_leak_hold_too(initial, final, seconds) -> None:
    done = leak.assess(initial, final, Settings(), seconds)
    if done.verdict == "pass":
        assert D("44") <= initial <= 46 and abs(initial - final) < D("0.13")
        assert seconds is None or seconds >= 300
    assert (done.results[0].value is None) == (done.verdict == "invalid")


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(NAMES), gauge, possible_run(), possible_run())
def test_the_hard_range_and_the_hard_rules_agree(name, value, first, second) -> None:
    starts = ("14.50", "30.00", "45.00")
    taken = {f"charge.{run}.{step}": D(starts[step - 1]) for run in (1, 2) for step in (1, 2, 3)}
    for run, row in ((1, first), (2, second)):
        taken |= {f"equilibrium.{run}.{step}": one for step, one in enumerate(row, 1)}
    low, high = plausible.plausible_range(name, taken, Settings())
    doubt = plausible.reading(name, value, taken, Settings())
    assert (low <= value <= high) == (doubt is None or doubt.kind != "impossible")
    if doubt:
        assert doubt.words.startswith(f"{value:f} ")


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60) | st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda each: st.lists(each, max_size=3) | st.dictionaries(st.sampled_from(KEYS), each)).map(json.dumps),
    st.sampled_from(["sequential", "leak"]))
def test_any_input_text_is_worked_or_refused_in_one_sentence(text, test) -> None:
    try:
        found, code = work.run(test, text)
    except ValueError as wrong:
        assert "\n" not in str(wrong) and len(str(wrong)) < 300
    else:
        assert code in (0, 1) and "\n" not in jsonline.dumps(found)
