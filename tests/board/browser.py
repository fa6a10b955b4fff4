"""Debian's Chromium and Firefox, driven by the W3C's WebDriver BiDi over a web socket: one small client for both."""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

CHROMIUM = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
]
QUIET = {
    "app.normandy.enabled": False,
    "app.update.enabled": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "browser.safebrowsing.downloads.remote.enabled": False,
    "toolkit.telemetry.unified": False,
    "services.settings.server": "data:,",
    "extensions.getAddons.cache.enabled": False,
    "browser.region.network.url": "",
    "remote.active-protocols": 1,
}
"""Firefox looks for nothing outside."""


def here() -> list[str]:
    found = {
        "chromium": shutil.which("chromium") and shutil.which("chromedriver"),
        "firefox": shutil.which("firefox-esr") or shutil.which("firefox"),
    }
    return [name for name, path in found.items() if path]


class Browser:
    """One browser with one tab."""

    def __init__(self, link: ClientConnection) -> None:
        self._link, self._count = link, 0
        self.tab = ""

    def do(self, method: str, **params: Any) -> dict[str, Any]:
        """Raises RuntimeError with the browser's own words."""
        self._count += 1
        self._link.send(json.dumps({"id": self._count, "method": method, "params": params}))
        while True:
            answer = json.loads(self._link.recv(timeout=60))
            if answer.get("id") == self._count:
                if answer["type"] == "error":
                    raise RuntimeError(f"{method}: {answer['message']}")
                return answer["result"]

    def open(self, url: str) -> None:
        self.do("browsingContext.navigate", context=self.tab, url=url, wait="complete")

    def js(self, expression: str) -> Any:
        """What it is worth, awaited; objects as JSON."""
        done = self.do(
            "script.evaluate",
            expression=f"(async () => JSON.stringify(await ({expression})))()",
            target={"context": self.tab},
            awaitPromise=True,
        )
        if done["type"] == "exception":
            raise RuntimeError(done["exceptionDetails"]["text"])
        return json.loads(done["result"].get("value") or "null")

    def until(self, expression: str, limit_s: float = 30) -> Any:
        """Its value as soon as it is true."""
        until = time.monotonic() + limit_s
        while True:
            with contextlib.suppress(RuntimeError):  # the page is just being left
                if found := self.js(expression):
                    return found
            if time.monotonic() > until:
                raise AssertionError(f"never: {expression}; the page says: {self.js('document.body.innerText')}")
            time.sleep(0.05)

    def size(self, wide: int, high: int) -> None:
        self.do("browsingContext.setViewport", context=self.tab, viewport={"width": wide, "height": high})

    def picture(self, path: Path, whole: bool = True) -> None:
        done = self.do("browsingContext.captureScreenshot", context=self.tab, origin="document" if whole else "viewport")
        path.write_bytes(base64.b64decode(done["data"]))

    def press(self, *keys: str) -> None:
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self.do("input.performActions", context=self.tab, actions=[{"type": "key", "id": "keys", "actions": actions}])


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return sock.getsockname()[1]


def _ask(url: str, data: Any = None, method: str = "GET") -> Any:
    request = urllib.request.Request(
        url,
        json.dumps(data).encode() if data is not None else None,
        {"content-type": "application/json"},
        method="POST" if data is not None else method,
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        return json.load(answer)


def _tried(attempt, process: subprocess.Popen, limit_s: float = 60):
    until = time.monotonic() + limit_s
    while True:
        try:
            return attempt()
        except (OSError, TimeoutError) as error:
            if time.monotonic() > until or process.poll() is not None:
                raise RuntimeError(f"the browser does not start: {error}") from error
            time.sleep(0.1)


@contextlib.contextmanager
def started(name: str, dark: bool = False, more: Sequence[str] = (), prefs: Mapping[str, Any] | None = None) -> Iterator[Browser]:
    """``name`` of `here`; its profile is new and goes with it."""
    port = _free_port()
    with tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True) as profile:
        if name == "chromium":
            command = [shutil.which("chromedriver") or "", f"--port={port}"]
        else:
            prefs = {**QUIET, "layout.css.prefers-color-scheme.content-override": 0 if dark else 1, **(prefs or {})}
            Path(profile, "user.js").write_text(
                "".join(f"user_pref({json.dumps(key)}, {json.dumps(value)});\n" for key, value in prefs.items())
            )
            command = [
                shutil.which("firefox-esr") or "firefox",
                "--headless",
                "--no-remote",
                "--profile",
                profile,
                f"--remote-debugging-port={port}",
            ]
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        session = ""
        try:
            if name == "chromium":
                options = {
                    "binary": shutil.which("chromium"),
                    "args": [
                        *CHROMIUM,
                        f"--user-data-dir={profile}",
                        *(["--blink-settings=preferredColorScheme=0"] if dark else []),
                        *more,
                    ],
                }
                made = _tried(
                    lambda: _ask(
                        f"http://127.0.0.1:{port}/session",
                        {
                            "capabilities": {
                                "alwaysMatch": {"browserName": "chrome", "webSocketUrl": True, "goog:chromeOptions": options}
                            }
                        },
                    ),
                    process,
                )["value"]
                session, link = made["sessionId"], connect(made["capabilities"]["webSocketUrl"], max_size=None, legacy=True)
                browser = Browser(link)
            else:
                link = _tried(lambda: connect(f"ws://127.0.0.1:{port}/session", max_size=None, legacy=True), process)
                browser = Browser(link)
                browser.do("session.new", capabilities={})
            browser.tab = browser.do("browsingContext.getTree")["contexts"][0]["context"]
            yield browser
        finally:
            if session:
                with contextlib.suppress(OSError):
                    _ask(f"http://127.0.0.1:{port}/session/{session}", method="DELETE")
            else:
                with contextlib.suppress(Exception):
                    browser.do("browser.close")
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
