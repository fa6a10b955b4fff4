"""`bowlside install-service` and `uninstall-service`: the station starts with the machine, without a terminal."""
from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path, PurePosixPath

from assistant import job, procedures
from assistant.core.round_clock import BETWEEN
from assistant.files import by_hand
from assistant.files.refusal import Refusal
from assistant.setup import texts
from assistant.setup.texts import (
    BOARD_UNIT,
    DATA,
    ETC,
    RULES,
    SEND_UNIT,
    SYSUSERS,
    TMPFILES,
    UNIT,
    USER,
    DeploymentError,
    Service,
)
from assistant.station import station_settings

NAME = "bowlside.service"
BOOTED = Path("/run/systemd/system")
"""There where systemd runs this machine: sd_booted(3)."""


def add_install_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--user", metavar="NAME", help=f"an existing login that it runs as (a user {USER} of its own)")
    parser.add_argument("--data", metavar="DIR", help=f"the one folder it writes; may be a partition ({DATA})")
    parser.add_argument("--test", metavar="TEST", help="what it runs: a test, or round for all on a sample (sequential)")
    parser.add_argument("--job", type=Path, metavar="FILE", help=f"the job; copied to {ETC}/job.toml")
    parser.add_argument("--settings", type=Path, metavar="FILE", help=f"the station's settings; copied to {ETC}/station.toml")
    parser.add_argument("--board", metavar="ADDRESS", type=_address,
                        help="the crew's board too, for phones: on this address of the machine, by number, or all; off takes it away")
    parser.add_argument("--send", nargs="?", const=ON, choices=(ON, OFF), help="what is recorded leaves for the office too; off takes that away")
    parser.add_argument("--program", metavar="PATH", help="the command bowlside that it starts (this one)")
    _common(parser)


def add_uninstall_arguments(parser: argparse.ArgumentParser) -> None:
    _common(parser)


def _address(text: str) -> str:
    """By number: a name may not be known when the machine starts. 127.0.0.1 is for this machine alone."""
    try:
        return text if text in ("all", OFF) else str(ip_address(text))
    except ValueError:
        raise argparse.ArgumentTypeError("give an address of this machine by number, such as 192.168.4.1, or all, or off") from None


ON, OFF = "on", "off"
"""Off: none, whatever there was."""


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--root", type=Path, metavar="DIR", default=Path("/"), help="another system's root, mounted there (/)")
    parser.add_argument("--dry-run", action="store_true", help="only print what would be written and run")


def install(args: argparse.Namespace) -> int:
    """Writes the files, then has systemd make the user, the groups and the folder, and start the station. 0: done.

    What is not given stays as the service that is there has it: after an upgrade this is typed again, and a station without its
    job's limits, on a new record, would look the same.
    """
    root: Path = args.root
    before = _there(root)
    kept = {name: value for name, value in before.items() if getattr(args, name) is None and value != USUAL.get(name)}
    for name, usual in USUAL.items():
        setattr(args, name, getattr(args, name) or kept.get(name) or usual)
    own_user = args.user == USER
    login = _login(root, args.user)
    if login and login[0] == "0":
        raise Refusal(f"install-service: the station needs no root, and {args.user} is root: name another login with --user, "
                          "or leave it out and it gets a user of its own.")
    if not own_user and not login:
        raise Refusal(f"install-service: there is no user {args.user} in {root / 'etc/passwd'}; leave --user out and it gets "
                          "a user of its own.")
    settings = station_settings.read(args.settings) if args.settings else station_settings.read(root / ETC[1:] / "station.toml")
    copies = {f"{ETC[1:]}/station.toml": _text(args.settings)} if args.settings else {}
    if args.test not in (BETWEEN, *procedures.names()):
        raise Refusal(f"install-service: there is no test {args.test!r}; there are: {', '.join(procedures.names())}; and "
                          f"{BETWEEN}, for all on a sample.")
    arguments = [*([BETWEEN] if args.test == BETWEEN else ["run", args.test]), "--headless"]
    if args.job:
        job.read(args.job)
        copies[f"{ETC[1:]}/job.toml"] = _text(args.job)
    if args.job or "job" in kept:
        arguments += ["--job", f"{ETC}/job.toml"]
    program = args.program or _this_program()
    board, send = "" if args.board == OFF else args.board, args.send == ON
    _reachable(program, own_user or bool(board))
    _hears(str(settings["hearing"]["model"]), own_user)
    try:
        written = texts.written(Service(program, args.user, own_user, args.data, arguments,
                                      texts.gauge_serial(settings), board, send))
    except DeploymentError as error:
        raise Refusal(f"install-service: {error}") from None
    _may_have(root, args.data, login[1] if login and not own_user else "", own=before.get("data") == args.data)
    if args.dry_run:
        for path, text in {**written, **copies}.items():
            print(f"--- {root / path}\n{text}")
    else:
        for path, text in {**written, **copies}.items():
            _write(root / path, text)
        os.sync()  # or a plug that is pulled now leaves new files empty, a job without limits among them
    gone = [path for path, name in BESIDE.items() if name in before and path not in written]
    if gone:
        _take_away(root, gone, args.dry_run)
    _do(_after_install(root, [NAME, *(Path(path).name for path in BESIDE if path in written)]), args.dry_run)
    if before.get("user", args.user) != args.user and (root / args.data[1:] / "journal").exists():
        print(f"The record in {args.data} belongs to {before['user']}, so the station can't open it. Type: "
              f"sudo chown -R {args.user}: {args.data}", file=sys.stderr)
    if kept:
        print(f"Kept as it was: {', '.join(f'--{name} {value}' for name, value in kept.items())}. To leave that out, bowlside "
              "uninstall-service first.")
    if not args.dry_run:
        print(f"Bowlside starts with this machine. Settings: {ETC}/station.toml. Record: {args.data}/journal.\n"
              f"Its messages: journalctl -u bowlside. To take it away: bowlside uninstall-service.")
        if board:
            print("The crew's board starts with it; its address and its code: sudo bowlside board --address.")
        if send:
            print(f"What is recorded leaves for the office, once the station is enrolled: sudo bowlside send enrol ADDRESS --code CODE "
                  f"--journal {args.data}/journal.")
    return 0


def uninstall(args: argparse.Namespace) -> int:
    """Stops the station and takes its files away; the record, the settings and the user stay. 0: done."""
    root: Path = args.root
    there = [path for path in (UNIT, *BESIDE, RULES, SYSUSERS, TMPFILES) if (root / path).exists()]
    if not there:
        raise Refusal(f"uninstall-service: no service of Bowlside is installed in {root}.")
    data = _data_of(root / TMPFILES)
    _take_away(root, there, args.dry_run)
    _do([["systemctl", "daemon-reload"], ["udevadm", "control", "--reload"]] if _here(root) else [], args.dry_run)
    print(f"The record stays in {data}, the settings in {ETC}: nothing recorded is removed.")
    return 0


def _take_away(root: Path, paths: Sequence[str], dry: bool) -> None:
    """Stops and disables the units among these files, then removes all of them."""
    units = [Path(path).name for path in paths if path.endswith(".service")]
    _do([["systemctl", *(["--now"] if _here(root) else [f"--root={root}"]), "disable", *units]] if units else [], dry)
    for path in paths:
        print(f"Removes {root / path}." if dry else f"Removed {root / path}.")
        if not dry:
            (root / path).unlink()


def _after_install(root: Path, names: Sequence[str]) -> list[list[str]]:
    made = [["systemd-sysusers", f"--root={root}", str(root / SYSUSERS)],
            ["systemd-tmpfiles", f"--root={root}", "--create", str(root / TMPFILES)]]
    if not _here(root):
        return [*made, ["systemctl", f"--root={root}", "enable", *names]]
    return [*made, ["udevadm", "control", "--reload"], ["systemctl", "daemon-reload"],
            ["systemctl", "enable", *names], ["systemctl", "restart", *names]]


def _here(root: Path) -> bool:
    return root.resolve() == Path("/") and BOOTED.is_dir()


def _do(commands: Sequence[Sequence[str]], dry: bool) -> None:
    """Each without a shell. Raises Refusal with the command's last line; only udevadm may fail: the machine's next start
    reads its rules anyway."""
    for command in commands:
        if dry:
            print(f"$ {' '.join(command)}")
            continue
        try:
            done = subprocess.run(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
            why = done.stdout.strip().splitlines()[-1:] if done.returncode else None
        except FileNotFoundError:
            why = ["it is missing; a service needs a Debian with systemd"]
        if why is not None and command[0] == "udevadm":
            print("The rules for its devices count from the machine's next start on.")
        elif why is not None:
            raise Refusal(f"{' '.join(command)} failed: {''.join(why).rstrip('.')}. Mend that and start this command again.")


def _write(path: Path, text: str) -> None:
    """The old file or the new one, never half of one."""
    try:
        _folder(path.parent)
        half = path.with_name(path.name + ".new")
        half.write_text(text, encoding="utf-8")
        half.chmod(0o644)
        half.replace(path)
    except OSError as error:
        raise Refusal(f"{path} can't be written ({error.strerror}): start this with sudo, with the root writable.") from None


def _folder(path: Path) -> None:
    """With those above it. Whatever the umask of who installs, the station's own user must get at what lies in it."""
    if not path.is_dir():
        _folder(path.parent)
        path.mkdir(exist_ok=True)
        path.chmod(0o755)


def _text(path: Path) -> str:
    try:
        return by_hand.text(path)
    except by_hand.Unreadable as why:
        raise Refusal(f"{path} can't be read: {why}.") from None


def _login(root: Path, name: str) -> tuple[str, str] | None:
    """Number and home of a user of that system: passwd(5)."""
    try:
        lines = (root / "etc/passwd").read_text(encoding="utf-8").splitlines()
    except OSError:
        return None
    return next(((parts[2], parts[5]) for line in lines if (parts := line.split(":"))[0] == name and len(parts) > 5), None)


PLACES = ("/var/lib", "/srv", "/mnt", "/media", "/data")
"""Below these a service's data lies (hier(7)), /data being our own example of a partition for it; and below a login's home."""


def _may_have(root: Path, data: str, home: str, own: bool) -> None:
    """The folder is made private to the station: only one that holds nothing else, and in no place of the system's."""
    folder, where = root / data[1:], f"install-service: --data {data}"
    places = [*PLACES, *([home] if home.strip("/") else [])]
    if not any(PurePosixPath(place) in PurePosixPath(data).parents for place in places):
        raise Refusal(f"{where} would be made private to the station: name a folder of its own below {', '.join(places)}, "
                          f"such as {DATA}.")
    try:
        if folder.resolve() != root.resolve() / data[1:]:
            raise Refusal(f"{where} is reached by a link, to {folder.resolve()}: name the folder itself.")
        if not folder.exists() or own or (folder / "journal").is_dir():
            return
        if not folder.is_dir() or {path.name for path in folder.iterdir()} - {"lost+found"}:
            raise Refusal(f"{where} holds something else, which would be made private to the station: name an empty or a new "
                              "folder.")
    except (OSError, RuntimeError) as error:
        why = error.strerror if isinstance(error, OSError) else "its links go in a circle"
        raise Refusal(f"{where} can't be looked into ({why}): start this with sudo.") from None


USUAL = {"user": USER, "data": DATA, "test": "sequential", "board": OFF, "send": OFF}
"""Of what is not given."""
BESIDE = {BOARD_UNIT: "board", SEND_UNIT: "send"}
"""Units beside the station's, by the option that wants them."""


def _there(root: Path) -> dict[str, str]:
    """What an earlier installation runs with, by the names of the options; empty where there is none."""
    try:
        unit = (root / UNIT).read_text(encoding="utf-8")
    except OSError:
        return {}
    user = re.search(r"^User=(\S+)$", unit, re.MULTILINE)
    started = re.search(r"^ExecStart=\S+ (?:run )?(\S+)(.*)$", unit, re.MULTILINE)
    installed = {"data": _data_of(root / TMPFILES)}
    if user:
        installed["user"] = user[1]
    if started:
        installed["test"] = started[1]
        if f"--job {ETC}/job.toml" in started[2] and (root / ETC[1:] / "job.toml").is_file():
            installed["job"] = f"{ETC}/job.toml"
    with suppress(OSError):
        on = re.search(r"^ExecStart=\S+ board --on (\S+)", (root / BOARD_UNIT).read_text(encoding="utf-8"), re.MULTILINE)
        installed |= {"board": on[1]} if on else {}
    if (root / SEND_UNIT).is_file():
        installed["send"] = ON
    return installed


def _data_of(tmpfiles: Path) -> str:
    try:
        return next(line.split()[1] for line in tmpfiles.read_text(encoding="utf-8").splitlines() if line.startswith("d "))
    except (OSError, StopIteration, IndexError):
        return DATA


def _this_program() -> str:
    """The command as it was typed, links and all: a link "current" must stay a link, so that an upgrade is followed."""
    typed = shutil.which(sys.argv[0]) or ""
    beside = Path(sys.executable).with_name("bowlside")
    return os.path.abspath(typed) if Path(typed).name == "bowlside" else str(beside)


def _reachable(program: str, own_user: bool) -> None:
    """A user of its own can't read what lies in somebody's home."""
    if own_user and _in_a_home(program):
        raise Refusal(f"install-service: {program} lies in somebody's home, where a user of its own can't read it: name that "
                          "login with --user, or install from a bundle (bowlside bundle).")


def _hears(model: str, own_user: bool) -> None:
    """A model that was chosen and can't be read leaves the station without hearing, and nobody sees the log that says so."""
    if own_user and _in_a_home(model):
        raise Refusal(f"install-service: [hearing] model = \"{model}\" lies in somebody's home, where a user of its own "
                          "can't read it: put the model elsewhere, take that line out, or name that login with --user.")


def _in_a_home(path: str) -> bool:
    return path.startswith("~") or Path(path).parts[1:2] in (("home",), ("root",))
