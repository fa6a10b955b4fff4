"""The rooms of methods/: found, held against each other and the language file, and none of them knows the registry."""
from __future__ import annotations

import ast
from pathlib import Path

import pytest

from assistant.core.language import CURRENT
from assistant.core.methods import registry
from assistant.core.methods.method import in_units, ranged, span
from assistant.core.procedure import build
from assistant.core.settings import Settings
from assistant.core.steps import Ask, Judge
from assistant.procedures import load, names

ROOMS = Path(registry.__file__).parent


def test_every_procedure_lies_beside_its_module() -> None:
    assert {one.stem.replace("_", "-") for one in ROOMS.glob("*.toml")} == set(registry.METHODS) == set(names())
    assert all(load(name)["test"] == name for name in names())


@pytest.mark.parametrize("name", names())
def test_what_a_procedure_asks_and_judges_is_its_own_rooms(name: str) -> None:
    method = registry.METHODS[name]
    steps = build(load(name), Settings()).steps
    assert {step.id for step in steps if isinstance(step, Ask)} == set(method.readings)
    assert {step.rule for step in steps if isinstance(step, Judge)} == set(method.rules)


def test_no_room_imports_the_registry_or_the_settings() -> None:
    """They are written in terms of the rooms: it would be a circle."""
    for path in ROOMS.glob("*.py"):
        modules = {node.module for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.ImportFrom)}
        assert not modules & {"assistant.core.methods.registry", "assistant.core.settings", "assistant.core.plausible"}, path.name


def test_two_things_of_one_name_are_told_and_one_thing_may_be_shared() -> None:
    one, other = (ranged(in_units(span("0", high, "1", "2"))) for high in ("5", "6"))
    assert registry._joined("reading", iter([("depth", one), ("depth", one)])) == {"depth": one}
    with pytest.raises(ValueError, match="two methods have a reading 'depth', and not the same"):
        registry._joined("reading", iter([("depth", one), ("depth", other)]))


def test_a_name_that_the_language_file_lacks_is_told_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    assert registry.trouble() == ""
    without = {ident: text for ident, text in CURRENT.sentences.items() if ident not in ("result.slump", "round.to_density")}
    monkeypatch.setattr(registry, "CURRENT", type("Language", (), {"name": "xx", "sentences": without}))
    assert registry.trouble() == "The language file xx lacks say.result.slump, say.round.to_density: add them."
