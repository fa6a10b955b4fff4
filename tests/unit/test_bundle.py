"""The bundle's parts: which wheels belong to which machine, a bundle that is damaged, releases that change places.

Markers and versions by packaging, wheels by pip itself. Installing a whole bundle without network: tests/fault/test_service.py.
"""
from __future__ import annotations

import ast
import itertools
import json
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from assistant.setup import bundle, debs, releases, service, texts
from assistant.setup.releases import COMPLETE, SUMS, main
from assistant.setup.texts import Service
from tests.command import ROOT, bowlside

PROGRAM = """#!/bin/sh
case "$1" in
    "") echo "VERDICT    pass" ;;
    log) test "$(cat "$4/schema")" -le {schema} || {{ echo "bowlside: written by a newer Bowlside." >&2; exit 1; }} ;;
esac
"""
"""Stands in for a release's command: passes its rehearsal, and reads records up to its schema."""


def release(prefix: Path, name: str, schema: int = 1) -> None:
    """A release as install.py leaves one."""
    place = prefix / "releases" / name
    (place / "bin").mkdir(parents=True)
    (place / "bin/bowlside").write_text(PROGRAM.format(schema=schema))
    (place / "bin/bowlside").chmod(0o755)
    (place / COMPLETE).touch()


def runs(prefix: Path) -> tuple[str, str]:
    return tuple((prefix / name).readlink().name if (prefix / name).is_symlink() else "" for name in ("current", "previous"))


def test_install_py_needs_nothing_but_python() -> None:
    tree = ast.parse(Path(releases.__file__).read_text(encoding="utf-8"))
    names = {one.name for node in ast.walk(tree) if isinstance(node, ast.Import) for one in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in names} <= sys.stdlib_module_names


@pytest.mark.parametrize(("machine", "python", "pins"), [("aarch64", "3.11", True), ("aarch64", "3.13", False),
                                                         ("x86_64", "3.11", False)])
def test_what_belongs_to_which_machine(machine: str, python: str, pins: bool) -> None:
    """lgpio only where a wheel of it is for that machine, whatever machine this is; the bounds of pyproject.toml stay."""
    wanted, alone = bundle.requirements(machine, python)
    assert any(one.startswith("lgpio") for one in wanted) == pins
    assert not any(";" in line for line in wanted) and all("==" in line and "--hash=sha256:" in line for line in wanted)
    assert alone == ["pyrnnoise>=0.4.3,<0.5"]


def test_the_lock_is_of_this_project() -> None:
    """Every dependency is locked, within its bounds, for both machines and Pythons."""
    from packaging.requirements import Requirement
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for machine, python in itertools.product(("x86_64", "aarch64"), bundle.SUITES):
        locked = {Requirement(line.split(" --hash")[0]).name: Requirement(line.split(" --hash")[0]).specifier
                  for line in bundle.requirements(machine, python)[0]}
        for asked in map(Requirement, project["project"]["dependencies"]):
            if asked.marker is None or asked.marker.evaluate({"platform_machine": machine, "python_version": python}):
                assert asked.specifier.contains(str(locked[asked.name])[2:]), asked.name


def test_wheels_for_a_newer_c_library_are_not_taken() -> None:
    for python, newest in bundle.GLIBC.items():
        options = bundle.foreign("aarch64", python)
        assert f"--platform=manylinux_2_{newest}_aarch64" in options
        assert f"--platform=manylinux_2_{newest + 1}_aarch64" not in options
        assert not any("x86" in one for one in options)


def test_every_file_that_the_program_reads_is_in_its_wheel() -> None:
    """By the builder itself. Left out: what only makes the speech models, and what was fetched here."""
    from hatchling.builders.wheel import WheelBuilder
    shipped = {each.relative_path for each in WheelBuilder(str(ROOT)).recurse_included_files()}
    there = {str(path.relative_to(ROOT)) for part in bundle.PARTS for path in (ROOT / part).rglob("*") if path.is_file()
             and not {"__pycache__", "installed", "training", "adapting"} & set(path.relative_to(ROOT).parts)}
    assert shipped == there and len(there) > 200


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A small folder that is sealed as a bundle is."""
    place = tmp_path / "bundle"
    (place / "wheels").mkdir(parents=True)
    (place / "wheels/bowlside-0.1.0-py3-none-any.whl").write_bytes(b"wheel")
    (place / "install.py").write_text(Path(releases.__file__).read_text(encoding="utf-8"), encoding="utf-8")
    bundle.seal(place)
    return place


def test_a_bundle_is_what_it_was(made: Path) -> None:
    """Its sums are those of sha256sum; another content is another release."""
    subprocess.run(["sha256sum", "--check", "--strict", "--quiet", SUMS], cwd=made, check=True)
    first, listed = releases.verified(made)
    assert first.startswith("0.1.0-") and releases.verified(made) == (first, listed)
    assert set(listed) == {"wheels/bowlside-0.1.0-py3-none-any.whl", "install.py"}
    (made / "more").write_text("more")
    (made / SUMS).unlink()
    bundle.seal(made)
    assert releases.verified(made)[0] != first


def test_the_stations_user_reads_what_a_careful_root_installs(made: Path, tmp_path: Path,
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    """Under umask 077, and from a bundle whose models only their owner might read."""
    model = made / "models/small/am/final.mdl"
    model.parent.mkdir(parents=True)
    model.write_text("model")
    (made / SUMS).unlink()
    bundle.seal(made)
    prefix, name = tmp_path / "opt", releases.verified(made)[0]
    for path in (model, *model.parents[:3]):
        path.chmod(0o700 if path.is_dir() else 0o600)

    def run(command: list[str], more: object = None) -> None:
        if command[1:4] == ["-I", "-m", "venv"]:
            release(prefix, name)
            (prefix / "releases" / name / COMPLETE).unlink()
            (prefix / "releases" / name / "lib/python3.11/site-packages").mkdir(parents=True)
    for one, instead in (("_run", run), ("_debian_packages", lambda bundle, sums: None), ("_join_lgpio", lambda python: True),
                         ("_restart", lambda: None), ("__file__", str(made / "install.py"))):
        monkeypatch.setattr(releases, one, instead)
    before = os.umask(0o077)
    try:
        assert main(["--prefix", str(prefix), "--command", str(tmp_path / "bin/bowlside"), "--journal", str(tmp_path / "j")]) == 0
    finally:
        os.umask(before)
    there = [prefix, *prefix.rglob("*")]
    assert prefix / "releases" / name / "lib/python3.11/site-packages/models/installed/small/am/final.mdl" in there
    assert [path for path in there if not path.stat().st_mode & 0o004 or path.is_dir() and not path.stat().st_mode & 0o001] == []


@pytest.mark.parametrize("how", ["damaged", "missing", "no sums", "no wheel"])
def test_a_damaged_bundle_is_refused_before_anything_is_done(made: Path, tmp_path: Path, how: str) -> None:
    wheel = next((made / "wheels").glob("*.whl"))
    {"damaged": lambda: wheel.write_bytes(b"whee1"), "missing": (made / "install.py").unlink, "no sums": (made / SUMS).unlink,
     "no wheel": wheel.unlink}[how]()
    source = Path(releases.__file__)
    done = subprocess.run([sys.executable, "-c", f"import runpy, sys; sys.argv[1:] = ['--prefix', {str(tmp_path / 'opt')!r}]; "
                           f"code = compile(open({str(source)!r}).read(), {str(made / 'install.py')!r}, 'exec'); "
                           f"exec(code, {{'__name__': '__main__', '__file__': {str(made / 'install.py')!r}}})"],
                          capture_output=True, text=True)
    assert done.returncode == 1 and done.stderr.startswith("install.py: ") and len(done.stderr.splitlines()) == 1, done
    assert not (tmp_path / "opt").exists()


@pytest.mark.parametrize("line", ["../../etc/shadow", "/etc/shadow", "install.py", "", "wheels/../../x"])
def test_a_list_that_names_what_is_not_below_it_is_refused(made: Path, line: str) -> None:
    with (made / SUMS).open("a") as sums:
        sums.write(f"{'0' * 64}  {line}\n")
    with pytest.raises(releases.InstallError, match="SHA256SUMS of the bundle is damaged"):
        releases.verified(made)


def test_releases_change_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("0.1.0-a", "0.2.0-b"):
        release(tmp_path, name)
        releases.switch(tmp_path, name)
    assert runs(tmp_path) == ("0.2.0-b", "0.1.0-a")
    releases.switch(tmp_path, "0.2.0-b")
    assert runs(tmp_path) == ("0.2.0-b", "0.1.0-a"), "the same once more must not forget the one before"
    back = ["--prefix", str(tmp_path), "--journal", str(tmp_path / "none"), "--roll-back"]
    assert main(back) == 0 and runs(tmp_path) == ("0.1.0-a", "0.2.0-b")
    assert main(back) == 0 and runs(tmp_path) == ("0.2.0-b", "0.1.0-a")
    capsys.readouterr()
    assert main(["--prefix", str(tmp_path), "--list"]) == 0
    assert [line.split() for line in sorted(capsys.readouterr().out.splitlines())] == [["0.1.0-a"], ["0.2.0-b", "runs"]]


def test_no_roll_back_to_one_that_can_not_read_the_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The record was carried over to a newer form by the release that runs: the one before would refuse it at every start."""
    release(tmp_path, "0.1.0-a", schema=1)
    release(tmp_path, "0.2.0-b", schema=2)
    for name in ("0.1.0-a", "0.2.0-b"):
        releases.switch(tmp_path, name)
    journal = tmp_path / "journal"
    journal.mkdir()
    (journal / "journal.db").touch()
    back = ["--prefix", str(tmp_path), "--journal", str(journal), "--roll-back"]
    (journal / "schema").write_text("2")
    assert main(back) == 1 and "newer Bowlside" in capsys.readouterr().err and runs(tmp_path)[0] == "0.2.0-b"
    (journal / "schema").write_text("1")
    assert main(back) == 0 and runs(tmp_path)[0] == "0.1.0-a"


def test_the_record_is_looked_for_where_the_service_writes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                              capsys: pytest.CaptureFixture[str]) -> None:
    """install-service --data put it on a partition of its own; --journal is not given again at each upgrade."""
    for name, schema in (("0.1.0-a", 1), ("0.2.0-b", 2)):
        release(tmp_path, name, schema)
        releases.switch(tmp_path, name)
    journal = tmp_path / "data" / "journal"
    journal.mkdir(parents=True)
    (journal / "journal.db").touch()
    (journal / "schema").write_text("2")
    unit = tmp_path / "bowlside.service"
    unit.write_text(texts.written(Service("/opt/bowlside/current/bin/bowlside", data=str(journal.parent)))[texts.UNIT])
    monkeypatch.setattr(releases, "UNIT", unit)
    assert main(["--prefix", str(tmp_path), "--roll-back"]) == 1
    assert "newer Bowlside" in capsys.readouterr().err and runs(tmp_path)[0] == "0.2.0-b"
    unit.unlink()
    assert releases._journal() == releases.JOURNAL


def test_a_station_that_does_not_start_again_is_not_said_to_run_as_before(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("0.1.0-a", "0.2.0-b"):
        release(tmp_path, name)
        releases.switch(tmp_path, name)
    systemctl = tmp_path / "systemctl"
    systemctl.write_text('#!/bin/sh\ntest "$1" = is-active || { echo "Job for bowlside.service failed." >&2; exit 1; }\n')
    systemctl.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    assert main(["--prefix", str(tmp_path), "--journal", str(tmp_path / "none"), "--roll-back"]) == 1
    said = capsys.readouterr().err
    assert runs(tmp_path)[0] == "0.1.0-a" and "journalctl -u bowlside" in said and "before still runs" not in said


def test_nothing_to_go_back_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    back = ["--prefix", str(tmp_path), "--roll-back"]
    assert main(back) == 1 and "no release before" in capsys.readouterr().err
    release(tmp_path, "0.1.0-a")
    release(tmp_path, "0.2.0-b")
    for name in ("0.1.0-a", "0.2.0-b"):
        releases.switch(tmp_path, name)
    (tmp_path / "releases/0.1.0-a" / COMPLETE).unlink()
    assert main(back) == 1 and runs(tmp_path)[0] == "0.2.0-b"


def test_old_releases_go_but_never_the_two_that_matter(tmp_path: Path) -> None:
    for number in range(6):
        release(tmp_path, f"0.{number}.0-x")
    releases.switch(tmp_path, "0.0.0-x")
    releases.switch(tmp_path, "0.1.0-x")
    (tmp_path / "releases/0.5.0-x" / COMPLETE).unlink()  # cut short: the newest, and of no use
    releases._thin_out(tmp_path)
    left = {one.name for one in (tmp_path / "releases").iterdir()}
    assert "0.5.0-x" not in left
    assert len(left) == releases.KEPT and {"0.0.0-x", "0.1.0-x"} <= left


def test_a_folder_that_is_there_and_an_unknown_machine(tmp_path: Path) -> None:
    (tmp_path / "x").touch()
    bowlside("bundle", tmp_path).is_one_sentence(2, "is there already")
    bowlside("bundle", tmp_path / "new", "--machine", "armv7l").is_one_sentence(2, "armv7l")


@pytest.mark.skipif(subprocess.run(["which", "dpkg-deb"], capture_output=True).returncode != 0, reason="dpkg-deb is missing")
def test_a_package_index_that_apt_reads(tmp_path: Path) -> None:
    """One stanza a package, as apt's own lists have them."""
    root = tmp_path / "p"
    (root / "DEBIAN").mkdir(parents=True)
    (root / "DEBIAN/control").write_text("Package: thing\nVersion: 1:2.0\nArchitecture: all\nMaintainer: none <n@example.org>\n"
                                         "Description: a thing\n of two lines\n")
    package = tmp_path / "thing.deb"
    subprocess.run(["dpkg-deb", "--build", "--root-owner-group", str(root), str(package)], check=True, capture_output=True)
    lines = debs._entry(package).splitlines()
    assert {"Package: thing", "Filename: ./thing.deb", f"Size: {package.stat().st_size}"} <= set(lines)
    assert " of two lines" in lines and lines[-1].startswith("SHA256: ")


@pytest.mark.skipif(not all(map(shutil.which, ("dpkg-deb", "apt-get"))), reason="apt is missing")
def test_apt_takes_the_packages_from_a_stick_with_a_blank_in_its_name(tmp_path: Path) -> None:
    """Where a desktop mounts a stick that nobody named: /media/pi/NO NAME."""
    place, lists, source = tmp_path / "NO NAME [1]" / "debs", tmp_path / "lists", tmp_path / "p"
    for folder in (place, lists / "partial", source / "DEBIAN"):
        folder.mkdir(parents=True)
    (source / "DEBIAN/control").write_text("Package: thing\nVersion: 2.0\nArchitecture: all\nMaintainer: none <n@example.org>\n"
                                           "Description: a thing\n")
    subprocess.run(["dpkg-deb", "--build", str(source), str(place / "thing.deb")], check=True, capture_output=True)
    (place / "Packages").write_text(debs._entry(place / "thing.deb"))
    (tmp_path / "sources.list").write_text(releases._source(place))
    apt = ["apt-get", "-q", "-o", f"Dir::Etc::sourcelist={tmp_path / 'sources.list'}", "-o", "Dir::Etc::sourceparts=/dev/null",
           "-o", f"Dir::State::lists={lists}", "-o", f"Dir::Cache={tmp_path}", "-o", "APT::Sandbox::User=root"]
    for what in (["update"], ["download", "thing"]):
        done = subprocess.run([*apt, *what], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done
    assert [one.read_bytes() for one in tmp_path.glob("thing*.deb")] == [(place / "thing.deb").read_bytes()]


# --- the wheels of a Pi -------------------------------------------------------------------------------------------------------

@pytest.mark.long
@pytest.mark.parametrize("python", ["3.11", "3.13"], ids=["bookworm", "trixie"])
def test_every_dependency_has_a_wheel_for_a_pi(python: str, tmp_path: Path) -> None:
    """pip resolves all of them for aarch64 and that Python, nothing but wheels. Needs the package registry.

    What a package requires of Python pip compares with the one that runs it, so that is left to the lock, which uv resolved for all.
    """
    wanted, alone = bundle.requirements("aarch64", python)
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    if subprocess.run([*pip, "wheel", "--no-deps", "--wheel-dir", str(tmp_path), "srt"]).returncode:
        pytest.skip("no package registry can be reached")
    found = {}
    for names, more in (([line.split(" --hash")[0] for line in wanted], []), (alone, ["--no-deps"])):
        done = subprocess.run([*pip, "install", "--dry-run", "--ignore-installed", "--report", "-", "--find-links", str(tmp_path),
                               "--target", str(tmp_path / "t"), "--ignore-requires-python", *bundle.foreign("aarch64", python), *more, *names],
                              capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        found |= {one["metadata"]["name"].lower(): one["download_info"]["url"] for one in json.loads(done.stdout)["install"]}
    assert {"numpy", "vosk", "pocketsphinx", "pyrnnoise", "sounddevice", "pymodbus"} <= set(found)
    assert all(url.endswith(".whl") for url in found.values())
    assert all("aarch64" in found[name] for name in ("numpy", "vosk", "pocketsphinx", "cffi", "pyrnnoise"))
    assert ("lgpio" in found) == (python == "3.11") and ("lgpio" not in found or "0.0.0.2" not in found["lgpio"])


def test_what_runs_beside_the_station_is_started_again_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The release that it runs from may be the one that goes. Each by itself: where one is not installed the other still is."""
    asked: list[list[str]] = []

    def systemctl(command: list[str], more: object = None) -> subprocess.CompletedProcess[str]:
        asked.append(command)
        return subprocess.CompletedProcess(command, 5 if command[-1] == "bowlside-board" else 0, "", "")
    monkeypatch.setattr(releases, "_output", systemctl)
    monkeypatch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}")
    releases._restart()
    beside = {Path(path).stem for path in service.BESIDE}
    assert {command[-1] for command in asked if command[1] == "try-restart"} == beside == {"bowlside-board", "bowlside-send"}
