"""A doubt about one reading, said before it is taken."""

from dataclasses import dataclass
from decimal import Decimal

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


def no_number(value: Decimal) -> Doubt | None:
    """The doubt about what no instrument could show."""
    if not value.is_finite() or value.adjusted() >= 6 or int(value.as_tuple().exponent) < -12:
        return Doubt(IMPOSSIBLE, sentence("doubt.no_reading"), "order")
    return None
