"""Half-even as ASTM E29 rounds (from memory, 95 %), half-up and the place of the limit as Iowa DOT IM 202 has them, published."""

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, localcontext
from decimal import Decimal as D
from fractions import Fraction
from random import Random

import pytest

from assistant.core.assessment import Result, against_limits
from assistant.core.methods.slump import assess
from assistant.core.rounding import DIGITS, judge, last_place, round_to, short, to_step
from assistant.core.settings import Settings


@pytest.mark.parametrize("value, places, even, up", [
    ("5.25", 1, "5.2", "5.3"), ("5.35", 1, "5.4", "5.4"), ("0.2", 2, "0.20", "0.20"),
    ("1.861", 2, "1.86", "1.86"),
    ("0.205", 2, "0.20", "0.21"), ("0.2050000001", 2, "0.21", "0.21"), ("4.5", 0, "4", "5"),
    ("-0.04", 1, "0.0", "0.0"),
    ("-0.25", 1, "-0.2", "-0.3"),
])
def test_both_rules(value: str, places: int, even: str, up: str) -> None:
    assert str(round_to(D(value), places, "half-even")) == even
    assert str(round_to(D(value), places, "half-up")) == up


def test_a_narrow_context_of_the_caller_changes_nothing() -> None:
    with localcontext() as context:
        context.prec = 3
        assert str(round_to(D("12345.675"), 2, "half-even")) == "12345.68"


@pytest.mark.parametrize("rule", ["half-down", "", "HALF-EVEN"])
def test_an_unknown_rule_is_named(rule: str) -> None:
    with pytest.raises(ValueError, match="half-even or half-up"):
        round_to(D(1), 1, rule)
    with pytest.raises(ValueError, match="half-even or half-up"):
        judge(D(1), (None, D(2)), rule)


@pytest.mark.parametrize("value, low, high, inside", [
    ("0.204", None, "0.20", True), ("0.206", None, "0.20", False), ("0.24", None, "0.2", True),
    ("4.25", None, "4", True), ("4.25", None, "4.0", False), ("4.5", "4.50", "7.5", True),
    ("4.44", "4.5", None, False),
    ("4.45", "4.5", None, False), ("99", None, None, True), ("4", "4", "4", True),
    ("12", None, "1E+1", False),
])
def test_each_limit_is_compared_at_its_own_last_place(value, low, high, inside) -> None:
    limits = tuple(None if side is None else D(side) for side in (low, high))
    assert judge(D(value), limits, "half-even") is inside


def test_a_half_at_the_limit_follows_the_rule() -> None:
    assert judge(D("0.205"), (None, D("0.20")), "half-even") and not judge(D("0.205"),
    (None, D("0.20")), "half-up")
    assert not judge(D("4.45"), (D("4.5"), None), "half-even") and judge(D("4.45"),
    (D("4.5"), None), "half-up")


def test_last_place() -> None:
    assert [last_place(D(text)) for text in ("0.20", "0.2", "4", "40", "4E+1", "0")] == [2, 1, 0, 0, 0, 0]


@pytest.mark.parametrize("rule, mode", [("half-even", ROUND_HALF_EVEN), ("half-up", ROUND_HALF_UP)])
@pytest.mark.parametrize("step", ["0.01", "0.05", "0.25", "0.5", "1", "5"])
def test_to_a_step_against_exact_fractions(step: str, rule: str, mode: str) -> None:
    """Every thousandth up to 12 and every half way between two steps; decimal rounds the exact count of steps."""
    for thousandth in range(0, 12_000, 25):
        value = D(thousandth) / 1000
        count = Fraction(value) / Fraction(step)
        whole = D(count.numerator * 10**6 // count.denominator).scaleb(-6).quantize(D(1), mode)
        found = to_step(value, D(step), rule)
        assert found == whole * D(step) and found.as_tuple().exponent == D(step).as_tuple().exponent


def test_half_a_step() -> None:
    assert [str(to_step(D("4.375"), D("0.25"), rule)) for rule in ("half-even", "half-up")] == ["4.50", "4.50"]
    assert [str(to_step(D("4.125"), D("0.25"), rule)) for rule in ("half-even", "half-up")] == ["4.00", "4.25"]
    assert str(to_step(D("-0.1"), D("0.25"))) == "0.00" and str(to_step(D("112.5"), D(5))) == "110"


@pytest.mark.parametrize(("slump", "limits", "how", "passes"), [
    ("4.25", (None, "4"), {}, True), ("4.50", (None, "4"), {}, False), ("4.50", (None, "4"), {"half_at_limit": "rounded"}, True),
    ("4.50", (None, "4.0"), {}, False), ("5.50", (None, "5"), {}, False), ("3.50", ("4", None), {}, False),
    ("3.75", ("4", None), {}, True), ("4.50", (None, "4.50"), {}, True), ("3.50", ("4", None), {"rounding": "half-up"}, True),
    ("4.50", (None, "4"), {"rounding": "half-up"}, False)])
def test_the_even_digit_is_no_reason_to_pass(slump: str, limits: tuple, how: dict[str, str], passes: bool) -> None:
    """4 1/4 in. passes "4 in.", and not "4.0 in." (published: Iowa DOT IM 202, its vectors RD03 and RD04). By half-even 4 1/2 became 4
    and passed, while 5 1/2 failed 5: an exact half beyond a limit that is written coarser is out (common practice, no source)."""
    settings = Settings.from_mapping({"limits": {"slump": limits}, **how})
    assert assess(D(slump), settings).verdict == ("pass" if passes else "fail")


def test_a_record_from_before_is_compared_as_it_was() -> None:
    settings = Settings.of_record({"limits": {"slump": [None, "4"]}})
    assert settings.half_at_limit == "rounded" and assess(D("4.50"), settings).verdict == "pass"


def test_a_metric_is_rounded_as_e29_has_it() -> None:
    """Nothing changes where the limit has the result's own last place."""
    found = Result("system_air_metric", D("0.205"), "psi", D("0.20"), "")
    assert against_limits([found], Settings.from_mapping({"limits": {"system_air_metric": [None, "0.20"]}}))[0] == "pass"


@pytest.mark.parametrize("rule", ["half-even", "half-up"])
def test_what_is_written_short_rounds_on_as_the_whole_does(rule: str) -> None:
    """28 figures of a quotient stood in the exports. Cut off plainly, 5.65000000000001 would look like an exact half."""
    assert [str(short(D(one))) for one in ("5.70", "-0.20", "0", "1E+3", "31.81", "123456789012345")] == [
        "5.70", "-0.20", "0", "1E+3", "31.81", "123456789012345"], "what is short is left as it is"
    chance = Random(5)
    values = [D(chance.randrange(1, 10**6)) / D(chance.randrange(1, 10**4)) for _ in range(2000)]
    values += [D(one) + sign * D("1E-20") for one in ("5.65", "5.75", "0.205", "141.35", "-5.65") for sign in (1, -1)]
    for value in values:
        assert len(short(value).as_tuple().digits) <= DIGITS
        for places in range(4):
            assert round_to(short(value), places, rule) == round_to(value, places, rule), (value, places)
