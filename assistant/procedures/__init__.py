"""The door to the procedures, which lie beside their methods, one readable file each; and the demo script."""
from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core import methods
from assistant.core.language import CURRENT
from assistant.core.methods.registry import METHODS
from assistant.core.procedure import translated
from assistant.files import by_hand


class NoSuchTest(ValueError):
    """No procedure of that name; the message says which there are."""


def names() -> list[str]:
    return sorted(METHODS)


def path(test: str) -> Path:
    """The file of a test's procedure: beside the module of the same name."""
    name = f"{test.replace('-', '_')}.toml"
    return next(one for folder in methods.__path__ if (one := Path(folder) / name).is_file())


def load(test: str) -> dict[str, Any]:
    """The parsed procedure of a test, in the words of the station's language. Raises NoSuchTest, or ValueError with file
    and line if the file is no TOML."""
    if test not in names():
        raise NoSuchTest(f"there is no test {test!r}; there are: {', '.join(names())}")
    data = read(path(test))
    if CURRENT.name == "en":
        return data
    return translated(data, CURRENT.procedures.get(test, {}), f"language {CURRENT.name}: procedure.{test}")


def read(path: Path) -> dict[str, Any]:
    """Parse one TOML file. Raises ValueError: what, where, and what to do."""
    try:
        return by_hand.toml(by_hand.text(path), Decimal)
    except by_hand.Unreadable as why:
        raise ValueError(f"The procedure {path} can't be read: {why}. Mend it.") from None
