"""Which words a vosk model lacks: such a word would be dropped from a grammar with nothing but a log line."""

from collections.abc import Container, Iterable
from pathlib import Path

from models import fst


class NoVocabulary(ValueError):
    """The words of a model can't be read. The message is a sentence."""


def known_words(folder: Path) -> dict[str, int]:
    """Word -> id of the vosk model in `folder`, read from its files: nothing is loaded.

    Small models keep their words inside graph/Gr.fst and bring no words.txt. Raises NoVocabulary.
    """
    graph = folder / "graph" if (folder / "graph").is_dir() else folder
    try:
        if (graph / "Gr.fst").is_file() and (words := fst.symbols(graph / "Gr.fst")):
            return words
        lines = (graph / "words.txt").read_text(encoding="utf-8").splitlines()
        return {word: int(number) for word, number in (line.split() for line in lines if line.strip())}
    except (OSError, ValueError) as error:
        raise NoVocabulary(f"The vosk model in {folder} can't be loaded, its list of words can't be read "
                           f"({error}); install it again.") from None


def missing(known: Container[str], words: Iterable[str]) -> list[str]:
    """The words that are not known, in the order given, each once."""
    return [word for word in dict.fromkeys(words) if word not in known]


def sentence(name: str, words: list[str]) -> str | None:
    """What the technician is told of them."""
    if not words:
        return None
    return f"The model {name} does not know {', '.join(words)}; these can't be heard, use the keypad for them."
