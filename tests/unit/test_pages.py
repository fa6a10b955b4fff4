"""The pages promise nothing that does not run: every shell block is carried out as typed, every link leads somewhere.

A block ``sh by hand`` needs another machine, a network or root: there each command is held against the command line. A block with a
file's name is that file for the blocks below it on its page. A plain block after a shell block is what that prints.
"""
from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from assistant import job
from assistant.cli import parser
from assistant.core import answers
from assistant.core.commands import COMMANDS
from assistant.core.round import PLAN
from assistant.rehearsal import script
from assistant.station import station_settings
from hardware import rhythms
from hardware.clock import boot_now
from hardware.gauges.settings import source_for
from tests import diagrams, pictures
from tests.bench import figures

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted(ROOT / name for name in subprocess.run(
    ["git", "ls-files", "--cached", "--others", "--exclude-standard", "*.md"], cwd=ROOT, capture_output=True, text=True,
    check=False).stdout.split()) or sorted(path for path in ROOT.rglob("*.md") if ".venv" not in path.parts)
MOST_LINES = {"README.md": 150, "DEVELOPERS.md": 200}
DOCS = ROOT / "assistant" / "docs"


def page(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


@dataclass(frozen=True)
class Block:
    info: str
    text: str
    shown: str
    """The plain block right after it."""


def blocks(path: Path) -> Iterator[Block]:
    for match in re.finditer(r"^```(\w[^\n]*)\n(.*?)^```\n(?:\n```\n(.*?)^```$)?", path.read_text(encoding="utf-8"), re.DOTALL | re.M):
        yield Block(match[1], match[2], match[3] or "")


def named(name: str, within: Path) -> str:
    return next(block.text for block in blocks(within) if block.info.endswith(f" {name}"))


WITH_SHELL = [path for path in PAGES if any(block.info == "sh" for block in blocks(path))]


@pytest.fixture
def shell(tmp_path: Path) -> dict[str, str]:
    """A new shell after set-up: ``bowlside`` on its path, a home of its own."""
    (tmp_path / "bin").mkdir()
    command = tmp_path / "bin" / "bowlside"
    command.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m assistant "$@"\n')
    command.chmod(0o755)
    (tmp_path / "here").mkdir()
    for part in ("assistant", "models", "hardware"):
        (tmp_path / "here" / part).symlink_to(ROOT / part)
    return {**{name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "BOWLSIDE_"))},
            "PATH": f"{tmp_path / 'bin'}:{os.environ['PATH']}", "HOME": str(tmp_path), "PYTHONPATH": str(ROOT)}


@pytest.mark.parametrize("path", WITH_SHELL, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_shell_block_runs_as_typed(path: Path, shell: dict[str, str], tmp_path: Path) -> None:
    """In the order of the page. 1 is an answer ("not fit", "outside a limit"); anything else but 0 is a slip of the page."""
    here = tmp_path / "here"
    for block in blocks(path):
        file = block.info.partition(" ")[2]
        if re.fullmatch(r"[\w-]+\.\w+", file):
            (here / file).write_text(block.text, encoding="utf-8")
        if block.info != "sh":
            continue
        if "espeak-ng" in block.text and shutil.which("espeak-ng") is None:
            pytest.skip("the command espeak-ng is missing")
        done = subprocess.run(["bash", "-c", 'trap \'code=$?; [ $code -le 1 ] || exit $code\' ERR\n' + block.text], cwd=here, env=shell,
                              stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=600)
        assert done.returncode <= 1 and "Traceback" not in done.stderr, (block.text, done.stderr[-1500:], done.stdout[-500:])
        for line in block.shown.splitlines():
            assert line in done.stdout, (block.text, line, done.stdout)


def test_what_is_typed_by_hand_is_of_the_command_line() -> None:
    lines = [line.partition("#")[0].removeprefix("sudo ").split("<")[0].split("|")[0] for path in PAGES for block in blocks(path)
             if block.info == "sh by hand" for line in block.text.splitlines()]
    ours = [shlex.split(line)[1:] for line in lines if line.startswith("bowlside")]
    assert len(ours) > 3
    for arguments in ours:
        assert parser().parse_args(arguments)


@pytest.mark.parametrize("path", [path for path in PAGES if path.parent.name != "pages"], ids=lambda path: str(path.relative_to(ROOT)))
def test_every_link_leads_somewhere(path: Path) -> None:
    text = re.sub(r"```.*?```|`[^`]*`", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if not target.startswith(("http", "#")):
            assert (path.parent / target.partition("#")[0]).exists(), target


@pytest.mark.parametrize(("name", "most"), MOST_LINES.items())
def test_the_first_pages_are_short(name: str, most: int) -> None:
    assert len(page(name).splitlines()) <= most


def test_every_page_can_be_reached_from_the_first() -> None:
    seen, waiting = set(), [ROOT / "README.md"]
    while waiting:
        path = waiting.pop()
        if path not in seen and path.exists():
            seen.add(path)
            waiting += [(path.parent / target.partition("#")[0]).resolve() for target in
                        re.findall(r"\]\(([^)\s]+\.md)[^)]*\)", path.read_text(encoding="utf-8"))]
    shipped_as_output = {path for path in PAGES if path.parent.name == "pages"}     # what `bowlside wiring` prints
    assert set(PAGES) - seen - shipped_as_output == set()


def test_the_diagrams_are_of_this_code() -> None:
    """`python -m tests.diagrams` makes them anew."""
    assert diagrams.with_diagrams(page("DEVELOPERS.md")) == page("DEVELOPERS.md")


def test_the_pictures_are_of_this_program(tmp_path: Path) -> None:
    """`python -m tests.pictures` makes them anew."""
    assert pictures.SCREEN.read_text(encoding="utf-8") == pictures.screen()
    assert pictures.words(pictures.report(tmp_path)).encode() in pictures.PAGE.read_bytes()
    assert pictures.board_words(pictures.board()).encode() in pictures.BOARD.read_bytes()


def test_the_page_of_figures_is_made_of_what_was_kept() -> None:
    """`python -m tests.bench.figures` makes it anew. Each bench has its figures there, and each command that it names is one."""
    assert page("tests/measured.md") == figures.page()
    missing = [bench for bench in figures.benches() if f"tests.bench.{bench}" not in page("tests/measured.md")]
    assert missing == [], "run `python -m tests.bench.figures --again NAME`, or write a figure into tests/bench/figures.toml"
    for name in re.findall(r"`(tests/[\w/]+\.py)|python -m ([\w.]+)", page("tests/measured.md")):
        module = name[1].replace(".", "/")
        assert any((ROOT / path).exists() for path in (name[0] or f"{module}.py", f"{module}/__main__.py")), name


def test_the_keys_of_the_first_page_are_the_stations() -> None:
    """Each row of two or three keys, in its order: what is said, or what it does."""
    rows = [re.split(r"\s*\|\s*", line)[1:4] for line in page("README.md").split("## The keys")[1].split("##")[0].splitlines() if line.startswith("| `")]
    told = {key.replace("` held", "-held").strip("` "): words for keys, say, does in rows
            for key, words in zip(keys.split(" / "), (say if "/" in say else does if "/" in does else "").split(" / "), strict=False)}
    for key, command in answers.KEYS.items():
        if key in told and key not in ("#", "C"):
            assert any(word in told[key] for word in COMMANDS[command][0].split()), (key, told[key])
    assert {"A", "B", "D", "A-held", "B-held", "D-held"} <= set(told)


def test_it_opens_with_the_job() -> None:
    assert page("README.md").split("\n\n")[1].startswith("Bowlside is a hands-busy")


def test_there_are_worked_examples_for_every_work() -> None:
    from assistant.work import TESTS
    worked = [block.text.split()[-1] for block in blocks(DOCS / "work.md") if block.info == "sh" and block.shown]
    assert set(worked) == set(TESTS)


def test_the_example_script_is_sound(tmp_path: Path) -> None:
    lines = next(block.text for block in blocks(DOCS / "script.md") if block.info == "json").splitlines()
    (tmp_path / "final.wav").touch()
    assert len(script.read(lines, "the page", tmp_path).answers) == 4


def test_the_example_job_is_sound(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(named("my.toml", DOCS / "job.md"), encoding="utf-8")
    header = script.header_of({"test": "sequential", **job.read(path)}, str(path))
    assert str(header.settings.limits["system_air_metric"][1]) == "0.20"


def test_the_devices_are_settings_that_the_station_reads(tmp_path: Path) -> None:
    path = tmp_path / "station.toml"
    path.write_text(re.search(r"```toml\n(\[keypad\].*?)```", page("hardware/docs/devices.md"), re.DOTALL)[1], encoding="utf-8")
    found, defaults = station_settings.read(path), station_settings.read(tmp_path / "none.toml")
    assert [name for name, keys in found.items() if keys.get("kind")] == ["keypad", "usb_pad", "pedal", "buttons", "lamp", "buzzer", "gauge"]
    for name in ("keypad", "pedal", "buttons", "lamp", "buzzer"):  # "these are the defaults but for kind"
        assert json.dumps({**found[name], "kind": ""}) == json.dumps(defaults[name])
    assert source_for(found["gauge"], boot_now)


def test_the_lamps_rhythms_are_those_that_it_shows() -> None:
    for row in rhythms.table().splitlines()[2:-1]:
        _, _, means, lamp, buzzer, _ = row.split("|")
        assert f"|{means}|{lamp}|{buzzer}|" in page("hardware/docs/devices.md")


def test_the_round_of_a_job_file_as_written(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(named("my.toml", DOCS / "round.md"), encoding="utf-8")
    assert job.load(path).round["tests"] == PLAN, "it says that this is the default"


def test_every_command_and_option_is_in_it() -> None:
    top = parser()
    commands = next(action for action in top._actions if action.choices).choices
    table, first = page("assistant/docs/commands.md"), page("README.md")
    for name, command in commands.items():
        assert f"`bowlside {name}" in table, name
        assert f"`{name.removeprefix('un')}`" in first or f"bowlside {name}" in first, name
        for action in command._actions:
            for option in action.option_strings:
                assert option in ("-h", "--help") or option in table, f"{name} {option}"
