"""How the words of the station are said: a text file that every model of ours has beside it."""

from pathlib import Path


def read_lexicon(path: Path) -> dict[str, list[tuple[str, ...]]]:
    """Raises OSError, ValueError."""
    words: dict[str, list[tuple[str, ...]]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.strip():
            word, *sounds = line.split()
            if not sounds:
                raise ValueError(f"{path.name} gives no sounds for {word}")
            words.setdefault(word, []).append(tuple(sounds))
    return words
