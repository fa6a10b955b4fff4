"""The interpreter knows kinds of step and roles, never names: only a method's own room says how it and its readings are called.

The code of assistant/core outside methods/ is read (not run): every text and every name in it, but for docstrings, is looked through.
"""
from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from assistant.core.methods import registry

CORE = Path(__file__).resolve().parents[2] / "assistant" / "core"

METHODS = {name.replace("-", "_") for name in registry.METHODS}
READINGS = {name.replace(".", "_") for method in registry.METHODS.values() for name in method.readings}
RESULTS = set(registry.RESULTS)
RULES = set(registry.RULES)
PREFIXES = {name.partition(".")[0] + "." for method in registry.METHODS.values() for name in method.readings if "." in name} - {"gauge."}
"""As startswith and partition look for them; ``gauge.`` begins the ids of sentences about the gauge on the wire."""
SOURCES = {"published", "second_hand", "common", "memory", "derived"}
"""What is said in them quotes where a rule comes from."""


def texts(source: str) -> Iterator[tuple[int, str]]:
    """(line, text) of every name, attribute, import and string; no docstring, and of an f-string its plain parts."""
    tree = ast.parse(source)
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    docs |= {id(one) for node in ast.walk(tree) if isinstance(node, ast.Call) and getattr(node.func, "id", "") in SOURCES
             for one in ast.walk(node)}
    for node in ast.walk(tree):
        match node:
            case ast.Constant(value=str(text)) if id(node) not in docs:
                yield node.lineno, text
            case ast.Name(id=text) | ast.Attribute(attr=text) | ast.arg(arg=text) | ast.FunctionDef(name=text) | \
                    ast.ClassDef(name=text):
                yield node.lineno, text
            case ast.alias(name=text) | ast.ImportFrom(module=str(text)):
                yield getattr(node, "lineno", 0), text.rpartition(".")[2]


def names(text: str) -> set[str]:
    """Which names of a method, a reading, a result or a rule a text has: as whole words, however they are joined."""
    words = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")
    found = {name for name in METHODS | READINGS | RESULTS if re.search(rf"(^|_){name}(_|$)", words)}
    return found | RULES & {text} | {prefix for prefix in PREFIXES if text.startswith(prefix) or text == prefix}


def wrong(source: str) -> list[str]:
    return [f"{line}: {text!r} names {', '.join(sorted(found))}" for line, text in texts(source) if (found := names(text))]


def test_the_core_knows_no_method_and_no_reading_by_name() -> None:
    left = [f"{path.name}:{one}" for path in sorted(CORE.glob("*.py")) for one in wrong(path.read_text(encoding="utf-8"))]
    assert not left, "\n".join(left)


@pytest.mark.parametrize("bad", [
    'if step.id.startswith("equilibrium."): pass',
    'kind = name == "leak"',
    'if state.step.rule == "leak_alone": pass',
    'OWN = ("canister.charge.1", "gauge.2")',
    'HOLD = "leak.hold"',
    'from assistant.core.methods import slump',
    'from assistant.core.methods.density import assess',
    'left = settings.slump_s',
    'TESTS = ["pressure-air"]',
    'limits["air_content"]',
    'sentence(f"leak.{word}")',
    'def slump_range(): pass',
])
def test_it_can_fail(bad: str) -> None:
    assert wrong(bad), bad


@pytest.mark.parametrize("good", ['"""The slump of a doc."""', 'if step.role == EQUILIBRIUM: pass', 'registry.reading(ask.id).own_gauge',
                                  'EQUILIBRIUM = "equilibrium"', 'sentence("gauge.moved")'])
def test_it_lets_plain_code_pass(good: str) -> None:
    assert not wrong(good), wrong(good)


OWN_BUSINESS = {
    "meters": {"aggregate_correction", "calibration", "chamber_ratio", "leak", "leak_drop"},   # what a meter's register is about
    "station": {"air_content", "chamber_ratio", "sampling", "slump", "system_air_metric", "temperature"},   # the invented job
    "job": {"chamber_ratio", "leak_drop"}, "record": {"air_content"}, "rehearsal": {"sampling"}, "setup": {"sequential"},
    "report": {"air_content", "chamber_ratio", "cylinders", "slump", "system_air_metric"},
}
"""Names of tests and results that rooms of the shell still have. This may only shrink."""


@pytest.mark.parametrize("room", OWN_BUSINESS)
def test_the_shell_asks_the_methods(room: str) -> None:
    known = set(registry.METHODS) | set(registry.RESULTS)
    named = {node.value for path in (CORE.parent / room).rglob("*.py") if path.name != "demo.py"
             for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in known}
    assert named <= OWN_BUSINESS[room]
