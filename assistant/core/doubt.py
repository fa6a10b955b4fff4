"""A doubt about one reading, said before it is taken."""

from dataclasses import dataclass
from decimal import Decimal

from assistant.core.events import RULES
from assistant.core.language import sentence

IMPOSSIBLE = "impossible"
DOUBTFUL = "doubtful"


@dataclass(frozen=True)
class Doubt:
    kind: str
    """IMPOSSIBLE: refuse and ask again. DOUBTFUL: say the words and have it confirmed."""
    words: str
    """Short and speakable."""
    rule: str = ""
    """Which check spoke: "order", "range", "step", or what its room calls it."""
    compares: bool = False
    """It tells how a reading stands to those before it."""
    since: int = 0
    """Of tests led by these rules (``events.RULES``) or newer ones: an older one must replay as it was lived."""


LONGEST, LONGEST_BEFORE = 8, 6
"""Digits before the point: of the longest number on a ticket, and of any in a test by rules before ``LONG_SINCE``. Ours."""
LONG_SINCE = 6


def no_number(value: Decimal, rules: int = RULES) -> Doubt | None:
    """The doubt about what neither an instrument nor a ticket could show. rules: by which the test is led."""
    most = LONGEST if rules >= LONG_SINCE else LONGEST_BEFORE
    if not value.is_finite() or value.adjusted() >= most or int(value.as_tuple().exponent) < -12:
        return Doubt(IMPOSSIBLE, sentence("doubt.no_reading"), "order")
    return None
