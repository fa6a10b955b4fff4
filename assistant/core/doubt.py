"""A doubt about one reading, said before it is taken."""

from dataclasses import dataclass

IMPOSSIBLE = "impossible"
DOUBTFUL = "doubtful"


@dataclass(frozen=True)
class Doubt:
    kind: str
    """IMPOSSIBLE: refuse and ask again. DOUBTFUL: say the words and have it confirmed."""
    words: str
    """Short and speakable."""
    rule: str = ""
    """Which check spoke: "order", "air", "fit", "run_differences", "metric", "leak", "range", "step", "density"."""
