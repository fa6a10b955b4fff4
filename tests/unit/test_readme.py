"""The README promises nothing that does not run: its examples are carried out as written."""
from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from assistant import job
from assistant.cli import parser
from assistant.core.round import PLAN
from assistant.rehearsal import script
from assistant.station import settings
from hardware import rhythms
from hardware.clock import boot_now
from hardware.gauges.settings import source_for
from tests.command import bowlside

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
WORKED = re.findall(r"```sh\n(echo '.*?\| bowlside work .*?)\n```\n+```\n(.*?)\n```", README, re.DOTALL)


def test_it_opens_with_the_job() -> None:
    assert README.split("\n\n")[1].startswith("Bowlside is a hands-busy")


@pytest.mark.parametrize(("command", "shown"), WORKED, ids=[command.rsplit(maxsplit=1)[-1] for command, _ in WORKED])
def test_the_worked_examples(command: str, shown: str) -> None:
    command = command.replace("| bowlside", f"| {sys.executable} -m assistant")
    done = subprocess.run(["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, timeout=60)
    for line in shown.splitlines():
        assert line in done.stdout, done


def test_there_are_worked_examples_for_every_work() -> None:
    from assistant.work import TESTS
    assert {command.rsplit(maxsplit=1)[-1] for command, _ in WORKED} == set(TESTS)


def test_the_example_script_is_sound(tmp_path: Path) -> None:
    lines = re.search(r"```json\n(.*?)```", README, re.DOTALL)[1].splitlines()
    (tmp_path / "final.wav").touch()
    assert len(script.read(lines, "README", tmp_path).answers) == 4


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="the command espeak-ng is missing")
def test_the_rehearsal_from_recordings_as_written(tmp_path: Path) -> None:
    commands = re.search(r"```sh\n(mkdir wavs\n.*?)```", README, re.DOTALL)[1]
    commands = commands.replace("\nbowlside", f"\n{sys.executable} -m assistant")
    (tmp_path / "assistant").symlink_to(ROOT / "assistant")
    done = subprocess.run(["bash", "-ec", commands], cwd=tmp_path, capture_output=True, text=True, timeout=300,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, (done.stderr, done.stdout[-500:])
    assert done.stdout.count("(voice)") == 14 and "31.97 psi  (voice)" in done.stdout, done.stdout     # one of 15 is keyed


def test_the_example_job_is_sound(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(re.search(r"```toml\n(.*?)```", README, re.DOTALL)[1], encoding="utf-8")
    header = script.header_of({"test": "sequential", **job.read(path)}, str(path))
    assert str(header.settings.limits["system_air_metric"][1]) == "0.20"


def test_the_devices_are_settings_that_the_station_reads(tmp_path: Path) -> None:
    path = tmp_path / "station.toml"
    path.write_text(re.search(r"```toml\n(\[keypad\].*?)```", README, re.DOTALL)[1], encoding="utf-8")
    found, defaults = settings.read(path), settings.read(tmp_path / "none.toml")
    assert [name for name, keys in found.items() if keys.get("kind")] == ["keypad", "usb_pad", "pedal", "lamp", "buzzer", "gauge"]
    for name in ("keypad", "pedal", "lamp", "buzzer"):  # "these are the defaults but for kind"
        assert json.dumps({**found[name], "kind": ""}) == json.dumps(defaults[name])
    assert source_for(found["gauge"], boot_now)


def test_the_lamps_rhythms_are_those_that_it_shows() -> None:
    for row in rhythms.table().splitlines()[2:-1]:
        _, _, means, lamp, buzzer, _ = row.split("|")
        assert f"|{means}|{lamp}|{buzzer}|" in README


def test_the_round_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slump fails, its check test passes and is read out, and the PDF names both."""
    monkeypatch.chdir(tmp_path)
    Path("round.jsonl").write_text(re.search(r'```\n(\{"test": "round".*?)```', README, re.DOTALL)[1], encoding="utf-8")
    lines = re.search(r"```sh\n(bowlside rehearse round.*?)```", README, re.DOTALL)[1].splitlines()
    played, read_out, exported = (bowlside(*shlex.split(line.partition("#")[0])[1:]) for line in lines)
    assert played.code == 0 and "The check test passed: the load is accepted." in played.out
    assert read_out.code == 0 and "four, point, two, five inches" in read_out.out
    assert exported.code == 0 and Path("day.pdf").read_bytes().startswith(b"%PDF")


def test_the_round_of_a_job_file_as_written(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(re.search(r"```\n(\[round\]\n.*?)```", README, re.DOTALL)[1], encoding="utf-8")
    assert job.load(path).round["tests"] == PLAN, "it says that this is the default"


def test_every_command_and_option_is_in_it() -> None:
    top = parser()
    commands = next(one for one in top._actions if one.choices).choices
    table = README[README.index("## Commands"):README.index("### Computing")]
    for name, one in commands.items():
        assert f"`bowlside {name}" in table, name
        for action in one._actions:
            for option in action.option_strings:
                assert option in ("-h", "--help") or option in table, f"{name} {option}"
