"""Every word that the station says, shows or understands, from one language file; set once, before anything runs.

``sentence("answer.not_yet")`` is all that the rest of the core knows of it.
"""
from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from assistant import languages

_FIELD = re.compile(r"\{(\w+)\}")
_LISTS = {"units": 10, "zero_too": None, "teens": 10, "tens": 8, "points": None}
_TEXTS = ("two_digits", "half", "double", "minus")


class LanguageError(ValueError):
    """A language file is wrong; the message names everything that is, at once."""


@dataclass(frozen=True)
class Numbers:
    """Spoken numbers as tables; ``spoken.py`` knows only these."""
    units: tuple[str, ...]
    """0 to 9, one word each."""
    zero_too: tuple[str, ...]
    points: tuple[str, ...]
    half: tuple[str, ...]
    """Words after a whole number that add a half; none: nobody says so."""
    double: str
    """Before a digit that counts twice; empty: nobody says so."""
    minus: str
    two_digits: Mapping[int, tuple[str, ...]]
    """The words of 10 to 99."""
    teens: tuple[str, ...]
    tens: tuple[str, ...]

    @classmethod
    def from_mapping(cls, data: Mapping[str, Any]) -> "Numbers":
        """Raises LanguageError if a table is missing, of the wrong length, or two numbers sound alike."""
        for key, length in _LISTS.items():
            value = data.get(key)
            if not isinstance(value, list) or not all(isinstance(one, str) for one in value) or length not in (None, len(value)):
                raise LanguageError(f'numbers: "{key}" must be a list of {length or "some"} texts.')
        for key in _TEXTS:
            if not isinstance(data.get(key), str):
                raise LanguageError(f'numbers: "{key}" must be a text.')
        if not data["points"] or set(_FIELD.findall(data["two_digits"])) != {"tens", "units"}:
            raise LanguageError('numbers: "points" needs a word, and "two_digits" must name {tens} and {units}.')
        single = [*data["units"], *data["zero_too"], *data["points"], data["double"] or "-", data["minus"]]
        for word in single:
            if len(word.split()) != 1:
                raise LanguageError(f'numbers: "{word}" must be one word.')
        whole = {n: _two_digits(n, data) for n in range(10, 100)}
        half = tuple(data["half"].split())
        said = [*((word,) for word in single), *whole.values(), half[:1]]
        twice = sorted({" ".join(one) for one in said if said.count(one) > 1})
        if twice or half and any(half[0] in words for words in whole.values()):
            raise LanguageError(f'numbers: {", ".join(twice) or half[0]} would mean two things.')
        return cls(tuple(data["units"]), tuple(data["zero_too"]), tuple(data["points"]), half, data["double"], data["minus"],
                   whole, tuple(data["teens"]), tuple(data["tens"]))


def _two_digits(n: int, data: Mapping[str, Any]) -> tuple[str, ...]:
    if own := data.get("irregular", {}).get(str(n)):
        return tuple(own.split())
    if n < 20:
        return tuple(data["teens"][n - 10].split())
    tens, units = data["tens"][n // 10 - 2], data["units"][n % 10]
    return tuple((_filled(data["two_digits"], {"tens": tens, "units": units}) if n % 10 else tens).split())


@dataclass(frozen=True)
class Language:
    name: str
    numbers: Numbers
    commands: Mapping[str, tuple[str, ...]]
    """Command id -> what may be said for it."""
    pronounce: Mapping[str, str]
    """As shown -> as said."""
    sentences: Mapping[str, str]
    """Id -> words with ``{fields}``."""
    procedures: Mapping[str, Any]
    """Test -> its words by step (see ``procedure.reworded``); empty for the language that its file is written in."""

    @classmethod
    def from_mapping(cls, data: Mapping[str, Any], english: "Language | None" = None) -> "Language":
        """A language from its parsed file, checked against English. Raises LanguageError naming everything that is wrong."""
        name = data.get("name")
        if not isinstance(name, str) or not name:
            raise LanguageError('A language file needs a "name".')
        sentences = dict(_flat(data.get("say", {})))
        commands = {key: tuple(value) for key, value in data.get("commands", {}).items()}
        wrong: list[str] = []
        if english is not None:
            wrong += _compared("commands", commands, english.commands)
            # English of one's own may have more: the sentences of methods that lie elsewhere.
            more = _compared("say", sentences, english.sentences)
            wrong += [one for one in more if name != english.name or not one.endswith("is not known")]
            wrong += [f"say.{key} must name {_fields(english.sentences[key])} and names {_fields(text)}"
                      for key, text in sentences.items()
                      if key in english.sentences and _fields(text) != _fields(english.sentences[key])]
        phrases = [phrase for said in commands.values() for phrase in said]
        wrong += [f'commands: "{one}" means two commands' for one in sorted({one for one in phrases if phrases.count(one) > 1})]
        numbers = None
        try:
            numbers = Numbers.from_mapping(data.get("numbers", {}))
        except LanguageError as error:
            wrong.append(str(error).rstrip("."))
        if wrong or numbers is None:
            raise LanguageError(f"The language file {name} is not whole: {'; '.join(wrong)}.")
        return cls(name, numbers, commands, dict(data.get("pronounce", {})), sentences, dict(data.get("procedure", {})))

    def sentence(self, ident: str, **fields: object) -> str:
        """The words of ``ident`` with its fields filled in. KeyError if there are no such words: a mistake of ours."""
        return _filled(self.sentences[ident], fields)


def _filled(text: str, fields: Mapping[str, object]) -> str:
    return _FIELD.sub(lambda found: str(fields[found[1]]), text)


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, str(value)


def _fields(text: str) -> str:
    return ", ".join(sorted({f"{{{one}}}" for one in _FIELD.findall(text)})) or "no field"


def _compared(table: str, found: Mapping[str, Any], wanted: Mapping[str, Any]) -> list[str]:
    return ([f"{table}.{key} is missing" for key in wanted if key not in found]
            + [f"{table}.{key} is not known" for key in found if key not in wanted])


def _set_up() -> tuple[Language, str]:
    english = Language.from_mapping(languages.english())
    try:
        return Language.from_mapping(languages.chosen(), english), ""
    except ValueError as error:
        return english, str(error)


CURRENT, TROUBLE = _set_up()
"""The language of this process, and why it is English where another was asked for (the command line refuses then)."""

sentence = CURRENT.sentence
