"""Rounding a result, and comparing it with a limit. Only ever at the end: nothing in between is rounded."""

from decimal import ROUND_05UP, ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal

HALF_EVEN = "half-even"
"""An exact 5 goes to the even digit (ASTM E29 from memory, about 95 % sure)."""
HALF_UP = "half-up"
"""An exact 5 always goes up, away from zero (published: Iowa DOT IM 202)."""

_RULES = {HALF_EVEN: ROUND_HALF_EVEN, HALF_UP: ROUND_HALF_UP}
RULES = tuple(_RULES)

_WIDE = Context(prec=60)
"""Wide enough that a bounded reading never overflows quantize, whatever context the caller left."""


def round_to(value: Decimal, places: int, rule: str = HALF_EVEN) -> Decimal:
    """`value` with exactly `places` decimals: 0.2 to 2 places is 0.20. ValueError on an unknown rule."""
    if rule not in _RULES:
        raise ValueError(f"the rounding rule is {rule!r}: it must be {' or '.join(RULES)}")
    rounded = value.quantize(Decimal(1).scaleb(-places), _RULES[rule], _WIDE)
    return abs(rounded) if rounded.is_zero() else rounded  # no "-0.0" on a screen


def to_step(value: Decimal, step: Decimal, rule: str = HALF_EVEN) -> Decimal:
    """`value` to the nearest multiple of `step`, written with the decimals of `step`: 4.3 to 0.25 is 4.25.

    A value half way goes to the even multiple, or up, as the rule says.
    """
    multiples = round_to(_WIDE.divide(value, step), 0, rule)
    return _WIDE.multiply(multiples, step).quantize(step, context=_WIDE)


DIGITS = 12
"""As many figures of an unrounded value are written down: far more than any gauge can tell. (Ours.)"""


def short(value: Decimal) -> Decimal:
    """`value` with at most DIGITS figures, for a file or a page; one that has fewer keeps its own.

    Rounding it on gives what rounding the whole value gives: where figures were cut off, the last one left is no 0 and no 5, so that
    nothing looks exact, or exactly half, that is not.
    """
    places = max(0, DIGITS - 1 - value.adjusted())
    return value if last_place(value) <= places else value.quantize(Decimal(1).scaleb(-places), ROUND_05UP, _WIDE)


def last_place(limit: Decimal) -> int:
    """How many decimals the limit was written with: 0.20 has two, 4 has none (and so has 1E+1)."""
    return max(0, -int(limit.as_tuple().exponent))


def to_limit(value: Decimal, limit: Decimal, side: int, rule: str, half_out: bool) -> Decimal:
    """`value` at the last place of a limit, lowest (side -1) or highest (1), as it is compared with it.

    half_out: by half-even an exact half beyond the limit stays beyond it, though the limit's own digit is even.
    """
    places = last_place(limit)
    rounded = round_to(value, places, rule)
    half = abs(value - limit) * 2 == Decimal(1).scaleb(-places)
    return rounded + side * Decimal(1).scaleb(-places) if half_out and half and rule == HALF_EVEN and rounded == limit \
        and side * (value - limit) > 0 else rounded


def judge(value: Decimal, limits: tuple[Decimal | None, Decimal | None], rule: str = HALF_EVEN) -> bool:
    """Whether `value` is inside (low, high), both included, None for no limit on that side.

    Each side is compared after rounding to that limit's own last place as written (published: Iowa DOT
    IM 202): 4.25 passes a highest of 4 and fails one of 4.0.
    """
    low, high = limits
    if low is not None and round_to(value, last_place(low), rule) < low:
        return False
    return high is None or round_to(value, last_place(high), rule) <= high
