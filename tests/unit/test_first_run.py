"""Set-up, on copies of the project in folders of their own: real processes, real environments, no network.

The last test needs the package registry and some time, so it is ``long``.
"""
from __future__ import annotations

import ast
import fcntl
import importlib.util
import json
import os
import platform
import re
import shutil
import signal
import subprocess
import sys
import venv
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import pytest

from assistant.setup import debian, environment, first_run, releases

ROOT = Path(__file__).resolve().parents[2]
PYTHON = os.path.realpath(sys.executable)
LIMIT = 120  # seconds, for any one process

PYPROJECT = """
[build-system]
requires = ["setuptools>=64"]
build-backend = "setuptools.build_meta"
[project]
name = "bowlside"
version = "0"
dependencies = []
[project.scripts]
bowlside = "assistant.cli:main"
[tool.setuptools]
packages = ["assistant", "models", "hardware"]
package-dir = { "" = "." }
[tool.bowlside]
without-dependencies = []
imports = { assistant = [], tests = [] }
"""
# Tells what it was given and where it runs, and asks the same of a child process.
CLI = """
import json, os, subprocess, sys
def main(argv):
    import hardware, models
    child = subprocess.run([sys.executable, "-m", "hardware.child"], capture_output=True, text=True)
    print(json.dumps({"argv": argv, "folder": os.getcwd(), "prefix": sys.prefix,
                      "hardware": hardware.__file__, "exists": [os.path.exists(a) for a in argv],
                      "child": child.stdout + child.stderr}))
    return 7
"""


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A project that has never been set up, with a command line that only reports."""
    root = tmp_path / "a folder" / "bowlside"
    for package in ("assistant", "assistant/setup", "models", "hardware"):
        (root / package).mkdir(parents=True)
        (root / package / "__init__.py").touch()
    for name in ("__main__", "setup/environment", "setup/first_run", "setup/debian"):
        shutil.copy(ROOT / "assistant" / f"{name}.py", root / "assistant" / f"{name}.py")
    (root / "assistant" / "cli.py").write_text(CLI)
    (root / "hardware" / "child.py").write_text("print('child of ours')")
    (root / "pyproject.toml").write_text(PYPROJECT)
    return root


def stamped(root: Path, with_pip: bool = False) -> None:
    """What a finished set-up leaves: a real environment and its stamp, made by the project's own code."""
    venv.create(root / ".venv", with_pip=with_pip, symlinks=True)
    write = "from assistant.setup import first_run; first_run.stamp('assistant')"
    subprocess.run([PYTHON, "-c", write], cwd=root, env=variables(), check=True, timeout=LIMIT)


def variables(**more: str) -> dict[str, str]:
    """Today's environment without this suite's own import path, apt forbidden and pip cut off."""
    ours = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONSAFEPATH", "VIRTUAL_ENV")}
    return {**ours, "BOWLSIDE_NO_APT": "1", "PIP_NO_INDEX": "1", **more}


def start(root: Path, *arguments: str, folder: Path | None = None,
          **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([PYTHON, str(root / "assistant"), *arguments], cwd=folder or root, text=True,
                          env=variables(**more), stdin=subprocess.DEVNULL, capture_output=True, timeout=LIMIT)


def begin(root: Path, **more: str) -> subprocess.Popen:
    return subprocess.Popen([PYTHON, str(root / "assistant")], text=True, env=variables(**more),
                            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            # Ctrl-C reaches it also where these tests run in the background, which ignores it.
                            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))


def hides_standard_modules(folder: Path) -> list[str]:
    return sorted(path.stem for path in folder.iterdir() if path.stem in sys.stdlib_module_names)


@pytest.mark.parametrize("folder", ["assistant", "tests"])
def test_no_file_of_a_folder_that_python_runs_is_named_like_a_standard_module(folder):
    # Python itself imports a few before our first line can put the path right.
    assert hides_standard_modules(ROOT / folder) == []


def test_the_check_for_hidden_modules_can_fail(tmp_path):
    (tmp_path / "types.py").touch()
    (tmp_path / "random").mkdir()
    assert hides_standard_modules(tmp_path) == ["random", "types"]


@pytest.mark.parametrize("path", ["assistant/__main__.py", "tests/__main__.py"])
def test_an_old_python_can_read_the_sentence_that_refuses_it(path):
    ast.parse((ROOT / path).read_text(), feature_version=(3, 6))


@pytest.mark.parametrize("module", ["assistant.__main__", "tests.__main__"])
def test_an_old_python_is_refused_in_one_sentence(module, monkeypatch, capsys):
    main = __import__(module, fromlist=["start"])
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    assert main.start([]) == 1
    said = capsys.readouterr().err
    assert "3.11" in said and "3.9" in said and said.count("\n") == 1


def test_a_later_start_goes_straight_to_the_command_line(copy, tmp_path):
    stamped(copy)
    here = tmp_path / "elsewhere"
    (here / "hardware").mkdir(parents=True)  # folders and files that must not be taken for ours
    (here / "hardware" / "__init__.py").write_text("raise SystemExit('the wrong hardware')")
    (here / "json.py").write_text("raise SystemExit('the wrong json')")
    (here / "readings.json").write_text("{}")
    done = start(copy, "work", "readings.json", "--x=1 2", folder=here)
    assert done.returncode == 7, done.stderr
    assert done.stderr == ""
    told = json.loads(done.stdout)
    assert told["argv"] == ["work", "readings.json", "--x=1 2"]
    assert told["folder"] == str(here) and told["exists"] == [False, True, False]
    assert told["prefix"] == str(copy / ".venv")
    assert told["hardware"] == str(copy / "hardware" / "__init__.py")
    assert told["child"] == "child of ours\n"


def test_a_later_start_costs_less_than_a_tenth_of_a_second(copy):
    stamped(copy)
    (copy / "assistant" / "cli.py").write_text("def main(argv): return 0")
    python = copy / ".venv" / "bin" / "python"

    def least(*command: str) -> float:
        """Processor time, so that a busy machine does not count."""
        times = []
        for _ in range(7):
            before = os.times()
            subprocess.run(command, check=True, env=variables(), timeout=LIMIT)
            after = os.times()
            times.append(sum(after[2:4]) - sum(before[2:4]))        # of children, in steps of 10 ms
        return min(times)

    cost = least(PYTHON, str(copy / "assistant")) - least(str(python), "-c", "pass")
    assert cost < 0.1, f"set-up costs {cost:.3f} s at every start"


def test_the_stamp_depends_on_the_project_the_python_and_the_folder(copy, monkeypatch):
    stamped(copy)
    for name, path in {"ROOT": copy, "PROJECT": copy / "pyproject.toml", "VENV": copy / ".venv",
                       "LOCK": copy / "lock.txt", "OFFICE_LOCK": copy / "lock-office.txt",
                       "PYTHON": copy / ".venv" / "bin" / "python"}.items():
        monkeypatch.setattr(environment, name, str(path))
    assert environment.is_ready("assistant")
    assert not environment.is_ready("tests")
    with monkeypatch.context() as other:
        other.setattr(sys, "version_info", (3, 99, 0))
        assert not environment.is_ready("assistant")
    with monkeypatch.context() as other:
        other.setattr(environment, "ROOT", "/elsewhere")
        assert not environment.is_ready("assistant")
    with monkeypatch.context() as other:
        other.setattr(environment, "PYTHON", str(copy / ".venv" / "bin" / "gone"))
        assert not environment.is_ready("assistant")
    assert environment.is_ready("assistant")
    with (copy / "pyproject.toml").open("a") as file:
        file.write("# a change\n")
    assert not environment.is_ready("assistant")
    stamped(copy)
    for lock in ("lock.txt", "lock-office.txt"):
        assert environment.is_ready("assistant")
        (copy / lock).write_text("a change\n")
        assert not environment.is_ready("assistant")
        (copy / lock).unlink()


def test_the_offices_lock_has_the_stations_versions_and_more() -> None:
    """So the same versions run on both, and both were tested together."""
    station, office = ({line.partition(" ;")[0] for line in Path(lock).read_text().splitlines() if re.match(r"[a-z]", line)}
                       for lock in (environment.LOCK, environment.OFFICE_LOCK))
    assert station < office and {"psycopg", "alembic", "trustme"} <= {line.partition("==")[0] for line in office - station}


def test_a_half_made_environment_is_made_anew_and_no_network_is_said_plainly(copy):
    (copy / ".venv" / "bin").mkdir(parents=True)
    (copy / ".venv" / "bin" / "python").symlink_to("/nowhere/python")
    (copy / ".venv" / "unfinished").touch()
    (copy / ".venv" / "left over").touch()
    done = start(copy)
    assert done.returncode == 1 and done.stdout == ""
    assert "half-made" in done.stderr and "pip's last words" in done.stderr and "network" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (copy / ".venv" / "left over").exists()
    assert (copy / ".venv" / "unfinished").exists(), "an installation that failed must not look finished"


def test_a_changed_project_without_network_goes_on_with_what_is_installed(copy):
    stamped(copy, with_pip=True)
    with (copy / "pyproject.toml").open("a") as file:
        file.write("# a change\n")
    done = start(copy)
    assert done.returncode == 7, done.stderr
    assert "going on with what was installed before" in done.stderr
    # ... but not when what is installed does not load.
    (copy / "pyproject.toml").write_text(PYPROJECT.replace("assistant = []", "assistant = ['not_there']"))
    done = start(copy)
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert "could not be installed" in done.stderr.splitlines()[-1]


def holding(root: Path) -> int:
    folder = os.open(root, os.O_RDONLY)
    fcntl.flock(folder, fcntl.LOCK_EX)
    return folder


def wait_for(process: subprocess.Popen, words: str) -> None:
    line = process.stderr.readline()
    assert words in line, line


def test_a_second_start_waits_for_the_first_and_finds_the_work_done(copy):
    folder = holding(copy)
    second = begin(copy)
    wait_for(second, "waiting")
    stamped(copy)
    os.close(folder)
    out, err = second.communicate(timeout=LIMIT)
    assert second.returncode == 7, err
    assert "Python packages" not in err and '"argv": []' in out


def test_ctrl_c_during_set_up_is_one_sentence(copy):
    folder = holding(copy)
    process = begin(copy)
    wait_for(process, "waiting")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LIMIT)
    os.close(folder)
    assert process.returncode == 1 and out == ""
    assert err.strip() == "Set-up stopped. Start again when you like: it goes on from here."


def test_a_folder_that_cannot_be_written_is_said_plainly(copy):
    (copy / ".venv").write_text("a file where the folder should be")
    done = start(copy)
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert str(copy) in done.stderr.splitlines()[-1]


def test_missing_packages_are_found_and_what_to_type_is_exact(monkeypatch, capsys):
    absent = debian.Need("speech", "no voice", lambda: debian.loads("libsurely-not-there.so.1"))
    present = debian.Need("a Python environment", "nothing works", lambda: debian.loads("libc.so.6"))
    monkeypatch.setattr(debian, "NEEDS", {"espeak-ng": absent, "python3-venv": present})
    monkeypatch.setenv("BOWLSIDE_NO_APT", "1")
    assert debian.missing(("surely-no-such-package",)) == ["espeak-ng", "surely-no-such-package"]
    first_run.add_debian_packages(["espeak-ng"])  # goes on: speech can be done without
    said = capsys.readouterr().err
    assert "Going on without espeak-ng: no voice." in said
    if shutil.which("apt-get"):
        assert "apt-get install --no-install-recommends espeak-ng\n" in said

    monkeypatch.setitem(debian.NEEDS, "python3-venv", absent)
    with pytest.raises(first_run.SetUpError, match="without python3-venv"):
        first_run.add_debian_packages(["python3-venv"])


@pytest.mark.parametrize("user, tools, words", [
    (0, {"apt-get"}, "\napt-get install --no-install-recommends espeak-ng"),
    (1000, {"apt-get", "sudo"}, "\nsudo apt-get install --no-install-recommends espeak-ng"),
    (1000, {"apt-get"}, "su -c '"),
    (1000, set(), "espeak-ng (speech)"),
])
def test_what_to_type_fits_the_user_and_the_system(user, tools, words, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: user)
    monkeypatch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}" if name in tools else None)
    assert words in debian.what_to_type(["espeak-ng"])


def test_apt_is_left_alone_when_forbidden(monkeypatch):
    monkeypatch.setenv("BOWLSIDE_NO_APT", "1")
    assert debian.may_install() is None


def test_a_failing_command_gives_its_last_lines():
    with pytest.raises(first_run.Failed) as failure:
        first_run.run(["sh", "-c", "seq 100; echo no room >&2; exit 3"])
    assert failure.value.last[-2:] == ["100", "no room"]
    assert len(failure.value.last) == first_run.LINES_SHOWN


@pytest.mark.long
def test_two_first_starts_at_once_install_once_and_a_damaged_package_is_mended(copy):
    project = PYPROJECT.replace("dependencies = []", 'dependencies = ["colorzero>=2,<3"]', 1)
    (copy / "pyproject.toml").write_text(project.replace("assistant = []", 'assistant = ["colorzero"]'))
    both = [begin(copy, PIP_NO_INDEX="0") for _ in range(2)]
    ends = [process.communicate(timeout=300) for process in both]
    told = "".join(err for _, err in ends)
    if "could not be installed" in told:
        pytest.skip("no package registry is reached from here")
    assert [process.returncode for process in both] == [7, 7], told
    assert told.count("Set up.") == 1
    assert subprocess.run([copy / ".venv" / "bin" / "bowlside", "--version"], check=False,
                          stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode != 127

    # A power cut during a later installation: files cut short, the stamp not renewed.
    damaged = next((copy / ".venv").rglob("colorzero/__init__.py"))
    damaged.write_text("(")
    (copy / ".venv" / "bowlside-assistant-installed").unlink()
    done = start(copy, PIP_NO_INDEX="0")
    assert done.returncode == 7, done.stderr
    assert "Set up." in done.stderr
    assert start(copy).stderr == ""


# --- Debian's lgpio, where there is no wheel ---------------------------------------------------------------------------------

SUFFIX = EXTENSION_SUFFIXES[0]


@pytest.fixture
def debians(copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Debian's folder of Python packages with its lgpio in it (here the wheel's own files), and an environment without."""
    folder, found = tmp_path / "dist-packages", importlib.util.find_spec("lgpio")
    if found is None:
        pytest.skip("lgpio is missing: pip install lgpio")
    folder.mkdir()
    wheel = Path(found.origin).parent
    for name in ("lgpio.py", f"_lgpio{SUFFIX}"):
        shutil.copy(wheel / name, folder)
    (folder / "something_else.py").touch()
    stamped(copy)
    monkeypatch.setattr(environment, "DEBIAN", str(folder))
    monkeypatch.setattr(environment, "VENV", str(copy / ".venv"))
    return folder


def imported(root: Path, module: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([root / ".venv" / "bin" / "python", "-I", "-c", f"import {module}; print({module}.__file__)"],
                          cwd=root, capture_output=True, text=True, timeout=LIMIT, check=False)


def test_debians_lgpio_is_joined_to_our_environment_and_nothing_else_of_debian(copy, debians):
    assert "No module named 'lgpio'" in imported(copy, "lgpio").stderr
    environment.add_lgpio()
    done = imported(copy, "lgpio")
    assert done.returncode == 0 and str(copy / ".venv") in done.stdout, done.stderr
    assert "No module named" in imported(copy, "something_else").stderr
    environment.add_lgpio()  # at every start
    assert imported(copy, "lgpio").returncode == 0


def test_a_release_from_a_bundle_is_joined_to_it_too(copy, debians, monkeypatch, capsys):
    """Installed with nothing beside it; where there is no lgpio to join, a Pi is told what it lacks."""
    site = next((copy / ".venv" / "lib").iterdir()) / "site-packages"
    shutil.copytree(copy / "assistant", site / "assistant")
    installed = site / "assistant" / "setup" / "environment.py"
    python, words = str(copy / ".venv" / "bin" / "python"), installed.read_text()
    assert "/usr/lib/python3/dist-packages" in words
    installed.write_text(words.replace("/usr/lib/python3/dist-packages", str(debians.with_name("nowhere"))))
    monkeypatch.setattr(releases.platform, "machine", lambda: "aarch64")
    assert not releases._join_lgpio(python) and "sudo apt install python3-lgpio" in capsys.readouterr().err
    installed.write_text(words.replace("/usr/lib/python3/dist-packages", str(debians)))
    assert releases._join_lgpio(python) and capsys.readouterr().err == ""
    assert imported(copy, "lgpio").returncode == 0


def test_lgpio_that_was_taken_away_and_came_back_is_found_again(copy, debians):
    environment.add_lgpio()
    away = debians.rename(debians.with_name("away"))
    environment.add_lgpio()
    assert imported(copy, "lgpio").returncode != 0
    moved = str(debians.with_name("elsewhere"))
    away.rename(moved)
    environment.DEBIAN, before = moved, environment.DEBIAN
    try:
        environment.add_lgpio()
    finally:
        environment.DEBIAN = before
    assert imported(copy, "lgpio").returncode == 0


def test_our_own_lgpio_and_another_pythons_are_left_alone(copy, debians):
    site = next((copy / ".venv" / "lib").iterdir()) / "site-packages"
    (debians / f"_lgpio{SUFFIX}").rename(debians / "_lgpio.cpython-399-riscv64-linux-gnu.so")
    assert environment.debian_lgpio() == []
    environment.add_lgpio()
    assert not (site / "lgpio.py").exists()
    (debians / "_lgpio.cpython-399-riscv64-linux-gnu.so").rename(debians / f"_lgpio{SUFFIX}")
    (site / "lgpio.py").write_text("ours = True")
    environment.add_lgpio()
    assert (site / "lgpio.py").read_text() == "ours = True" and not (site / f"_lgpio{SUFFIX}").exists()


@pytest.mark.parametrize(("machine", "version", "needed"), [("aarch64", (3, 13, 5), True), ("aarch64", (3, 11, 2), False),
                                                            ("x86_64", (3, 13, 5), False)])
def test_the_package_is_asked_for_where_there_is_no_wheel(machine, version, needed, monkeypatch):
    monkeypatch.setattr(platform, "machine", lambda: machine)
    with monkeypatch.context() as other:
        other.setattr(sys, "version_info", version)
        module = importlib.util.module_from_spec(importlib.util.find_spec("assistant.setup.debian"))
        module.__spec__.loader.exec_module(module)
    assert ("python3-lgpio" in module.missing()) is needed
    if needed:
        assert "no keypad" in module.without("python3-lgpio")
