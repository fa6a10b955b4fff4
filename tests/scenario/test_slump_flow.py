"""A method is added by two new files and its sentences: slump flow, which no file of the package knows of.

C1611, second-hand: two diameters at right angles, their mean; further apart than 50 mm or 2 in. they are doubtful.
"""
from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from assistant import languages
from tests.unit.another_language import written

ROOM = Path(__file__).parent / "slump_flow"
ROOT = Path(__file__).resolve().parents[2]
RUN = """
import sys
from assistant.core import methods
methods.__path__.append(sys.argv[1])
from assistant.cli import main
sys.exit(main(sys.argv[2:]))
"""


def language(folder: Path, without: str = "") -> Path:
    data = languages.english()
    for table, words in tomllib.loads((ROOM / "sentences.toml").read_text(encoding="utf-8")).items():
        data["say"].setdefault(table, {}).update({key: text for key, text in words.items() if f"{table}.{key}" != without})
    path = folder / "en-with-slump-flow.toml"
    path.write_text(written(data), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def words(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return language(tmp_path_factory.mktemp("language"))


def bowlside(words: Path, *arguments: str, given: object = None) -> subprocess.CompletedProcess[str]:
    text = "\n".join(map(json.dumps, given)) if isinstance(given, list) else json.dumps(given)
    return subprocess.run([sys.executable, "-c", RUN, str(ROOM), *arguments], cwd=ROOT, input=text, capture_output=True, text=True,
                          timeout=120, env={**os.environ, "BOWLSIDE_LANGUAGE": str(words), "PYTHONIOENCODING": "utf-8"})


def lines(done: subprocess.CompletedProcess[str], kind: str) -> list[dict]:
    return [one for line in done.stdout.splitlines() if (one := json.loads(line))["kind"] == kind]


def rehearsed(words: Path, *script: dict) -> subprocess.CompletedProcess[str]:
    done = bowlside(words, "rehearse", "-", "--json", "--answer-rest", given=list(script))
    assert done.stderr == "", done.stderr
    return done


def test_a_slump_flow_by_voice(words: Path) -> None:
    done = rehearsed(words, {"test": "slump-flow", "limits": {"slump_flow": [22, 28]}},
                     {"on": "flow.1", "say": "twenty six"}, {"on": "flow.2", "say": "twenty five point five"})
    (found,) = lines(done, "result")
    assert (found["name"], found["value"], found["rounded"], found["unit"]) == ("slump_flow", 25.75, 26.0, "in.")  # to the even half
    assert found["standing"].startswith("published, second-hand: C1611")
    assert lines(done, "verdict")[-1]["verdict"] == "pass" and done.returncode == 0
    assert any("Slump flow, two, six, point, zero inches." in one["text"] for one in lines(done, "said"))


def test_diameters_far_apart_are_asked_and_the_test_is_to_be_repeated(words: Path) -> None:
    done = rehearsed(words, {"test": "slump-flow", "units": "si"}, {"on": "flow.1", "key": "6 5 0 #"},
                     {"on": "flow.2", "key": "5 9 5 #"})
    assert any("far from the first diameter" in one["text"] for one in lines(done, "said"))
    assert any("repeat it on another portion" in one["text"] for one in lines(done, "note"))
    near = rehearsed(words, {"test": "slump-flow", "units": "si"}, {"on": "flow.1", "key": "6 5 0 #"},
                     {"on": "flow.2", "key": "6 0 0 #"})
    assert not any("far" in one["text"] for one in lines(near, "said")) and lines(near, "result")[0]["rounded"] == 620
    # 625 is half way: to the even ten


def test_an_impossible_diameter_is_refused(words: Path) -> None:
    done = rehearsed(words, {"test": "slump-flow"}, {"on": "flow.1", "say": "six"}, {"on": "flow.1", "say": "twenty six"},
                     {"on": "flow.2", "say": "twenty six"})
    assert "reads from 8 to 40" in lines(done, "refused")[0]["why"]


def test_work(words: Path) -> None:
    done = bowlside(words, "work", "slump-flow", "--json", given={"largest_mm": 660, "across_mm": 600})
    found = json.loads(done.stdout)
    assert found["results"][0]["rounded"] == 630 and "repeat it" in found["warnings"][0]
    done = bowlside(words, "work", "slump-flow", given={"largest_in": 26, "across_in": 25, "limits": {"slump_flow": [27, None]}})
    assert "slump flow: 25.5 in. (650 mm)" in done.stdout and "verdict: fail" in done.stdout and done.returncode == 1


def test_a_round_with_it_and_its_check_test(words: Path) -> None:
    done = rehearsed(words, {"test": "round", "tests": ["temperature", "slump-flow"], "limits": {"slump_flow": [None, 28]}},
                     {"on": "temperature", "say": "seventy"},
                     *({"on": f"flow.{n}", "say": "thirty"} for n in (1, 2)), *({"on": f"flow.{n}", "say": "twenty six"} for n in (1, 2)))
    begun = [one for one in lines(done, "begun") if one["test"] == "slump-flow"]
    assert begun[0]["limit_s"] == 300 and not begun[0]["late"]
    assert [one["rounded"] for one in lines(done, "result") if one["name"] == "slump_flow"] == [30.0, 26.0]
    assert any(one["id"] == "check.slump-flow" for one in lines(done, "said")), "the first was out of limits"
    assert "Slump flow" in lines(done, "said")[-1]["text"] and done.returncode == 0


def test_what_the_language_file_lacks_is_one_sentence(tmp_path: Path) -> None:
    done = bowlside(language(tmp_path, without="name.slump_flow"), "prompts", "slump")
    assert done.returncode == 2 and "lacks say.name.slump_flow" in done.stderr and "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1


def test_without_its_folder_the_package_knows_nothing_of_it(words: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "assistant", "prompts", "slump-flow"], cwd=ROOT, capture_output=True, text=True,
                          timeout=120)
    assert done.returncode == 2 and "there is no test 'slump-flow'" in done.stderr
