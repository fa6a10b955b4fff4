"""The voice commands. Each also has a key; only phrases that are heard apart from one another belong here."""

from assistant.core.language import CURRENT

COMMANDS: dict[str, tuple[str, ...]] = dict(CURRENT.commands)
"""Command id -> the phrases that mean it; none: only a key does (each more word is one more to be mistaken for)."""

_BY_PHRASE = {phrase: ident for ident, phrases in COMMANDS.items() for phrase in phrases}


def command(text: str) -> str | None:
    """The id of the command that `text` is, or None. Case and spacing don't matter; every word does."""
    return _BY_PHRASE.get(" ".join(text.lower().split()))


def phrase(ident: str) -> str:
    """What is said for a command: the first of its phrases. KeyError, IndexError for one that only a key gives."""
    return COMMANDS[ident][0]
