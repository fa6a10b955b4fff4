"""A second language is one file and no code: everything said is in it, and a test comes out the same."""
from __future__ import annotations

import ast
import copy
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from assistant import languages
from assistant.core.language import CURRENT, Language, LanguageError
from tests.unit.another_language import say, toy, written

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "assistant" / "procedures" / "demo.jsonl"


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("language") / "toy.toml"
    path.write_text(written(toy()), encoding="utf-8")
    return path


def run(file: Path | str, *arguments: str, given: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], cwd=ROOT, input=given, capture_output=True, text=True, timeout=120,
                          env={**os.environ, "BOWLSIDE_LANGUAGE": str(file), "PYTHONIOENCODING": "utf-8"})


def rehearsed(file: Path | str, script: str, *more: str) -> list[dict]:
    done = run(file, "-m", "assistant", "rehearse", "-", "--json", "--answer-rest", *more, given=script)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def translated() -> str:
    lines = [json.loads(line) for line in DEMO.read_text(encoding="utf-8").splitlines()]
    return "\n".join(json.dumps(one | ({"say": say(one["say"])} if "say" in one else {})) for one in lines)


@pytest.fixture(scope="module")
def both(file: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict], list[dict], Path]:
    journal = tmp_path_factory.mktemp("journal")
    return (rehearsed("en", DEMO.read_text(encoding="utf-8")),
            rehearsed(file, translated(), "--journal", str(journal)), journal)


def test_a_whole_test_in_another_language_gives_the_same_results(both) -> None:
    english, other, _ = both
    for kind in ("taken", "result", "verdict"):
        def of(found: list[dict]) -> list[dict]:
            return [{key: value for key, value in one.items() if key not in ("at", "why")}
                    for one in found if one["kind"] == kind]
        assert of(english) and of(english) == of(other), kind
    assert [one["id"] for one in english if one["kind"] == "said"] == [one["id"] for one in other if one["kind"] == "said"]


def test_everything_said_and_noted_is_in_the_other_language(both) -> None:
    _, other, _ = both
    words = [one[key] for one in other for key in ("text", "why") if key in one and one["kind"] != "heard"]
    said = [text for text in words if text not in toy_digits()]
    assert len(said) > 100
    for text in said:
        left = outside_the_marks(text)
        assert not re.search(r"\w", left), f"not from the language file: {left!r} in {text!r}"


def toy_digits() -> set[str]:
    return set(toy()["numbers"]["units"])  # the last seconds of a hold are counted down


def outside_the_marks(text: str) -> str:
    while (inner := re.sub(r"«[^«»]*»", "", text)) != text:
        text = inner
    return text


def test_a_replay_in_the_wrong_language_is_refused_with_one_sentence(both) -> None:
    done = run("en", "-m", "assistant", "log", "show", "1", "--journal", str(both[2]))
    assert done.returncode != 0 and "Traceback" not in done.stderr
    assert "BOWLSIDE_LANGUAGE=toy" in done.stderr


NUMBERS = """
from decimal import Decimal
from assistant.core import spoken
from assistant.core.commands import command
from assistant.core.expect import Expect
from models import grammar
from assistant.station.pronounce import pronounce
reading = grammar.automaton(Expect("reading", None, None, 2))
for n in range(6000):
    value = Decimal(n).scaleb(-2)
    for said in (spoken.say(value), pronounce(spoken.digits(value))):
        assert spoken.parse(said).value == value, said
        assert reading.accepts(said.split()), said
assert spoken.say(Decimal("41.25")) == "einundvierzig komma zwei fünf"
assert spoken.parse("vierzehn einhalb").value == Decimal("14.5")
assert spoken.parse("vier eins komma zwei fünf").form == "digits"
for text in ("forty one point two", "zero", "vierzig eins komma fünf", "double null", "komma fünf", "einhalb", ""):
    try:
        raise AssertionError(spoken.parse(text))
    except spoken.NotANumber as error:
        assert "«" in str(error)
assert command("befehl next") == "next" and command("next") is None
assert not set(grammar.words_for(Expect("reading", None, None, 2))) & {"zero", "one", "point", "double", ""}
assert grammar.automaton(Expect("yesno", None, None, None), commands=False).accepts(["befehl", "yes"])
"""


def test_numbers_commands_and_grammar_are_the_other_languages(file: Path) -> None:
    done = run(file, "-c", NUMBERS)
    assert done.returncode == 0, done.stderr


def test_what_is_missing_or_wrong_in_a_language_file_is_named_at_once() -> None:
    data = copy.deepcopy(toy())
    del data["say"]["answer"]["not_yet"], data["say"]["entry"]["right"], data["commands"]["pause"]
    data["say"]["answer"]["extra"] = "«extra»"
    data["say"]["answer"]["no_key"] = "«no such key»"
    data["numbers"]["units"][3] = "zwei"
    with pytest.raises(LanguageError) as error:
        Language.from_mapping(data, CURRENT)
    for part in ("say.answer.not_yet is missing", "say.entry.right is missing", "commands.pause is missing",
                 "say.answer.extra is not known", "say.answer.no_key must name {key} and names no field", "zwei, zweiundachtzig"):
        assert part in str(error.value)


def test_a_wrong_language_is_refused_on_the_command_line(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('name = "bad"\n', encoding="utf-8")
    for name, part in (("xx", "There is no language file"), (bad, "bad is not whole")):
        done = run(name, "-m", "assistant", "prompts")
        assert done.returncode == 2 and part in done.stderr and "Traceback" not in done.stderr


def test_words_of_a_test_that_a_language_lacks_are_named_at_once(tmp_path: Path) -> None:
    data = toy()
    del data["procedure"]["sequential"]["words"]["zero"]["say"], data["procedure"]["sequential"]["words"]["clamps"]["caution"]
    path = tmp_path / "toy.toml"
    path.write_text(written(data), encoding="utf-8")
    done = run(path, "-m", "assistant", "prompts")
    assert done.returncode == 2 and "words.zero.say is missing; words.clamps.caution is missing" in done.stderr


# --- no words in the code ---------------------------------------------------------------------------------------------

FOR_AUTHORS = {
    "procedure.py": "errors in a procedure file, for its author",
    "steps.py": "the same",
    "language.py": "errors in a language file, for its author",
    "settings.py": "errors in a job file or a script, for the office",
    "registry.py": "errors in a room of methods/, for its author",
    "values.py": "errors in a job file or a script, for the office",
    "work_input.py": "errors in the input of bowlside work, for the office",
    "provenance.py": "where each rule comes from: titles of standards and the like, quoted",
    "rounding.py": "ValueErrors for developers",
    "pressure.py": "ValueErrors for developers",
    "events.py": "ValueErrors for whoever mends a journal",
}
"""Files of the core whose texts stay English, and why."""


QUOTED = ("published", "second_hand", "common", "memory", "derived", "own")
"""Calls whose texts say where a rule comes from, or what a job file may hold. (And what `bowlside work` assumed is said in English, as all of that command.)"""


def texts(path: Path) -> list[tuple[int, str]]:
    """Every text of a module that looks like words to a person, but for docstrings and what an error of a program says."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(id(node.value))
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) \
                and getattr(node.exc.func, "id", "") in ("ValueError", "KeyError", "TypeError"):
            skipped |= {id(one) for one in ast.walk(node.exc)}
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in QUOTED or \
                isinstance(node, ast.FunctionDef) and node.name == "work":
            skipped |= {id(one) for one in ast.walk(node)}
    return [(node.lineno, node.value) for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in skipped
            and isinstance(node.value, str)
            and re.search(r"[A-Za-z]{2,}[,.:;?!]? [A-Za-z]| [A-Za-z]{2,}|[A-Za-z]{2,} ", node.value)]


def test_no_words_to_the_technician_are_left_in_the_core() -> None:
    left = [f"{path.name}:{line}: {text!r}" for path in sorted((ROOT / "assistant" / "core").rglob("*.py"))
            if path.name not in FOR_AUTHORS for line, text in texts(path)]
    assert left == []


def test_the_search_for_words_finds_some() -> None:
    assert texts(ROOT / "assistant" / "core" / "settings.py") and texts(ROOT / "assistant" / "core" / "procedure.py")


def test_every_sentence_of_the_file_is_used_somewhere() -> None:
    source = "\n".join(path.read_text(encoding="utf-8") for folder in ("assistant", "models", "hardware")
                       for path in (ROOT / folder).rglob("*.py"))
    unused = [ident for ident in CURRENT.sentences if f'"{ident}"' not in source and f"'{ident}'" not in source
              and not any(f'f"{ident[:cut]}{{' in source for cut in range(4, len(ident)))]  # put together from parts
    assert unused == []


def test_english_is_whole() -> None:
    assert Language.from_mapping(languages.english(), CURRENT) == CURRENT
