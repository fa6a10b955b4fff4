"""Set-up on first use: Debian packages, a Python environment in ``.venv``, the Python packages.

Runs on Debian's bare ``python3``: standard library only. It speaks on standard error, since standard output
belongs to the command. Whatever stops it (power, Ctrl-C, no network), the next start goes on from there.
"""
from __future__ import annotations

import collections
import contextlib
import fcntl
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator

from assistant.setup import debian, environment
from assistant.setup.environment import LOCK, OFFICE_LOCK, PROJECT, PYTHON, ROOT, VENV

UNFINISHED = os.path.join(VENV, "unfinished")
LINES_SHOWN = 8

# Run inside the environment. A missing Debian library shows as OSError: that costs sound, not a start.
IMPORT_ALL = """
import importlib, sys
for name in sys.argv[1:]:
    try: importlib.import_module(name)
    except OSError: pass
"""


class SetUpError(Exception):
    """One plain sentence for the user: what, where, what to do."""


class Failed(Exception):
    """A command failed; ``last`` holds its last lines of output."""

    def __init__(self, last: list[str]) -> None:
        super().__init__("\n".join(last))
        self.last = last
        self.why = last[-1] if last else "no word why"


def tell(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def make_ready(part: str, also: tuple[str, ...] = ()) -> bool:
    """Install what ``part`` ("assistant", "office" or "tests") needs, and the Debian packages named in ``also``.

    :returns: whether the environment can be used; if not, the reason has been said
    """
    try:
        with only_one():
            _make_ready(part, also)
        return True
    except SetUpError as error:
        tell(str(error))
    except OSError as error:
        tell(f"Set-up could not write in {ROOT} ({error.strerror or error}): make room or get the right to "
             "write there, then start again.")
    except KeyboardInterrupt:
        tell("\nSet-up stopped. Start again when you like: it goes on from here.")
    return False


def _make_ready(part: str, also: tuple[str, ...]) -> None:
    missing = debian.missing(also)
    installed = environment.is_ready(part)
    if installed and not missing:
        return
    tell(f"Setting up Bowlside in {ROOT}. Later starts skip this.")
    steps = (1 if missing else 0) + (0 if installed else 2)
    if missing:
        tell(f"1/{steps} Debian packages: {' '.join(missing)}")
        add_debian_packages(missing)
    if not installed:
        add_python_packages(part, steps)
        if part == "assistant":
            offer_model()


@contextlib.contextmanager
def only_one() -> Iterator[None]:
    """Hold the set-up of this folder: a second one waits, then finds the work done."""
    folder = os.open(ROOT, os.O_RDONLY)
    try:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            tell("Another start is setting up this folder: waiting for it.")
            fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def add_debian_packages(missing: list[str]) -> None:
    """Install Debian packages where we may; else say what to type. Only ``venv`` support is essential."""
    prefix = debian.may_install()
    if prefix is None:
        tell("    " + debian.what_to_type(missing).replace("\n", "\n    "))
    else:
        try:
            run([*prefix, *debian.UPDATE])
        except Failed:
            tell("    The list of Debian packages could not be renewed; trying with the old one.")
        try:
            run([*prefix, *debian.INSTALL, *missing])
        except Failed:
            # One that is not to be had must not keep out the others.
            for package in missing:
                try:
                    run([*prefix, *debian.INSTALL, package])
                except Failed as failed:
                    tell(f"    {package} could not be installed: {failed.why}")
    still = debian.missing(tuple(missing))
    if debian.VENV_SUPPORT in still:
        raise SetUpError(f"Bowlside can't be set up without {debian.VENV_SUPPORT}: install it as said above, "
                         "then start again.")
    for package in still:
        tell(f"    Going on without {package}: {debian.without(package)}.")


def add_python_packages(part: str, steps: int) -> None:
    """Make or mend ``.venv`` for ``part`` and stamp it. Raises SetUpError."""
    tell(f"{steps - 1}/{steps} the Python environment in .venv")
    fresh = not usable()
    if fresh:
        make_environment()
    tell(f"{steps}/{steps} the Python packages: {'some minutes' if part == 'tests' else 'about a minute'}")
    try:
        pip_install(part)
    except Failed as failed:
        tell("    pip's last words:\n        " + "\n        ".join(failed.last))
        if not fresh and imports_work(part):
            tell("    pyproject.toml asks for packages that could not be installed (is there a network?):\n"
                 "    going on with what was installed before.")
            return
        raise SetUpError("The Python packages could not be installed: see pip's words above, connect this "
                         "machine to the network, then start again.") from None
    if not fresh and not imports_work(part):
        make_environment()  # an installation cut short left broken files behind
        try:
            pip_install(part)
        except Failed as failed:
            raise SetUpError("The Python packages were damaged and could not be installed again: "
                             f"{failed.why}") from None
    if not imports_work(part):
        raise SetUpError("The Python packages are installed but do not load: delete the folder .venv in "
                         f"{ROOT} and start again.")
    stamp(part)
    tell("Set up.")
    if part != "tests":
        add_command()


def add_command() -> None:
    """The command ``bowlside`` in ``~/.local/bin``, which Debian's shells look into; whatever is there already stays."""
    command = os.path.join(VENV, "bin", "bowlside")
    folder = os.path.join(os.path.expanduser("~"), ".local", "bin")
    link = os.path.join(folder, "bowlside")
    try:
        os.makedirs(folder, exist_ok=True)
        if os.path.islink(link) and not os.path.exists(link):
            os.remove(link)                     # to a folder that is gone
        if not os.path.lexists(link):
            os.symlink(command, link)
    except OSError:
        pass
    ours = os.path.realpath(link) == os.path.realpath(command)
    if ours and folder in os.environ.get("PATH", "").split(os.pathsep):
        tell("The command is bowlside.")
    elif ours:
        tell("The command is bowlside, from the next login on. In this shell, type first:")
        tell('export PATH="$HOME/.local/bin:$PATH"')
    else:
        tell(f"The command is {command}")


def usable() -> bool:
    """Whether ``.venv`` was finished once, runs this version of Python, and has pip."""
    if os.path.exists(UNFINISHED) or not os.access(PYTHON, os.X_OK):
        return False
    version = ".".join(map(str, sys.version_info[:2]))
    check = f"import sys, pip; sys.exit('%d.%d' % sys.version_info[:2] != {version!r})"
    return quietly([PYTHON, "-c", check])


def make_environment() -> None:
    """A new, empty ``.venv``, marked unfinished until stamped."""
    if os.path.lexists(VENV):
        tell("    taking away an old or half-made .venv")
        shutil.rmtree(VENV)
    os.mkdir(VENV)
    with open(UNFINISHED, "w", encoding="utf-8") as file:
        file.write("Set-up has not finished here; the next start makes this folder anew.\n")
    try:
        run([sys.executable, "-m", "venv", VENV])
    except Failed as failed:
        raise SetUpError(f"The Python environment could not be made: {' '.join(failed.last)}") from None


def pip_install(part: str) -> None:
    """Install the project in place with the packages of ``part``, those of a station or an office as the lock has them. Raises Failed.

    Where the lock can't be had (a machine or a Python that it does not know), what pyproject.toml's bounds allow.
    """
    pip = [PYTHON, "-m", "pip", "install", "--no-input", "--disable-pip-version-check", "--progress-bar", "off"]
    lock = OFFICE_LOCK if "office" in environment.WITH[part] else LOCK
    if os.path.exists(lock):
        try:
            run([*pip, "--prefer-binary", "--require-hashes", "--requirement", lock])
        except Failed as failed:
            tell(f"    The versions that were tested together are not to be had ({failed.why}): taking others within the bounds.")
    extra = "" if part == "assistant" else f"[{part}]"
    run([*pip, "--prefer-binary", "--editable", ROOT + extra])
    for requirement in settings()["without-dependencies"]:
        try:
            run([*pip, "--no-deps", "--only-binary", ":all:", requirement])
        except Failed:
            tell(f"    {requirement} is not to be had for this machine: hearing in noise will be worse.")


def imports_work(part: str) -> bool:
    """Whether everything that pyproject.toml names for ``part`` loads."""
    names = settings()["imports"]
    wanted = [name for each in environment.WITH[part] for name in names[each]]
    return quietly([PYTHON, "-c", IMPORT_ALL, *wanted])


def settings() -> dict:
    """The table ``[tool.bowlside]`` of pyproject.toml."""
    with open(PROJECT, "rb") as file:
        return tomllib.load(file)["tool"]["bowlside"]


def stamp(part: str) -> None:
    """Say "installed": last of all, after the packages are on the disk, so that a power cut can't lie."""
    os.sync()
    for name in environment.WITH[part]:
        path = environment.stamp_path(name)
        with open(path + ".new", "w", encoding="utf-8") as file:
            file.write(environment.stamp_text())
        os.replace(path + ".new", path)
    with contextlib.suppress(FileNotFoundError):
        os.remove(UNFINISHED)


def offer_model() -> None:
    """In a terminal, offer once to fetch the English vosk model; everything works without it."""
    there = os.path.exists(os.path.join(ROOT, "models", "fetch.py"))
    if not (there and sys.stdin.isatty() and sys.stderr.isatty()):
        return
    with contextlib.suppress(KeyboardInterrupt):
        subprocess.run([PYTHON, "-m", "models.fetch", "--offer"], env=environment.variables(), check=False)


def run(command: list[str]) -> None:
    """Run a command without input; on a terminal show its latest line. Raises Failed with its last lines.

    Few tries for pip (as a variable, for the pip that it starts in turn): without network it must fail soon.
    """
    on_terminal = sys.stderr.isatty()
    width = shutil.get_terminal_size().columns - 6
    last: collections.deque[str] = collections.deque(maxlen=LINES_SHOWN)
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                          text=True, errors="replace", env={"PIP_RETRIES": "2", **os.environ}) as process:
        try:
            for line in process.stdout or ():
                if line.strip():
                    last.append(line.rstrip())
                    if on_terminal:
                        print(f"\r\033[K    {line.strip()[:width]}", end="", file=sys.stderr, flush=True)
        except KeyboardInterrupt:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(10)  # it had the Ctrl-C too; let it end tidily before we let go of the folder
            raise
        finally:
            if on_terminal:
                print("\r\033[K", end="", file=sys.stderr, flush=True)
    if process.returncode != 0:
        raise Failed(list(last))


def quietly(command: list[str]) -> bool:
    """Whether a command succeeds; its output is thrown away."""
    return subprocess.run(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                          stderr=subprocess.DEVNULL, env=environment.variables(), check=False).returncode == 0
