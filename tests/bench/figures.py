"""The page of what was measured: ``python -m tests.bench.figures`` makes tests/measured.md anew.

    python -m tests.bench.figures --again whole_test leak_curve     # runs these first and keeps what they print

`figures.toml` beside this file holds what somebody measured and wrote down; `printed.json` what a bench printed itself, with
the day and how busy the machine was. Nothing stands in the page by hand.
"""
from __future__ import annotations

import argparse
import importlib.util
import json
import os
import platform
import re
import subprocess
import sys
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
PAGE, WRITTEN, PRINTED = HERE.parent / "measured.md", HERE / "figures.toml", HERE / "printed.json"


def benches() -> list[str]:
    """Every bench of this folder, by its module's name."""
    return sorted(path.stem for path in HERE.glob("*.py") if path.stem not in ("__init__", Path(__file__).stem))


def printed() -> dict[str, dict[str, str]]:
    kept: dict[str, dict[str, str]] = json.loads(PRINTED.read_text(encoding="utf-8"))
    return kept


def run(name: str, arguments: list[str]) -> dict[str, str]:
    """What the bench prints, of this machine, now. CalledProcessError: it failed."""
    load = os.getloadavg()[0]
    done = subprocess.run([sys.executable, "-m", f"tests.bench.{name}", *arguments], stdout=subprocess.PIPE, text=True, check=True)
    return {"typed": " ".join(["python -m", f"tests.bench.{name}", *arguments]), "when": date.today().isoformat(),
            "where": f"{os.cpu_count()}-core {platform.machine()}, load {load:.1f} at the start", "text": done.stdout.rstrip()}


def _written(group: dict[str, Any]) -> str:
    lines = [f"## {group['name']}"]
    for figure in group["figure"]:
        how = f"{figure['how'].strip()}, {figure['when']}" if "when" in figure else figure["how"].strip()
        lines.append(f"**{figure['what'].strip()[:1].upper()}{figure['what'].strip()[1:]}**: {figure['found'].strip()}\n\n- {how}")
    return "\n\n".join(lines + ([group["after"].strip()] if "after" in group else []))


def _plain(text: str) -> str:
    """Lines that a person reads; each object of JSON as one line for each group of numbers in it."""
    def lines(of: dict[str, Any], under: str = "") -> list[str]:
        own = ", ".join(f"{key} {value}" for key, value in of.items() if not isinstance(value, dict))
        return [f"{under}: {own}" if under else own] * bool(own) + [line for key, value in of.items() if isinstance(value, dict)
                                                                    for line in lines(value, f"{under}, {key}".lstrip(", "))]
    try:
        return "\n".join(lines(json.loads(text)))
    except ValueError:
        parts = text.splitlines()
        return text if len(parts) < 2 else "\n".join(map(_plain, parts))


def _shown(name: str, kept: dict[str, str]) -> str:
    spec = importlib.util.find_spec(f"tests.bench.{name}")
    assert spec is not None and spec.origin is not None
    about = Path(spec.origin).read_text(encoding="utf-8").split('"""')[1].splitlines()[0]
    about = re.split(r":? `+python", about)[0]
    return f"**{about}**\n\n- `{kept['typed']}`, {kept['when']}, {kept['where']}\n\n```text\n{_plain(kept['text'])}\n```"


def page() -> str:
    told = tomllib.loads(WRITTEN.read_text(encoding="utf-8"))
    return "\n\n".join(["# Measured", told["before"].strip(), *map(_written, told["group"]), "## Printed by the benches",
                        *(_shown(name, kept) for name, kept in sorted(printed().items()))]) + "\n"


def main() -> None:
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--again", nargs="+", default=[], metavar="BENCH", help="run these first; \"NAME --option\" in quotes")
    for words in asked.parse_args().again:
        name, *arguments = words.split()
        PRINTED.write_text(json.dumps({**printed(), name: run(name, arguments)}, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
