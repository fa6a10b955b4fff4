"""Language files, and which one this process speaks: $BOWLSIDE_LANGUAGE, a name beside this file or a path; else English.

The core reads its words from here once, when it is imported: package data, as fixed while it runs as its code is.
"""
from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

from assistant.files import by_hand

FOLDER = Path(__file__).parent


def english() -> dict[str, Any]:
    return tomllib.loads((FOLDER / "en.toml").read_text(encoding="utf-8"))


def chosen() -> dict[str, Any]:
    """The language file of this process, as data. Raises ValueError, one sentence, if it can't be read."""
    name = os.environ.get("BOWLSIDE_LANGUAGE") or "en"
    path = Path(name) if name.endswith(".toml") else FOLDER / f"{name}.toml"
    try:
        return by_hand.toml(by_hand.text(path))
    except by_hand.Missing:
        there = ", ".join(sorted(file.stem for file in FOLDER.glob("*.toml")))
        raise ValueError(f"There is no language file {path}: set BOWLSIDE_LANGUAGE to {there}, or to a file's path.") from None
    except by_hand.Unreadable as why:
        raise ValueError(f"The language file {path} can't be read: {why}. Mend it, or choose another.") from None
