"""The voice commands: an exact phrase is a command, anything near it is not."""

import pytest

from assistant.core.commands import COMMANDS, command
from assistant.core.spoken import NotANumber, parse


def test_every_phrase_means_its_command():
    for ident, phrases in COMMANDS.items():
        for phrase in phrases:
            assert command(phrase) == ident
            assert command(f"  {phrase.upper().replace(' ', '   ')} ") == ident


def test_no_phrase_means_two_things_or_is_a_number():
    phrases = [phrase for said in COMMANDS.values() for phrase in said]
    assert len(phrases) == len(set(phrases))
    for phrase in phrases:
        with pytest.raises(NotANumber):
            parse(phrase)


@pytest.mark.parametrize("text", ["", "say", "scrap", "scrap test", "next next", "say again please", "seven"])
def test_anything_else_is_none(text):
    assert command(text) is None
