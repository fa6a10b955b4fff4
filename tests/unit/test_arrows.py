"""Which room may look into which: dependencies point one way, so that who changes a room knows who notices.

A room is a folder of ``assistant/``, or ``hardware`` or ``models``. What a command is made of (the command line, each room's
``commands.py``, the demo's maker) stands above all rooms and may look into any. No arrow may be added without a line here.
"""
from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ABOVE_ALL = {"assistant.__main__", "assistant.cli", "assistant.report.demo"}
EVERYONE = {"files"}
"""Reading and writing files safely, and the refusal of what is wrong: any room may."""
CORE = {"core", "methods"}
ALLOWED = {
    "core": {"languages", "methods"},
    "methods": {"core"},
    "procedures": CORE,
    "record": CORE | {"procedures"},
    "meters": CORE | {"record"},
    "round": CORE | {"record", "job", "station", "hardware"},
    "job": CORE | {"record", "meters", "round"},
    "report": CORE | {"record", "job", "meters", "round", "hardware"},
    "work": CORE,
    "station": CORE | {"record", "job", "meters", "models", "hardware"},
    "board": CORE | {"record", "meters", "job", "report", "round", "send", "station", "hardware"},
    "send": CORE | {"record"},
    "office": CORE | {"record", "send", "job", "report", "meters", "round", "board"},
    "rehearsal": CORE | {"record", "round", "station", "hardware"},
    "speech": CORE | {"station", "models", "hardware"},
    "check": CORE | {"record", "send", "station", "speech", "models", "hardware"},
    "setup": CORE | {"record", "job", "station", "procedures", "models"},
    "hardware": set(),
    "models": set(),
    "languages": set(),
    "files": set(),
}
PORTS = {
    "models": {"assistant.core.expect", "assistant.core.spoken", "assistant.core.commands", "assistant.core.language"},
    "hardware": {"assistant.core.methods.units", "assistant.core.methods.provenance"},
}
"""What of the core hardware and models may look at: what can be said now, what was said, units and where a value comes from."""


class Modules(dict[str, set[str]]):
    """Each module below a folder, with the modules of ours that it imports, at its head or within a function."""

    def __init__(self, root: Path) -> None:
        files = [path for top in ("assistant", "hardware", "models") for path in sorted((root / top).rglob("*.py"))]
        self.names = {".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path for path in files}
        super().__init__({name: set(self._looks(name, path)) for name, path in self.names.items()})

    def _looks(self, name: str, path: Path) -> Iterator[str]:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        unreal = {id(inner) for node in ast.walk(tree) if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
                  for inner in ast.walk(node)}
        for node in ast.walk(tree):
            if id(node) in unreal:
                continue
            if isinstance(node, ast.Import):
                asked = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                full = [f"{node.module}.{alias.name}" for alias in node.names]
                asked = [each if each in self.names else node.module for each in full]
            else:
                continue
            yield from (each for each in asked if each in self.names and each != name)


def room(module: str) -> str:
    parts = module.split(".")
    if parts[0] != "assistant":
        return parts[0]
    if parts[1:3] == ["core", "methods"]:
        return "methods"
    return parts[1] if len(parts) > 1 else "assistant"


def wrong(modules: dict[str, set[str]]) -> Iterator[tuple[str, str]]:
    """Arrows that nobody allowed."""
    for module, looks in modules.items():
        if module in ABOVE_ALL or module.endswith(".commands") and module != "assistant.core.commands":
            continue
        here = room(module)
        for other in looks:
            there = room(other)
            if (there == here or there in ALLOWED[here] or there in EVERYONE or there == "assistant" or other in PORTS.get(here, ())):
                continue
            yield module, other


OURS = Modules(ROOT)


def test_arrows_point_one_way() -> None:
    found = set(wrong(OURS))
    assert not found, "\n".join(" → ".join(arrow) for arrow in sorted(found))


def test_no_two_files_import_each_other() -> None:
    list(TopologicalSorter(OURS).static_order())


def test_no_flat_module_but_the_entry_and_the_command_line() -> None:
    assert {path.name for path in (ROOT / "assistant").glob("*.py")} == {"__init__.py", "__main__.py", "cli.py"}


@pytest.mark.parametrize(("module", "line", "arrow"), [
    ("assistant/core/flow.py", "from assistant.record import journal", ("assistant.core.flow", "assistant.record.journal")),
    ("hardware/lamp.py", "def f():\n    from assistant.core.machine import step", ("hardware.lamp", "assistant.core.machine")),
    ("models/vote.py", "import hardware.keypad", ("models.vote", "hardware.keypad")),
])
def test_a_new_arrow_is_found(tmp_path: Path, module: str, line: str, arrow: tuple[str, str]) -> None:
    for name in OURS.names.values():
        copy = tmp_path / name.relative_to(ROOT)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_text(name.read_text(encoding="utf-8"), encoding="utf-8")
    assert arrow not in set(wrong(Modules(tmp_path)))
    (tmp_path / module).write_text((tmp_path / module).read_text(encoding="utf-8") + "\n" + line + "\n", encoding="utf-8")
    assert arrow in set(wrong(Modules(tmp_path)))


def test_a_circle_is_found() -> None:
    circle: defaultdict[str, set[str]] = defaultdict(set, {"a": {"b"}, "b": {"a"}})
    with pytest.raises(CycleError):
        list(TopologicalSorter(circle).static_order())
