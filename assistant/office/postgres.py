"""A PostgreSQL of our own in a folder: for a trial and for the tests, from Debian's package.

A cluster listens on a socket that only its owner can reach, and on no network: whoever may open the folder is trusted, so there
is no password to keep. PostgreSQL refuses to run as root; there it runs as its own user. It dies with the process that started it
(prctl(2), PR_SET_PDEATHSIG, by setpriv(1)); what was committed is on the disk, and the next start goes on from there.
"""
from __future__ import annotations

import fcntl
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from psycopg.conninfo import make_conninfo

from assistant.files.refusal import Refusal

HOME = Path("/usr/lib/postgresql")
"""Where Debian keeps each version: HOME/15/bin."""
NONE = "There is no PostgreSQL on this machine. Type: sudo apt install {}"
OWNER = "bowlside"
"""The role that owns our databases. No superuser, for whom no row security would hold."""
SOCKET_BYTES = 107
"""Of a socket's path, unix(7)."""
START_S, STOP_S = 120.0, 60.0
"""To be ready, also after a crash on a slow card; to end by itself."""
LOG_BYTES = 10_000_000


def programs(version: str = "", wanted: str = "postgres") -> Path:
    """The folder of PostgreSQL's programs, of the newest version that has the one ``wanted``, or of that one. Raises Refusal."""
    found = sorted((path for path in HOME.glob("*/bin") if (path / wanted).exists() and path.parent.name.isdecimal()),
                   key=lambda path: int(path.parent.name))
    if not found:
        raise Refusal(NONE.format("postgresql" if wanted == "postgres" else "postgresql-client"))
    if not version:
        return found[-1]
    for path in found:
        if path.parent.name == version:
            return path
    raise Refusal(f"This database was made by PostgreSQL {version}, which is not on this machine. "
                  f"Type: sudo apt install postgresql-{version}")


class Cluster:
    """PostgreSQL's own data, running, within ``with``. ``safe``: what was committed outlives a power cut; off for tests alone."""

    def __init__(self, folder: Path, safe: bool = True) -> None:
        self.folder, self._safe = folder.absolute(), safe
        self._data = self.folder / "data"
        self._user = _another_user()
        self._process: subprocess.Popen[bytes] | None = None
        self._socket = self.folder / "socket"
        self._lock = -1

    def __enter__(self) -> Cluster:
        """Make it where there is none, and start it. Raises Refusal."""
        programs()
        try:
            self._own(self.folder)
            self._lock = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self._release()
            raise Refusal(f"Another process is using the database in {self.folder}: end it, or choose another folder.") from None
        except OSError as error:
            self._release()
            raise Refusal(f"The folder {self.folder} can't be used ({error.strerror}): choose another.") from None
        try:
            if not self._data.exists():
                self._make()
            if len(os.fsencode(self._socket / ".s.PGSQL.5432")) > SOCKET_BYTES:
                self._socket = Path(tempfile.mkdtemp(prefix="bowlside-", dir="/tmp"))
            self._own(self._socket)
            self._end(self._left_behind())
            self.start()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *error: object) -> None:
        self.stop()
        if self._socket.parent != self.folder:
            shutil.rmtree(self._socket, ignore_errors=True)
        self._release()

    def url(self, database: str = OWNER, user: str = OWNER) -> str:
        """What libpq and psycopg connect by. ``user="postgres"`` is the superuser."""
        return make_conninfo(host=str(self._socket), port=5432, user=user, dbname=database)

    @property
    def alive(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Until it takes connections. It dies with the thread that calls this. Raises Refusal."""
        deadline = time.monotonic() + START_S
        while not self._started(deadline):
            time.sleep(0.1)     # what the killed one left is still ending

    def stop(self) -> None:
        """Nothing committed is lost; who is connected is cut off."""
        if self._process is not None:
            self._end(self._process.pid)
            self._process = None

    def kill(self) -> None:
        """As by kill -9; ``start`` goes on."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def _make(self) -> None:
        making = self.folder / "making"
        shutil.rmtree(making, ignore_errors=True)
        done = subprocess.run(
            [programs() / "initdb", "--pgdata", making, "--username", "postgres", "--encoding", "UTF8", "--locale", "C",
             "--data-checksums", "--auth-local", "trust", "--auth-host", "reject", *([] if self._safe else ["--no-sync"])],
            stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace", **self._as())
        if done.returncode:
            why = done.stderr.strip().rpartition("\n")[2]
            raise Refusal(f"No database could be made in {self.folder} ({why}).{self._who()}")
        single = subprocess.run(
            [programs() / "postgres", "--single", "-D", making, "postgres"], input=f'CREATE ROLE "{OWNER}" LOGIN CREATEDB CREATEROLE\n',
            capture_output=True, text=True, errors="replace", **self._as())
        if single.returncode:
            raise Refusal(f"No database could be made in {self.folder} ({single.stderr.strip().rpartition(chr(10))[2]}).")
        making.rename(self._data)

    def _started(self, deadline: float) -> bool:
        log = self.folder / "log"
        if log.exists() and log.stat().st_size > LOG_BYTES:
            log.replace(self.folder / "log.old")
        settings = {"listen_addresses": "", "unix_socket_directories": str(self._socket), "unix_socket_permissions": "0700",
                    "logging_collector": "off"}
        if not self._safe:      # a killed process still loses nothing: only a power cut would
            settings |= {"fsync": "off", "full_page_writes": "off", "shared_buffers": "32MB", "max_wal_size": "256MB",
                         "autovacuum_naptime": "1h"}
        program = programs((self._data / "PG_VERSION").read_text().strip()) / "postgres"
        command = ["setpriv", "--pdeathsig", "INT", "--", str(program),
                   "-D", str(self._data), *(f"--{name}={value}" for name, value in settings.items())]
        with log.open("ab") as told:
            since = told.tell()
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=told, stderr=told,
                                             start_new_session=True, **self._as())
        while not self._ready():
            if self._process.poll() is not None or time.monotonic() > deadline:
                self.kill()
                with log.open("rb") as told:
                    told.seek(since)
                    said = told.read().decode(errors="replace").strip()
                if "shared memory block" in said and time.monotonic() < deadline:
                    return False
                why = next((line for line in said.splitlines() if "FATAL" in line), said.rpartition("\n")[2]) or "no word why"
                raise Refusal(f"The database in {self.folder} does not start ({why}). Its whole story is in {log}.{self._who()}")
            time.sleep(0.02)
        return True

    def _ready(self) -> bool:
        """As pg_ctl looks: its file's first line is the process, the eighth says what it does."""
        try:
            lines = (self._data / "postmaster.pid").read_text().splitlines()
        except OSError:
            return False
        assert self._process is not None
        return len(lines) > 7 and lines[0] == str(self._process.pid) and lines[7].strip() == "ready"

    def _left_behind(self) -> int | None:
        """The process of a start that was killed itself, if it is still ending."""
        with suppress(OSError, ValueError, IndexError):
            pid = int((self._data / "postmaster.pid").read_text().splitlines()[0])
            if os.fsencode(self._data) in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
                return pid
        return None

    def _end(self, pid: int | None) -> None:
        for how, seconds in (signal.SIGINT, STOP_S), (signal.SIGKILL, STOP_S):
            if pid is None or _gone(pid):
                return
            with suppress(ProcessLookupError):
                os.kill(pid, how)
            deadline = time.monotonic() + seconds
            while not self._reaped(pid) and time.monotonic() < deadline:
                time.sleep(0.02)

    def _reaped(self, pid: int) -> bool:
        if self._process is not None and self._process.pid == pid:
            return self._process.poll() is not None
        return _gone(pid)

    def _own(self, folder: Path) -> None:
        """A folder of PostgreSQL's user alone."""
        folder.mkdir(parents=True, exist_ok=True)
        if self._user is not None:
            os.chown(folder, self._user.pw_uid, self._user.pw_gid)
        folder.chmod(0o700)

    def _as(self) -> dict[str, Any]:
        """Who runs it, and where. Nothing of the user's own settings of PostgreSQL."""
        them: dict[str, Any] = {"cwd": "/", "env": {"PATH": os.environ.get("PATH", os.defpath), "LC_ALL": "C", "TZ": "UTC"}}
        if self._user is not None:
            them |= {"user": self._user.pw_uid, "group": self._user.pw_gid, "extra_groups": []}
        return them

    def _who(self) -> str:
        """Who must be able to reach the folder, where that is not who is asking."""
        if self._user is None:
            return ""
        return f" PostgreSQL does not run as root, so it runs as {self._user.pw_name}, who must be able to reach the folder."

    def _release(self) -> None:
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1


def running(folder: Path) -> str:
    """The address of our database in the cluster that runs in ``folder``, whoever started it. Raises Refusal."""
    try:
        lines = (folder / "data" / "postmaster.pid").read_text().splitlines()
        if not _gone(int(lines[0])):
            return make_conninfo(host=lines[4], port=5432, user=OWNER, dbname=OWNER)
    except PermissionError:
        raise Refusal(f"The database in {folder} is another user's: type this as the one who started it.") from None
    except (OSError, ValueError, IndexError):
        pass
    raise Refusal(f"No database runs in {folder}.")


def _another_user() -> pwd.struct_passwd | None:
    """Who runs PostgreSQL for root: its own user, else nobody."""
    if os.geteuid():
        return None
    with suppress(KeyError):
        return pwd.getpwnam("postgres")
    return pwd.getpwnam("nobody")


def _gone(pid: int) -> bool:
    """Also where nobody asks after a dead process."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True
