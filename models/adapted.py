"""Where the adapted means of the English acoustic model are; see models/adapted/README.md."""

from pathlib import Path

MEANS = Path(__file__).resolve().parent / "adapted" / "means"


def means() -> Path:
    """The file to give to a decoder instead of the model's own. Raises RuntimeError, a sentence: without it one model would vote
    under two names, and a wrong reading be believed too easily."""
    if not MEANS.is_file():
        raise RuntimeError(f"{MEANS} is missing; install Bowlside again")
    return MEANS
