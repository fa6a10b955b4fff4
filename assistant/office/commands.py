"""``bowlside office``: trial and run, stations, backup and restore.

What is installed on the office's machine alone is imported when it is needed: a station has this command line too.
"""
from __future__ import annotations

import argparse
import os
import signal
import socket
import sys
import uuid
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from shlex import quote

from assistant.board.commands import _address, _port
from assistant.files import plain
from assistant.files.jsonline import dumps
from assistant.files.refusal import Refusal
from assistant.office import reader_commands

DATABASE = "BOWLSIDE_DATABASE"
INSTALLED = Path("/etc/bowlside-office/office.conf")
"""Of the office that systemd runs here (bowlside-office.service): a line BOWLSIDE_DATABASE=URL."""
Do = Callable[[argparse.Namespace], int]


def add_arguments(top: argparse.ArgumentParser) -> None:
    inner = top.add_subparsers(metavar="WHAT")

    def command(name: str, text: str, do: Do, database: bool = True) -> argparse.ArgumentParser:
        added = inner.add_parser(name, help=text, description=text)
        added.set_defaults(do=_with_packages(do))
        if database:
            added.add_argument("--database", metavar="URL", help="the office's database, as postgresql://user@machine/name "
                               f"(the variable {DATABASE}, else what {INSTALLED} says, else the trial that runs here)")
        return added

    trial = command("trial", "An office to try: makes and starts a database and a certificate of its own.", _trial, False)
    _folder(trial)
    _serving(trial)
    run = command("run", "An office for real, on a PostgreSQL and with a certificate of yours.", _run)
    run.add_argument("--certificate", type=Path, metavar="FILE", required=True, help="the certificate with its chain, PEM")
    run.add_argument("--key", type=Path, metavar="FILE", required=True, help="its key, PEM, without a password")
    _serving(run)
    command("derive", "Work out tests from what came in, until stopped; trial and run start it by themselves.", _derive)
    enrol = command("enrol", "A code by which a station enrols: good once, for an hour.", _enrol)
    enrol.add_argument("--practice", action="store_true", help="in a trial: of this station nothing but practice is taken")
    revoke = command("revoke", "Take nothing of a station any more; what it sent stays.", _revoke)
    stations = command("stations", "Every station: when it was heard, what it has still to send, its records.", _stations)
    stations.add_argument("--json", action="store_true", help="one JSON object a line")
    move = command("move", "From now on another station sends a record, as after a change of its card.", _move)
    move.add_argument("record", metavar="RECORD", type=_record, help="the record's number in bowlside office stations")
    backup = command("backup", "Write all that the office has into a new file; it may go on meanwhile.", _backup)
    backup.add_argument("file", metavar="FILE", type=Path, help="a file that does not exist yet")
    restore = command("restore", "Bring a backup into an empty database.", _restore)
    restore.add_argument("file", metavar="FILE", type=Path, help="what backup wrote")
    for named in (enrol, revoke, move):
        named.add_argument("name", metavar="NAME", help="the station's name")
    reader = command("reader", "Who may look: add a person or a tool, grant jobs, revoke, list.", partial(reader_commands.reader, url=_url))
    reader_commands.reader_arguments(reader)
    job = command("job", "A job's file; whether its people may be compared, and how long their names are kept.",
                  partial(reader_commands.job, url=_url))
    reader_commands.job_arguments(job)
    reader_commands.verify_arguments(command("verify", "Whether an export is what the stations recorded.", reader_commands.verify, False))
    for beside in (enrol, revoke, stations, move, backup, restore, reader, job):
        _folder(beside)


def _folder(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--folder", type=Path, metavar="DIR", help="the trial's folder (one of this user's own)")


def _serving(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--on", metavar="ADDRESS", type=_address, default="0.0.0.0",
                        help="the address that it listens on, by number, or all (all)")
    parser.add_argument("--port", metavar="N", type=_port, default=8443, help="the port (8443)")
    parser.add_argument("--name", metavar="TEXT", default=socket.gethostname(), help="what it calls itself (this machine's name)")
    parser.add_argument("--workers", metavar="N", type=_count, default=1, help="processes that derive tests (1)")


def _with_packages(do: Do) -> Do:
    """The command, or a sentence where this machine was set up as a station only."""
    def checked(args: argparse.Namespace) -> int:
        try:
            import psycopg  # noqa: F401
        except ModuleNotFoundError as error:
            raise Refusal(f"The package {error.name} is missing, which only an office needs. In the project's folder "
                          "python3 assistant office installs it.") from None
        return do(args)
    return checked


def _trial(args: argparse.Namespace) -> int:
    from assistant.office import trial
    where = (args.folder or trial.folder()).absolute()
    return _until_stopped(lambda: trial.run(where, args.name, args.on, args.port, args.workers))


def _run(args: argparse.Namespace) -> int:
    from assistant.office import database, readers, server, tls
    url = args.database or os.environ.get(DATABASE)
    if not url:
        raise Refusal("office run: name the database with --database, as postgresql:///bowlside; to try it without one, "
                      "bowlside office trial.")
    tls.context(args.certificate, args.key)
    if old := tls.ran_out(args.certificate):
        print(f"bowlside: {old}", file=sys.stderr)

    def serve() -> None:
        with server.listening(args.on, args.port) as sock:
            server.prepare(url)
            with database.connect(url) as owner:
                key = readers.first(owner)

            def ready() -> None:
                if key:     # once: from now on it stands nowhere
                    print(f"Its first reader sees all, by this key, which is shown this once: {key}")
                print(f"The office is open on port {sock.getsockname()[1]}. Ctrl-C ends it.", flush=True)
            server.serve(url, args.name, sock, args.certificate, args.key, args.workers, ready)
    return _until_stopped(serve)


def _until_stopped(serve: Callable[[], None]) -> int:
    """Ctrl-C and SIGTERM end it in order, and that is no failure."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    with suppress(KeyboardInterrupt):
        serve()
    print("\nThe office is closed. What stations send meanwhile waits at the stations.")
    return 0


def _derive(args: argparse.Namespace) -> int:
    from assistant.office import derive
    derive.work(_url(args))
    return 0


def _enrol(args: argparse.Namespace) -> int:
    from assistant.office import database, stations, trial
    where = _trials_folder(args)
    if args.practice and where is None:
        raise Refusal("office enrol: --practice is for a trial only, so that practice never mixes with results: "
                      "bowlside office trial starts one.")
    with database.connect(_url(args)) as db:
        code = stations.code(db, args.name, args.practice)
    print(f"Code {code}: good once, until {code.expires.astimezone():%H:%M}. At the station type:")
    told = trial.told(where) if where else {}
    address = (told.get("urls") or ["https://ADDRESS-OF-THE-OFFICE:8443"])[0]
    more = (["--authority", quote(told["authority"])] if told else []) + ["--practice"] * args.practice
    print(" ".join(["    bowlside send enrol", address, "--code", f"{code.digits[:4]}-{code.digits[4:]}", *more]))
    if told:
        print("On another machine it needs a copy of that file, which is no secret.")
    return 0


def _revoke(args: argparse.Namespace) -> int:
    from assistant.office import database, stations
    with database.connect(_url(args)) as db:
        stations.revoke(db, args.name)
    print(f"{args.name} is revoked: nothing of it is taken any more. What it sent stays. To take it back: "
          f"bowlside office enrol {quote(args.name)}")
    return 0


def _stations(args: argparse.Namespace) -> int:
    from assistant.office import database
    with database.connect(_url(args)) as db:
        rows = db.execute(
            "SELECT name, practice, revoked_at, heard_at, waiting, program, "
            "array(SELECT r.id::text FROM office.records r WHERE r.station = s.id ORDER BY r.first_seen, r.id) "
            "FROM office.stations s ORDER BY name").fetchall()
    for name, practice, revoked, heard, waiting, program, records in rows:
        if args.json:
            print(dumps({"name": name, "practice": practice, "revoked": revoked and revoked.isoformat(),
                         "heard": heard and heard.isoformat(), "waiting": waiting, "program": program, "records": records}))
            continue
        state = "revoked" if revoked else f"heard {heard.astimezone():%Y-%m-%d %H:%M}" if heard else "never heard"
        print(f"{plain.tamed(name):<24} {state:<24} {f'{waiting} to send' if waiting else 'all sent' if heard else '':<12}"
              f"{' practice' if practice else ''}")
        for record in records:
            print(f"    record {record}")
    if not rows and not args.json:
        print("No station is enrolled: bowlside office enrol NAME makes a code for the first.")
    return 0


def _move(args: argparse.Namespace) -> int:
    from assistant.office import database, stations
    with database.connect(_url(args)) as db:
        stations.move(db, args.record, args.name)
    print(f"From now on {args.name} sends record {args.record}.")
    return 0


def _backup(args: argparse.Namespace) -> int:
    from assistant.office import backup
    size = backup.backup(_address_of(args), args.file)
    print(f"{args.file}: {size:,} bytes. It holds everything; keep it where only you can read it.")
    return 0


def _restore(args: argparse.Namespace) -> int:
    from assistant.office import backup
    version = backup.restore(_address_of(args), args.file)
    print(f"Restored, and of version {version}. What came after the backup the stations send again when they are next heard.")
    return 0


def _url(args: argparse.Namespace) -> str:
    """Of the database that a command is about, with the tables that this program knows. Raises Refusal."""
    from assistant.office import database
    url = _address_of(args)
    its, ours = database.version(url), database.newest()
    if its is None:
        raise Refusal("office: there is no office in that database yet: bowlside office run makes it. Or is its address wrong?")
    if its != ours:
        raise Refusal(f"office: its tables are of version {its} and this program's of {ours}: upgrade what is older, and start the "
                      "office, which brings them up to date.")
    return url


def _address_of(args: argparse.Namespace) -> str:
    """Raises Refusal."""
    from assistant.office import trial
    where = _trials_folder(args)
    return _named(args) if where is None else trial.its_database(where)


def _trials_folder(args: argparse.Namespace) -> Path | None:
    """None where a database is named."""
    from assistant.office import trial
    folder = getattr(args, "folder", None)
    if folder and args.database:
        raise Refusal("office: name the database with --database, or the trial's folder with --folder, not both.")
    return None if not folder and _named(args) else (folder or trial.folder()).absolute()


def _named(args: argparse.Namespace) -> str:
    """The database's address where one is named; else empty."""
    if url := args.database or os.environ.get(DATABASE):
        return str(url)
    try:
        lines = INSTALLED.read_text(encoding="utf-8").splitlines()
    except PermissionError:
        raise Refusal(f"office: an office is installed here, and only root may read {INSTALLED}: type this with sudo. For a "
                      "trial beside it add --folder DIR.") from None
    except (OSError, UnicodeDecodeError):
        return ""
    named = [line.partition("=")[2].strip().strip("\"'") for line in lines if line.startswith(f"{DATABASE}=")]
    return named[-1] if named else ""


def _record(text: str) -> uuid.UUID:
    try:
        return uuid.UUID(text)
    except ValueError:
        raise argparse.ArgumentTypeError("give the record's whole number, as bowlside office stations shows it") from None


def _count(text: str) -> int:
    if text.isdecimal() and 1 <= int(text) <= 64:
        return int(text)
    raise argparse.ArgumentTypeError("give a number from 1 to 64")
