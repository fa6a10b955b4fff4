"""`python -m tests.bench.board_pages [--phones 30] [--events 200]`: how fast the crew's board tells, and what it costs.

The board as a process of its own and a publisher that writes as the station does. First a page in each browser, paired: for each
of the events, from just before the file is written to when the page has changed (an observer of the page, both by the wall
clock). Then as many phones (plain HTTP listeners, each from an address of its own) while the file changes once a second, as in a
leak hold, and ten times a second, the most that a station writes: the board's processor time over the time that passed.
"""

from __future__ import annotations

import argparse
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

from tests.board import browser, publisher
from tests.command import ROOT

WATCH = """(() => {
    window.seen = {};
    new MutationObserver(() => {
        const found = /Event ([0-9]+)\\./.exec(document.querySelector("#do").textContent);
        if (found && !(found[1] in window.seen)) window.seen[found[1]] = performance.timeOrigin + performance.now();
    }).observe(document.querySelector("#do"), {childList: true, subtree: true});
})()"""


class Served:
    """`bowlside board` on a folder, and what it takes of a processor."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        publisher.whole(folder / "published")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "assistant", "board", "--port", "0", "--board-folder", str(folder / "published")],
            cwd=ROOT,
            env={**os.environ, "XDG_STATE_HOME": str(folder)},
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout
        self.url = self.process.stdout.readline().strip()
        self.code = self.process.stdout.readline().split()[1].rstrip(".")
        self.process.stdout.readline()
        self.port = int(self.url.rstrip("/").rpartition(":")[2])

    def cpu_s(self) -> float:
        """User and system: proc_pid_stat(5)."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(") ")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def memory_mb(self) -> float:
        return int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

    def put(self, seq: int, began: float) -> None:
        """A leak hold that goes on: the curve grows with each second."""
        gone = int(time.monotonic() - began)
        points = [[s, round(-0.0004 * s - 0.03 * (1 - 0.97**s), 3)] for s in range(gone + 1)]
        publisher.put(
            self.folder / "published", "now.json", publisher.now(seq, do=f"Event {seq}.", curve={"unit": "psi", "points": points})
        )


def told(served: Served, events: int, name: str) -> list[float]:
    """Milliseconds from the writing to the page, in order."""
    with browser.started(name) as page:
        page.open(served.url)
        page.until("document.activeElement.id == 'code'")
        page.press(*served.code, "\ue007")
        page.until("typeof shown != 'undefined' && shown.size > 0")
        page.js(WATCH)
        wrote, began = {}, time.monotonic()
        for seq in range(2, events + 2):
            wrote[seq] = time.time() * 1000
            served.put(seq, began)
            time.sleep(0.15 + 0.1 * (seq * 7 % 10) / 10)  # at no fixed place between two looks of the board
        time.sleep(1)
        seen = page.js("window.seen")
    return [seen[str(seq)] - wrote[seq] for seq in wrote if str(seq) in seen]


def cost(served: Served, phones: int, a_second: float, for_s: float) -> tuple[float, int]:
    """Share of a core, percent, and messages that one phone got."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    with opener.open(f"{served.url}pair", f"code={served.code}".encode()) as answer:
        assert answer.url == served.url
    jar = next(handler for handler in opener.handlers if isinstance(handler, urllib.request.HTTPCookieProcessor)).cookiejar
    cookie = next(iter(jar)).value
    got = [0] * phones
    links = []
    for number in range(phones):
        link = socket.create_connection(("127.0.0.1", served.port), source_address=(f"127.0.2.{number + 1}", 0))
        link.sendall(f"GET /events?page=now HTTP/1.0\r\nHost: 127.0.0.1\r\nCookie: board={cookie}\r\n\r\n".encode())
        links.append(link)

    def listen(number: int) -> None:
        while part := links[number].recv(65536):
            got[number] += part.count(b"data: ")

    threads = [threading.Thread(target=listen, args=(number,), daemon=True) for number in range(phones)]
    for thread in threads:
        thread.start()
    time.sleep(1)
    before, began, seq = served.cpu_s(), time.monotonic(), 10_000
    while time.monotonic() - began < for_s:
        seq += 1
        served.put(seq, began)
        time.sleep(max(0.0, (seq - 10_000) / a_second - (time.monotonic() - began)))
    share = 100 * (served.cpu_s() - before) / (time.monotonic() - began)
    for link in links:
        link.shutdown(socket.SHUT_RDWR)
        link.close()
    return share, min(got)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--phones", type=int, default=30)
    parser.add_argument("--events", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=60.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="board-", dir="/dev/shm") as folder:
        served = Served(Path(folder))
        try:
            for name in browser.here():
                delays = sorted(told(served, args.events, name))
                print(
                    f"{name}: {len(delays)} of {args.events} events on the page; "
                    f"median {statistics.median(delays):.0f} ms, 95 % within "
                    f"{delays[int(0.95 * len(delays))]:.0f}, most {delays[-1]:.0f}; load of the machine {os.getloadavg()[0]:.1f}",
                    flush=True,
                )
            for phones, a_second in ((0, 0), (args.phones, 1), (args.phones, 10)):
                share, got = cost(served, phones, a_second, args.seconds) if phones else (idle(served, args.seconds), 0)
                print(
                    f"{phones} phones, {a_second} changes a second: {share:.1f} % of a core, at least {got} messages each, "
                    f"{served.memory_mb():.0f} MB",
                    flush=True,
                )
        finally:
            served.process.terminate()
            served.process.wait(30)


def idle(served: Served, for_s: float) -> float:
    before, began = served.cpu_s(), time.monotonic()
    time.sleep(for_s)
    return 100 * (served.cpu_s() - before) / (time.monotonic() - began)


if __name__ == "__main__":
    main()
