"""`python -m tests.notices`: the table of `assistant/docs/notices.md` anew, from what is installed here.

What the station or the office needs and what that needs in turn, each with the licence that its own package states.
"""
from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "assistant" / "docs" / "notices.md"
BEGIN, END = "<!-- made by python -m tests.notices -->\n", "<!-- until here -->"
UNSAID = {"vosk": "Apache-2.0", "pocketsphinx": "BSD-2-Clause, text below", "pyrnnoise": "Apache-2.0", "setuptools": "MIT",
          "reportlab": "BSD-3-Clause", "pyserial": "BSD-3-Clause", "srt": "MIT"}
"""Where the package's own fields are vague: what its licence file or its classifier says."""


def names() -> list[str]:
    """What a station or an office installs, by name, lower case, whatever machine it is for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    seen: set[str] = set()
    waiting = [Requirement(text) for text in (*project["project"]["dependencies"], *project["project"]["optional-dependencies"]["office"])]
    alone = [Requirement(text).name for text in project["tool"]["bowlside"].get("without-dependencies", [])]
    while waiting:
        package = waiting.pop()
        name = package.name.lower().replace("_", "-")
        if name not in seen:
            seen.add(name)
            waiting += _needs(name, package.extras)
    return sorted(seen | set(alone))


def _needs(name: str, extras: set[str]) -> Iterator[Requirement]:
    try:
        needs = metadata.requires(name) or []
    except metadata.PackageNotFoundError:
        return      # lgpio, where no header pins are
    for text in needs:
        need = Requirement(text)
        if need.marker is None or any(need.marker.evaluate({"extra": extra}) for extra in ("", *extras)):
            yield need


def licence(name: str) -> str:
    """What the package states, in one line."""
    if name in UNSAID:
        return UNSAID[name]
    if name == "lgpio":
        return "Unlicense"      # its wheel is for a Pi
    fields = metadata.metadata(name)
    stated = fields.get("License-Expression") or fields.get("License") or ""
    classes = [each.rpartition(" :: ")[2] for each in fields.get_all("Classifier", []) if each.startswith("License ::")]
    return stated if stated and len(stated) < 60 else ", ".join(classes) or "see its licence file"


def table() -> str:
    rows = "".join(f"| {name} | {licence(name)} | https://pypi.org/project/{name}/ |\n" for name in names())
    return f"| Package | Licence | Where it and its source are |\n|---|---|---|\n{rows}"


def with_table(page: str) -> str:
    return re.sub(f"(?<={re.escape(BEGIN)}).*?(?={re.escape(END)})", lambda _: table(), page, flags=re.DOTALL)


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
