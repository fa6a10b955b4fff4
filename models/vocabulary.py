"""Which words a vosk model lacks: such a word would be dropped from a grammar with nothing but a log line."""

from collections.abc import Iterable
from typing import Any


def missing(model: Any, words: Iterable[str]) -> list[str]:
    """The words that the loaded `vosk.Model` does not have, in the order given.

    Asked of the model itself: small models keep their words inside the grammar and bring no words.txt.
    """
    return [word for word in dict.fromkeys(words) if model.vosk_model_find_word(word) < 0]


def sentence(name: str, words: list[str]) -> str | None:
    """What the technician is told of them."""
    if not words:
        return None
    return f"The model {name} does not know {', '.join(words)}; these can't be heard, use the keypad for them."
