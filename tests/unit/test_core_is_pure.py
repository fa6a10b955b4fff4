"""The core touches nothing but its arguments: no clock, thread, file, device, chance, or package of others.

Every module of assistant/core/ is read (not run) and its imports are followed to wherever they lead among our
own modules. A replay of the journal gives the same state only as long as this holds.
"""
from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CORE = "assistant.core"

# What the core may use, rather than what it may not: a new import has to be argued for here.
ALLOWED = {
    "__future__", "abc", "bisect", "collections", "contextlib", "copy", "dataclasses", "decimal", "difflib",
    "enum", "fractions", "functools", "hashlib", "heapq", "itertools", "json", "math", "numbers", "operator",
    "re", "statistics", "string", "textwrap", "types", "typing", "unicodedata",
}
# From these, only types that are plain values: no now(), no today().
ALLOWED_NAMES = {"datetime": {"timedelta"}}
# The language file is package data, as fixed while the program runs as its code: read once, at import, by this one module.
EXCEPTIONS = {("assistant.core.language", "assistant", "languages"),
              # The registry finds the methods that lie beside it: code of ours, as fixed while it runs.
              ("assistant.core.methods.registry", "importlib", "import_module"),
              ("assistant.core.methods.registry", "pkgutil", "iter_modules")}
# Built-in ways to a file, a terminal, or an import that reading the text would not show.
FORBIDDEN_CALLS = {"open", "print", "input", "exec", "eval", "compile", "__import__", "breakpoint"}


def source_of(module: str) -> str | None:
    """The text of one of our own modules; None where it is not ours."""
    path = ROOT.joinpath(*module.split("."))
    for candidate in (path.with_suffix(".py"), path / "__init__.py"):
        if candidate.is_file():
            return candidate.read_text(encoding="utf-8")
    return None


def imports(module: str, tree: ast.AST, is_package: bool) -> list[tuple[int, str, str | None]]:
    """(line, module, name or None) for every import anywhere in a module, relative ones made absolute."""
    found: list[tuple[int, str, str | None]] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name, None) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = module.split(".")
                parts = parts[:len(parts) - node.level + is_package]
                base = ".".join(parts + ([node.module] if node.module else []))
            found += [(node.lineno, base, alias.name) for alias in node.names]
    return found


def faults(module: str, source: str, is_package: bool = False) -> tuple[list[str], set[str]]:
    """What is wrong in one module's text, in sentences, and the core modules that it imports."""
    tree = ast.parse(source, filename=module)
    wrong: list[str] = []
    onward: set[str] = set()
    for line, name, item in imports(module, tree, is_package):
        if (module, name, item) in EXCEPTIONS:
            continue
        if name == CORE or name.startswith(CORE + "."):
            onward.add(name)
            if item and source_of(f"{name}.{item}") is not None:
                onward.add(f"{name}.{item}")
        elif name == "assistant" and item == "core":
            onward.add(CORE)
        elif name in ALLOWED_NAMES:
            if item not in ALLOWED_NAMES[name]:
                wrong.append(f"{module}:{line} takes {item or 'all'} from {name}")
        elif name.split(".")[0] not in ALLOWED:
            kind = "the shell" if source_of(name.split(".")[0]) is not None else name
            wrong.append(f"{module}:{line} imports {name} ({kind} is outside the core)")
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in FORBIDDEN_CALLS:
            wrong.append(f"{module}:{node.lineno} uses {node.id}")
        elif isinstance(node, ast.Name) and node.id in {"__builtins__", "__loader__", "__spec__"}:
            wrong.append(f"{module}:{node.lineno} reaches around the imports through {node.id}")
    return wrong, onward


def walk_core() -> tuple[list[str], set[str]]:
    """All faults in the core and in whatever core modules it reaches; and the modules seen."""
    folder = ROOT / "assistant" / "core"
    to_do = {".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
             for path in folder.rglob("*.py")}
    to_do.add("assistant")  # importing assistant.core runs assistant/__init__.py too
    seen: set[str] = set()
    wrong: list[str] = []
    while to_do:
        module = to_do.pop()
        seen.add(module)
        source = source_of(module)
        if source is None:
            wrong.append(f"{module} is imported by the core but is not there")
            continue
        is_package = ROOT.joinpath(*module.split("."), "__init__.py").is_file()
        more, onward = faults(module, source, is_package)
        wrong += more
        to_do |= onward - seen
    return wrong, seen


def test_the_core_imports_nothing_but_plain_standard_library():
    wrong, seen = walk_core()
    assert not wrong, "\n".join(wrong)
    assert {"assistant", CORE} < seen, "the walk saw no module of the core"


def test_the_exception_reads_package_data_and_nothing_else():
    tree = ast.parse(source_of("assistant.languages"))
    assert {name for _, name, _ in imports("assistant.languages", tree, True)} <= {"__future__", "os", "tomllib", "pathlib",
                                                                                   "typing", "assistant.files"}
    used = {f"{node.value.id}.{node.attr}" for node in ast.walk(tree)
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in ("os", "tomllib")}
    assert used <= {"os.environ", "tomllib.loads"}


def test_everything_allowed_is_in_the_standard_library():
    assert ALLOWED | set(ALLOWED_NAMES) <= set(sys.stdlib_module_names)


@pytest.mark.parametrize("bad", [
    "import numpy",
    "import vosk as v",
    "import time",
    "import os.path",
    "import sys",
    "import threading",
    "import random",
    "import sqlite3",
    "import socket, subprocess",
    "import importlib",
    "import builtins",
    "import io",
    "import ctypes",
    "import asyncio",
    "import logging",
    "from pathlib import Path",
    "from datetime import datetime",
    "from datetime import date, timedelta",
    "import datetime",
    "from datetime import *",
    "from time import monotonic as m",
    "from concurrent.futures import ThreadPoolExecutor",
    "from assistant.record import journal",
    "from assistant.record.journal import Journal",
    "from .. import journal",
    "from ..journal import Journal",
    "import assistant.cli",
    "import models.ear",
    "from hardware import speaker",
    "def f():\n    import os\n    return os",
    "try:\n    import numpy\nexcept ImportError:\n    numpy = None",
    "if False:\n    from time import time",
    "with open('x') as f:\n    f.read()",
    "read = open",
    "__import__('os')",
    "eval('1')",
    "exec('import os')",
    "print('hello')",
    "x = __builtins__['open']",
])
def test_the_check_can_fail(bad):
    assert faults("assistant.core.bad", bad)[0], f"this passed as pure: {bad}"


@pytest.mark.parametrize("good", [
    "from decimal import Decimal",
    "from datetime import timedelta",
    "from __future__ import annotations\nimport dataclasses, enum, re, math, typing, functools, itertools",
    "from collections.abc import Mapping",
    "from . import effects",
    "from .events import Heard",
    "from assistant.core import events",
    "import assistant.core.events",
    "reopen = 1\nopening = reopen",
])
def test_the_check_lets_plain_code_pass(good):
    assert not faults("assistant.core.good", good)[0]


def test_a_package_names_its_neighbours_with_one_dot():
    assert faults("assistant.core.part", "from .. import events", is_package=True)[1] >= {"assistant.core"}
    assert faults("assistant.core.part", "from ... import journal", is_package=True)[0]
