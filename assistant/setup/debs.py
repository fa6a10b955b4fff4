"""Debian packages for another machine, with all that they need, as a folder that apt can install from without network."""
from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from assistant.files.refusal import Refusal

KEYS = "/usr/share/keyrings/debian-archive-keyring.gpg"
MIRROR = "http://deb.debian.org/debian"
ARCHES = {"x86_64": "amd64", "aarch64": "arm64"}


def fetch(folder: Path, suite: str, machine: str, names: Sequence[str]) -> None:
    """By an apt whose state is all its own, so nothing here is changed and nobody need be root. Raises Refusal."""
    for program in ("apt-get", "dpkg-deb"):
        if shutil.which(program) is None:
            raise Refusal(f"bundle: {program} is missing here, so Debian's packages can't be added: give --no-debian, and "
                              f"install {', '.join(names)} on the station.")
    print(f"Debian's packages for {suite} ...", flush=True)
    arch = ARCHES[machine]
    with tempfile.TemporaryDirectory(prefix="bowlside-debs-") as temporary:
        apt = Path(temporary)
        for name in ("lists/partial", "cache/archives/partial"):
            (apt / name).mkdir(parents=True)
        (apt / "status").touch()
        (apt / "sources.list").write_text(f"deb [signed-by={KEYS}] {MIRROR} {suite} main\n", encoding="utf-8")
        given = {"APT::Architecture": arch, "APT::Architectures": arch, "Dir::State": apt, "Dir::State::status": apt / "status",
                 "Dir::Cache": apt / "cache", "Dir::Etc::sourcelist": apt / "sources.list", "Dir::Etc::sourceparts": "/dev/null",
                 "APT::Sandbox::User": "root", "Debug::NoLocking": "true"}
        options = [part for name, value in given.items() for part in ("-o", f"{name}={value}")]
        _run("apt-get", *options, "update")
        _run("apt-get", *options, "--yes", "--no-install-recommends", "--download-only", "install", *names)
        folder.mkdir()
        for package in sorted((apt / "cache" / "archives").glob("*.deb")):
            shutil.copyfile(package, folder / package.name.replace("%3a", "_"))
    (folder / "Packages").write_text("\n".join(_entry(package) for package in sorted(folder.glob("*.deb"))), encoding="utf-8")


def _entry(package: Path) -> str:
    """One stanza of a package index (Debian Repository Format): what the package says of itself, its file, size and checksum."""
    about = _run("dpkg-deb", "--field", str(package)).rstrip("\n")
    digest = hashlib.sha256(package.read_bytes()).hexdigest()
    return f"{about}\nFilename: ./{package.name}\nSize: {package.stat().st_size}\nSHA256: {digest}\n"


def _run(*command: str) -> str:
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no word why"])[-1].rstrip(".")
        raise Refusal(f"bundle: {command[0]} failed: {last}. Is there a network? Else give --no-debian.")
    return done.stdout
