"""The voice commands. Each also has a key; only phrases that are heard apart from one another belong here."""

COMMANDS: dict[str, tuple[str, ...]] = {
    "next": ("next",),
    "say_again": ("say again",),
    "yes": ("yes",),
    "no": ("no",),
    "take_it_back": ("take it back",),
    "time_left": ("time left",),
    "where_are_we": ("where are we",),
    "pause": ("pause",),
    "carry_on": ("carry on",),
    "scrap": ("scrap the test",),
    "quiet": ("quiet",),
    "talk": ("talk",),
    "slower": ("slower",),
    "faster": (),
    "skip_to_air": ("skip to air",),
}
"""Command id -> the phrases that mean it; none: only a key does (each more word is one more to be mistaken for)."""

_BY_PHRASE = {phrase: ident for ident, phrases in COMMANDS.items() for phrase in phrases}


def command(text: str) -> str | None:
    """The id of the command that `text` is, or None. Case and spacing don't matter; every word does."""
    return _BY_PHRASE.get(" ".join(text.lower().split()))
