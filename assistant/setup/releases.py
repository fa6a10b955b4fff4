"""Installs Bowlside from a bundle, without network, beside what is there, and goes back to what was there before.

Stands in each bundle as install.py and runs on Debian's bare python3: standard library only. Every release has a folder and an
environment of its own; the link "current" names the one that runs and "previous" the one before. The record lies elsewhere and is
never touched.

What is installed is what SHA256SUMS lists, each file with that checksum: whatever else lies in the folder is not looked at, by
Python, pip or apt either. Who must know that the list itself is the office's has it signed (OpenSSH, ssh-keygen(1), "-Y").

    PREFIX/releases/0.1.0-1a2b3c4d/      PREFIX/current -> releases/...      PREFIX/previous -> releases/...
"""
import sys

if __name__ == "__main__" and not sys.flags.safe_path:
    del sys.path[0]  # the bundle's folder, where an argparse.py that nobody listed would run as root

import argparse
import hashlib
import os
import platform
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

PREFIX = Path("/opt/bowlside")
JOURNAL = Path("/var/lib/bowlside/journal")
UNIT = Path("/etc/systemd/system/bowlside.service")
COMMAND = Path("/usr/local/bin/bowlside")
DEBIAN = ("espeak-ng", "libportaudio2", "python3-venv")
SUMS, COMPLETE = "SHA256SUMS", "complete"
SIGNED, SIGNERS, SIGNER = "SHA256SUMS.sig", Path("/etc/bowlside/signers"), "bowlside"
"""The signature, the file of who may sign (ssh-keygen(1), ALLOWED SIGNERS), and the name and namespace that they sign under."""
KEPT = 3
"""So many releases stay; older ones are removed after an upgrade. Ours."""


class InstallError(Exception):
    """One plain sentence: what, where, what to do."""


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="install.py", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("bundle", type=Path, nargs="?", default=Path(__file__).resolve().parent,
                        help="the bundle's folder (the one that this lies in)")
    parser.add_argument("--signers", type=Path, default=SIGNERS, metavar="FILE",
                        help=f"who may sign a bundle; where this file is, only a signed one is installed ({SIGNERS})")
    parser.add_argument("--prefix", type=Path, default=PREFIX, help=f"where releases are kept ({PREFIX})")
    parser.add_argument("--journal", type=Path, default=_journal(),
                        help="the record that a release must be able to read (%(default)s)")
    parser.add_argument("--command", type=Path, default=COMMAND, help=f"a link to the command bowlside ({COMMAND})")
    parser.add_argument("--roll-back", action="store_true", help="go back to the release before; the record stays as it is")
    parser.add_argument("--list", action="store_true", help="which releases are there, and which one runs")
    args = parser.parse_args(argv)
    args.prefix, args.journal = args.prefix.absolute(), args.journal.absolute()  # what is started looks from / on
    os.umask(0o022)  # whatever root's is: the station runs as a user of its own
    try:
        if args.list:
            return _list(args.prefix)
        if args.roll_back:
            _roll_back(args.prefix, args.journal)
        else:
            _install(args.bundle.resolve(), args)
        _restart()
    except InstallError as error:
        print(f"install.py: {error}", file=sys.stderr)
        return 1
    except OSError as error:
        print(f"install.py: {error.filename or args.prefix} can't be written ({error.strerror}): start this with sudo, with the "
              "root writable and room on it. What ran before still runs.", file=sys.stderr)
        return 1
    return 0


def _journal() -> Path:
    """Where the service writes its record: install-service --data may have put it on a partition of its own."""
    try:
        journal = re.search(r"^Environment=.*\bBOWLSIDE_JOURNAL=(\S+)", UNIT.read_text(encoding="utf-8"), re.MULTILINE)
    except OSError:
        journal = None
    return Path(journal[1]) if journal else JOURNAL


# --- installing -------------------------------------------------------------------------------------------------------------


def _install(bundle: Path, args: argparse.Namespace) -> None:
    if args.signers.exists() or args.signers != SIGNERS:
        signed(bundle, args.signers)
    name, sums = verified(bundle)
    _debian_packages(bundle, sums)
    release = args.prefix / "releases" / name
    if not (release / COMPLETE).is_file():
        print(f"Installing {name} in {release}.", flush=True)
        shutil.rmtree(release, ignore_errors=True)  # what an earlier try left behind
        release.parent.mkdir(parents=True, exist_ok=True)
        _environment(bundle, sums, release)
        os.sync()
        (release / COMPLETE).write_text("", encoding="utf-8")
    _join_lgpio(str(release / "bin" / "python"))
    _must_work(release, args.journal)
    switch(args.prefix, name)
    (args.prefix / "install.py").write_bytes(_read(bundle, "install.py", sums))
    args.command.parent.mkdir(parents=True, exist_ok=True)
    _link(args.command, args.prefix / "current" / "bin" / "bowlside")
    _thin_out(args.prefix)
    print(f"{name} is installed. A station that starts by itself: bowlside install-service. Going back: "
          f"python3 {args.prefix / 'install.py'} --roll-back")


def verified(bundle: Path) -> tuple[str, dict[str, str]]:
    """The release's name (its version and the first letters of what the whole bundle adds up to), and the checksum of each file
    that belongs to it. Raises InstallError."""
    text = _sums(bundle)
    sums: dict[str, str] = {}
    for line in text.decode("utf-8", "replace").splitlines():
        digest, _, path = line.partition("  ")
        parts = PurePosixPath(path).parts
        if not re.fullmatch(r"[0-9a-f]{64}", digest) or not parts or path.startswith("/") or ".." in parts or path in sums:
            raise InstallError(f"{SUMS} of the bundle is damaged, at {line[:60]!r}: copy the whole of it again.")
        sums[path] = digest
    wheel = next((path for path in sums if re.fullmatch(r"wheels/bowlside-[^/]+\.whl", path)), None)
    if wheel is None or "install.py" not in sums:
        raise InstallError(f"{bundle} is no bundle of Bowlside: its wheel or install.py is missing in {SUMS}.")
    for path in sums:
        _read(bundle, path, sums)
    return f"{wheel.split('-')[1]}-{hashlib.sha256(text).hexdigest()[:8]}", sums


def signed(bundle: Path, signers: Path) -> None:
    """That somebody of ``signers`` signed the list. Raises InstallError."""
    if not (bundle / SIGNED).is_file():
        raise InstallError(f"This bundle is not signed ({SIGNED} is missing), and {signers} asks for that: bowlside bundle "
                           "--sign KEY signs it.")
    command = ["ssh-keygen", "-Y", "verify", "-f", str(signers), "-I", SIGNER, "-n", SIGNER, "-s", str(bundle / SIGNED)]
    try:
        done = subprocess.run(command, input=_sums(bundle), capture_output=True, cwd="/")
    except FileNotFoundError:
        raise InstallError("ssh-keygen is missing, so the signature can't be checked: install Debian's openssh-client.") from None
    if done.returncode:
        raise InstallError(f"The signature of this bundle is not one of {signers}: nothing of it was used.")


def _sums(bundle: Path) -> bytes:
    try:
        return (bundle / SUMS).read_bytes()
    except OSError:
        raise InstallError(f"{bundle} is no bundle of Bowlside: {SUMS} is missing.") from None


def _read(bundle: Path, path: str, sums: Mapping[str, str]) -> bytes:
    """One listed file. Looked at each time that it is read: a stick is in somebody's hand."""
    try:
        data = (bundle / path).read_bytes()
    except OSError:
        raise InstallError(f"{path} is missing in the bundle: copy the whole of it again.") from None
    if hashlib.sha256(data).hexdigest() != sums[path]:
        raise InstallError(f"{path} in the bundle is damaged: copy it again.")
    return data


def _copied(bundle: Path, part: str, sums: Mapping[str, str], to: Path) -> None:
    """What is listed below one folder of the bundle."""
    for path in sums:
        if path.startswith(f"{part}/"):
            target = to / path.removeprefix(f"{part}/")
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(_read(bundle, path, sums))


def _debian_packages(bundle: Path, sums: Mapping[str, str]) -> None:
    """From the bundle, as far as they are missing; apt takes nothing from anywhere else."""
    missing = [name for name in DEBIAN if not _is_installed(name)]
    if not missing:
        return
    if "debs/Packages" not in sums or os.geteuid() or shutil.which("apt-get") is None:
        print(f"Debian packages are missing: {', '.join(missing)}. Going on without; python3-venv is needed.", file=sys.stderr)
        return
    print(f"Debian packages from the bundle: {', '.join(missing)}", flush=True)
    with tempfile.TemporaryDirectory(prefix="bowlside-apt-") as temporary:
        place = Path(temporary)
        (place / "lists" / "partial").mkdir(parents=True)
        _copied(bundle, "debs", sums, place / "debs")  # beside the stick's own: apt would prefer a Packages.xz that lies there
        (place / "sources.list").write_text(_source(place / "debs"), encoding="utf-8")
        apt = ["apt-get", "-q", "-o", f"Dir::Etc::sourcelist={place / 'sources.list'}", "-o", "Dir::Etc::sourceparts=/dev/null",
               "-o", f"Dir::State::lists={place / 'lists'}", "-o", "APT::Sandbox::User=root"]
        _run([*apt, "update"])
        _run([*apt, "install", "--yes", "--no-install-recommends", *missing], {"DEBIAN_FRONTEND": "noninteractive"})


def _source(debs: Path) -> str:
    """A line of sources.list(5). A blank would end the address there, and sticks are called NO NAME and mounted so."""
    return f"deb [trusted=yes] copy:{debs.as_uri().removeprefix('file://')} ./\n"


def _is_installed(name: str) -> bool:
    if shutil.which("dpkg-query") is None:
        return False
    return _output(["dpkg-query", "-W", "-f=${db:Status-Status}", name]).stdout == "installed"


def _environment(bundle: Path, sums: Mapping[str, str], release: Path) -> None:
    """-I: neither the folder where this is typed nor the environment has a say in what Python imports."""
    _run([sys.executable, "-I", "-m", "venv", str(release)])
    pip = [str(release / "bin" / "python"), "-I", "-m", "pip", "install", "--isolated", "--quiet", "--no-input",
           "--disable-pip-version-check", "--no-cache-dir", "--no-index", "--require-hashes"]
    with tempfile.TemporaryDirectory(prefix="bowlside-pip-") as temporary:
        for folder, more in (("wheels", []), ("wheels/alone", ["--no-deps"])):
            exact = [f"{(bundle / path).as_uri()} --hash=sha256:{digest}\n" for path, digest in sums.items()
                     if str(PurePosixPath(path).parent) == folder and path.endswith(".whl")]
            wanted = Path(temporary) / "requirements.txt"
            wanted.write_text("".join(exact), encoding="utf-8")
            if exact:
                _run([*pip, *more, "-r", str(wanted)])
    place = next((release / "lib").glob("python3.*/site-packages")) / "models" / "installed"
    _copied(bundle, "models", sums, place)


JOIN = ("import sys, importlib.util as those; from assistant.setup import environment; environment.add_lgpio(sys.prefix); "
        "sys.path_importer_cache.clear(); sys.exit(those.find_spec('lgpio') is None)")


def _join_lgpio(python: str) -> bool:
    """Header pins with Python 3.13, which no wheel of lgpio is for: the system's own, which Raspberry Pi OS has."""
    there = _output([python, "-I", "-c", JOIN]).returncode == 0
    if not there and platform.machine() == "aarch64":
        print("lgpio is missing, so keypad, pedal, lamp and buzzer on the header pins won't work; all else will. To have them: "
              "sudo apt install python3-lgpio, with network, then install this bundle again.", file=sys.stderr)
    return there


def _must_work(release: Path, journal: Path) -> None:
    """Before anything is switched: the release rehearses a whole test and reads the record that is there. Raises InstallError."""
    command = str(release / "bin" / "bowlside")
    done = _output([command])
    if done.returncode or "VERDICT    pass" not in done.stdout:
        raise InstallError(f"{release.name} does not pass its own rehearsal ({_last(done)}); what ran before still runs.")
    if (journal / "journal.db").exists():
        done = _output([command, "log", "verify", "--journal", str(journal)])
        if done.returncode:
            raise InstallError(f"{release.name} can't read the record in {journal} ({_last(done)}); what ran before still runs.")


# --- which one runs -----------------------------------------------------------------------------------------------------------


def switch(prefix: Path, name: str) -> None:
    """Make ``current`` name that release and ``previous`` the one before; each by one rename, so that one always runs."""
    before = _named(prefix / "current")
    if before == name:
        return
    if before:
        _link(prefix / "previous", Path("releases") / before)
    _link(prefix / "current", Path("releases") / name)
    os.sync()


def _roll_back(prefix: Path, journal: Path) -> None:
    name = _named(prefix / "previous")
    if not name or not (prefix / "releases" / name / COMPLETE).is_file():
        raise InstallError(f"There is no release before the one that runs in {prefix}.")
    _must_work(prefix / "releases" / name, journal)
    switch(prefix, name)
    print(f"{name} runs again; the record was not touched. Once more --roll-back goes forward again.")


def _list(prefix: Path) -> int:
    current = _named(prefix / "current")
    for release in sorted((prefix / "releases").glob("*"), key=_age):
        whole = "" if (release / COMPLETE).is_file() else "  not finished"
        print(f"{release.name}{'  runs' if release.name == current else ''}{whole}")
    return 0


def _age(release: Path) -> float:
    return release.stat().st_mtime


def _named(link: Path) -> str:
    return Path(os.readlink(link)).name if link.is_symlink() else ""


def _link(link: Path, to: Path) -> None:
    half = link.with_name(f".{link.name}.new")
    half.unlink(missing_ok=True)
    half.symlink_to(to)
    half.replace(link)


def _thin_out(prefix: Path) -> None:
    needed = {_named(prefix / "current"), _named(prefix / "previous")}
    for release in (prefix / "releases").glob("*"):
        if not (release / COMPLETE).is_file():
            shutil.rmtree(release)  # an upgrade that was cut short
    releases = sorted((prefix / "releases").glob("*"), key=_age)
    for release in [old for old in releases if old.name not in needed][:max(0, len(releases) - KEPT)]:
        shutil.rmtree(release)


def _restart() -> None:
    """Where the station runs as a service; it goes on at the step where it was."""
    if shutil.which("systemctl") and _output(["systemctl", "is-active", "--quiet", "bowlside"]).returncode == 0:
        done = _output(["systemctl", "restart", "bowlside"])
        if done.returncode:  # the release that was switched to stays: the service manager goes on trying
            raise InstallError(f"the station does not start again ({_last(done)}): journalctl -u bowlside tells why, and "
                               "install.py --roll-back goes back.")
        print("The station was started again.")
        for beside in ("bowlside-board", "bowlside-send"):
            _output(["systemctl", "try-restart", beside])


# --- other programs -----------------------------------------------------------------------------------------------------------


def _output(command: list[str], more: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    outside = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "PIP_", "VIRTUAL_ENV"))}
    return subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace", cwd="/",
                          env={**outside, **(more or {})})


def _run(command: list[str], more: dict[str, str] | None = None) -> None:
    done = _output(command, more)
    if done.returncode:
        raise InstallError(f"{' '.join(command[:4])} ... failed: {_last(done)}. What ran before still runs.")


def _last(done: subprocess.CompletedProcess[str]) -> str:
    return ((done.stderr or done.stdout).strip().splitlines() or [f"exit status {done.returncode}"])[-1].rstrip(".")


if __name__ == "__main__":
    sys.exit(main())
