"""A second language made from the first by a rule: every sentence in marks, German numbers, other commands.

Made, not written down, so that a sentence added tomorrow is in it. The German is from memory and only a test's.
"""
from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from assistant import languages
from assistant.core.procedure import build, wording
from assistant.core.settings import Settings
from assistant.procedures import path, read

NUMBERS: dict[str, Any] = {
    "units": "null eins zwei drei vier fünf sechs sieben acht neun".split(), "zero_too": [],
    "teens": "zehn elf zwölf dreizehn vierzehn fünfzehn sechzehn siebzehn achtzehn neunzehn".split(),
    "tens": "zwanzig dreißig vierzig fünfzig sechzig siebzig achtzig neunzig".split(),
    "two_digits": "{units}und{tens}",
    "irregular": {str(tens * 10 + 1): "einund" + word for tens, word in enumerate(
        "zwanzig dreißig vierzig fünfzig sechzig siebzig achtzig neunzig".split(), 2)},
    "points": ["komma"], "half": "einhalb", "double": "", "minus": "minus",
}


def toy() -> dict[str, Any]:
    data = languages.english()
    plain = read(path("sequential"))
    procedure = build(plain, Settings())
    return {
        "name": "toy", "numbers": NUMBERS, "pronounce": {},
        "commands": {ident: [f"befehl {ident.replace('_', ' ')}"] if said else [] for ident, said in data["commands"].items()},
        "say": _marked(data["say"]),
        "procedure": {"sequential": _marked({"title": procedure.title, "editions": procedure.editions,
                                             "words": wording(procedure)})},
    }


def written(data: Mapping[str, Any]) -> str:
    """As the text of a TOML file."""
    return "\n".join(_lines(data, ()))


def say(english: str) -> str:
    """A reading of the demo script, word for word where the words go one by one, else in the other order."""
    own = languages.english()["numbers"]
    one = dict(zip([*own["units"], *own["teens"]], [*NUMBERS["units"], *NUMBERS["teens"]])) | {"point": "komma"}
    tens = dict(zip(own["tens"], NUMBERS["tens"]))

    def both(found: re.Match[str]) -> str:
        unit = "ein" if found[2] == "one" else one[found[2]]
        return f"{unit}und{tens[found[1]]}"
    text = re.sub(rf"\b({'|'.join(tens)}) ({'|'.join(own['units'][1:])})\b(?=.* point)", both, english)
    return " ".join(one.get(word) or tens.get(word) or word for word in text.split())


def _marked(value: Any) -> Any:
    return {key: _marked(each) for key, each in value.items()} if isinstance(value, Mapping) else f"«{value}»"


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    plain = [f"{_text(key)} = {_list(value)}" for key, value in table.items() if not isinstance(value, Mapping)]
    head = [f"[{'.'.join(map(_text, path))}]"] if path else []
    return [*head, *plain, *(line for key, value in table.items() if isinstance(value, Mapping)
                             for line in _lines(value, (*path, key)))]


def _list(value: Any) -> str:
    return f"[{', '.join(map(_text, value))}]" if isinstance(value, list) else _text(value)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)
