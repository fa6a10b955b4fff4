"""One instance of the office: uvicorn with TLS over the pages and the intake, and the processes that derive beside it.

It keeps nothing but connections, so any number of instances may serve one database.
"""
from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

import uvicorn

from assistant.board import connections
from assistant.files.refusal import Refusal
from assistant.office import database, readers, tls

LOOK_S, AGAIN_S = 0.5, 5.0
"""How often is looked; how soon after its last start a worker that ended is started again."""


class Limited(connections.Limited):
    """Many stations may stand behind one address. Ours."""

    most, most_of_one = 4000, 2000
    open = Counter()


class Keeper:
    """Looks each half second whether what must run does, and starts it again; within ``with``."""

    def __init__(self, looks: list[Callable[[], None]]) -> None:
        self._looks, self._over = looks, threading.Event()
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def __enter__(self) -> Keeper:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._over.wait(LOOK_S):
            try:
                for look in self._looks:
                    look()
            except Refusal as why:
                print(f"bowlside: {why}", file=sys.stderr, flush=True)
                os.kill(os.getpid(), signal.SIGTERM)    # what it needs is not to be had
                return


class Workers:
    """Processes that derive tests from what came in; each ends with this one, however this one ends."""

    def __init__(self, url: str, count: int) -> None:
        self._command = ["setpriv", "--pdeathsig", "KILL", "--", sys.executable, "-m", "assistant.cli", "office", "derive"]
        self._variables = {**os.environ, "BOWLSIDE_DATABASE": url}
        self._running: list[subprocess.Popen[bytes] | None] = [None] * count
        self._since = [float("-inf")] * count

    def __enter__(self) -> Workers:
        self.look()
        return self

    def look(self) -> None:
        """Start what does not run."""
        for place, process in enumerate(self._running):
            if (process is None or process.poll() is not None) and time.monotonic() - self._since[place] > AGAIN_S:
                self._since[place] = time.monotonic()
                self._running[place] = subprocess.Popen(self._command, env=self._variables, stdin=subprocess.DEVNULL,
                                                        stdout=subprocess.DEVNULL, start_new_session=True)

    def __exit__(self, *error: object) -> None:
        for process in self._running:
            if process is not None:
                process.kill()      # what it had begun is a transaction
                process.wait()


def prepare(url: str) -> None:
    """The tables brought up to date, and the pages' own role let in. Raises Refusal."""
    database.upgrade(url)
    with database.connect(url) as connection:
        readers.let_web_in(connection, url)


def listening(address: str, port: int) -> socket.socket:
    """Raises Refusal."""
    try:
        return connections.listening(address, port)
    except OSError as error:
        raise Refusal(f"office: {address} port {port} can't be used ({error.strerror}): is an office running already? "
                      "Choose an address of this machine with --on, or another --port.") from None


def serve(url: str, name: str, sock: socket.socket, certificate: Path, key: Path, workers: int, ready: Callable[[], None],
          looks: Sequence[Callable[[], None]] = ()) -> None:
    """Until SIGTERM or Ctrl-C.

    name   what the office calls itself to a station
    ready  called once it is open
    looks  what else the Keeper looks after
    """
    from assistant.office import web
    from assistant.office.pages.routes import rooms
    context = tls.context(certificate, key)
    with ExitStack() as stack:
        pool, pages = (stack.enter_context(database.pool(each)) for each in (url, readers.web_url(url)))
        kept = stack.enter_context(Workers(url, workers))
        stack.enter_context(Keeper([*looks, kept.look]))
        config = uvicorn.Config(web.app(pool, name, rooms(pages)), **connections.settings(Limited) | {"timeout_graceful_shutdown": 5})
        config.load()
        config.ssl = context
        ready()
        connections.run(uvicorn.Server(config), sock, Limited.most)
