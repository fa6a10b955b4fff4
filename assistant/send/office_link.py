"""The office, as the station speaks with it: HTTPS, JSON, the station's key. What is wrong is one sentence that says what to do.

The office's certificate is held against the system's authorities or the one that was given at enrolment. No redirect is followed: the
key goes to the address that was typed and nowhere else. It is never printed.
"""
from __future__ import annotations

import gzip
import json
import re
import ssl
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

import requests
from requests.utils import get_environ_proxies

from assistant.files.plain import MOST as LINE
from assistant.files.plain import tamed
from assistant.files.version import version
from assistant.send.piece import FORM, VERSION, is_hash
from assistant.send.place import Office

CONNECT_S, READ_S = 10.0, 60.0
"""So long it is waited for a connection, and for each part of an answer: a disk may be slow. Ours."""
MOST_OFFERED = 50_000
"""Pieces in one request."""
MOST_ANSWER = 8 * 2**20
"""Bytes of an answer: 64 hashes and reasons are some 40,000, what is wanted of MOST_OFFERED 4,000,000. Ours."""
SMALL = 1000
"""Bytes: what is larger is packed, a test to a tenth. Ours."""
_KEY = re.compile(r"[!-~]{16,200}")

SIGNAL, KEY, OFFICE = "signal", "key", "office"
"""What is in the way: the network; the station's key; what the office said."""


class NoAnswer(Exception):
    """str() is one sentence: why nothing came of it, and what to do.

    kind     SIGNAL, KEY or OFFICE
    after_s  so long the office wants to be left alone
    status   of HTTP; 0: there was no answer
    """

    def __init__(self, words: str, kind: str = SIGNAL, after_s: float = 0.0, status: int = 0) -> None:
        super().__init__(words)
        self.kind, self.after_s, self.status = kind, after_s, status


@dataclass(frozen=True)
class Answer:
    """What the office says once its database has committed."""
    committed: frozenset[str]
    refused: dict[str, str]
    """Hash, and why."""
    lacks: frozenset[str]


def address_of(typed: str) -> str:
    """The office's address, as https://NAME or https://NAME:PORT. Raises ValueError, one sentence."""
    text = typed if "://" in typed else f"https://{typed}"
    try:
        parts = urlsplit(text)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port, parts = "", None, urlsplit("")
    if not re.fullmatch(r"[\w.:-]+", host) or parts.path.strip("/") or parts.query or parts.fragment or parts.username:
        raise ValueError(f"{tamed(typed)[:LINE]} is no address of an office: it is like https://office.example or "
                         "https://192.168.4.20:8443.")
    if parts.scheme != "https":
        raise ValueError(f"The office is reached by https only: type https://{host}.")
    name = f"[{host}]" if ":" in host else host
    return f"https://{name}" + (f":{port}" if port else "")


class Link:
    """One connection, kept open. Not for two threads."""

    def __init__(self, address: str, key: str = "", authority: Path | None = None) -> None:
        self.address = address
        self._session = requests.Session()
        self._session.trust_env = False     # else a ~/.netrc would take the place of the key
        self._session.proxies.update(get_environ_proxies(address, no_proxy=None))
        self._session.verify = str(authority) if authority else _system()
        self._session.headers.update({"User-Agent": f"bowlside/{version()}", "Content-Type": "application/json"})
        if key:
            self._session.headers["Authorization"] = f"Bearer {key}"

    def close(self) -> None:
        self._session.close()

    def pieces(self, record: UUID, newest: tuple[int, str], waiting: int, sent: str, pieces: Sequence[str]) -> Answer:
        """``pieces``: each as JSON. Raises NoAnswer."""
        head = json.dumps({"form": FORM, "version": VERSION, "record": str(record), "program": version(),
                           "newest": list(newest) if newest[0] else None, "waiting": waiting, "sent": sent or None,
                           "now": datetime.now().astimezone().isoformat(timespec="milliseconds")})
        found = self._post("/pieces", f'{head[:-1]}, "pieces": [{",".join(pieces)}]}}'.encode())
        try:
            return Answer(frozenset(map(_hash, found["committed"])), {each["hash"]: _line(each["why"]) for each in found["refused"]},
                          frozenset(map(_hash, found["lacks"])))
        except (KeyError, TypeError, ValueError):
            raise self._strange() from None

    def offers(self, record: UUID, offered: Sequence[tuple[int, int, int, str]]) -> frozenset[str]:
        """The hashes that the office wants. Raises NoAnswer."""
        wanted: set[str] = set()
        for at in range(0, max(1, len(offered)), MOST_OFFERED):
            found = self._post("/offers", json.dumps({"record": str(record), "pieces": offered[at:at + MOST_OFFERED]}).encode())
            try:
                wanted |= set(map(_hash, found["wanted"]))
            except (KeyError, TypeError, ValueError):
                raise self._strange() from None
        return frozenset(wanted)

    def enrol(self, code: str) -> tuple[Office, str]:
        """What this station is at the office, and its key. Raises NoAnswer."""
        found = self._post("/enrol", json.dumps({"code": code, "version": version()}).encode())
        try:
            key = found["key"]
            if not isinstance(key, str) or not _KEY.fullmatch(key):
                raise ValueError
            return Office(self.address, str(UUID(found["station"])), _line(found["name"]), _line(found["office"]),
                          found.get("practice") is True), key
        except (KeyError, TypeError, ValueError, AttributeError):
            raise self._strange() from None

    # ------------------------------------------------------------------------------------------------------------------------

    def _post(self, path: str, body: bytes) -> dict[str, Any]:
        packed = {"Content-Encoding": "gzip"} if len(body) > SMALL else {}
        body = gzip.compress(body, 6) if packed else body
        try:
            with self._session.post(self.address + path, data=body, headers=packed, timeout=(CONNECT_S, READ_S), allow_redirects=False,
                                    stream=True) as answer:
                text = b""
                for part in answer.iter_content(2**16):     # to its end, or the connection is not kept
                    if len(text := text + part) > MOST_ANSWER:
                        break
                status, after = answer.status_code, answer.headers.get("Retry-After", "")
        except Exception as error:      # also what urllib3 and ssl raise by themselves: nothing that the network does ends the sender
            raise NoAnswer(self._why(error)) from None
        try:
            found = json.loads(text) if len(text) <= MOST_ANSWER else None
        except (ValueError, RecursionError):
            found = None
        if status == HTTPStatus.OK and isinstance(found, dict):
            return found
        raise self._no(status, found.get("error") if isinstance(found, dict) else None, float(after) if after.isdecimal() else 0.0)

    def _no(self, status: int, told: object, after_s: float) -> NoAnswer:
        """The office's own sentence where it gave one."""
        try:
            words = _line(told)
        except ValueError:
            words = ""
        if 300 <= status < 400:
            return NoAnswer(f"{self.address} sends on to another address, which is not followed: enrol with the office's own address.",
                            OFFICE, status=status)
        if status == HTTPStatus.OK or not words:
            strange = self._strange()
            strange.status = status
            return strange
        kind = KEY if status in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN) else OFFICE
        return NoAnswer(words, kind, after_s, status)

    def _strange(self) -> NoAnswer:
        return NoAnswer(f"What answers at {self.address} is no office of Bowlside, or another version: look whether the address is right; "
                        "upgrade the older of the two programs.", OFFICE)

    def _why(self, error: BaseException) -> str:
        """In the words of whoever has to mend it. Nothing of the error's own text is printed: it may hold a password of a proxy."""
        causes = list(_causes(error))
        host = urlsplit(self.address).hostname
        for cause in causes:
            if isinstance(cause, ssl.SSLCertVerificationError):
                return _certificate(cause.verify_code, self.address)
        names = {type(cause).__name__ for cause in causes}
        if "ProxyError" in names:
            return "The proxy of this network does not let the station through to the office: look at https_proxy."
        if any(isinstance(cause, ssl.SSLError) for cause in causes):
            return f"{self.address} does not speak HTTPS as it should: look whether address and port are right."
        if names & {"NameResolutionError", "gaierror"}:
            return f"The name {host} is not known here: there is no network, or the address is wrong."
        if "ConnectionRefusedError" in names:
            return f"Nothing answers at {self.address}: the office is not running, or the port is wrong."
        if names & {"ReadTimeout", "ReadTimeoutError"}:
            return f"The office at {self.address} took longer than {READ_S:.0f} s to answer: it is tried again."
        if any(isinstance(cause, OSError) and cause.filename for cause in causes) or "InvalidCABundle" in names:
            return "The authority's certificate can't be read: enrol again with --authority FILE."
        return f"There is no way to {self.address} now: no signal, or the office is off."


UNTRUSTED = frozenset({2, 18, 19, 20, 21})
"""No chain to an authority that is known here: X509_V_ERR_* of OpenSSL (x509_vfy.h)."""
NOT_YET, EXPIRED, OTHER_NAME, OTHER_ADDRESS = 9, 10, 62, 64


def _certificate(code: int, address: str) -> str:
    today = time.strftime("%Y-%m-%d %H:%M")
    if code == NOT_YET:
        return f"By this machine's clock, {today}, the office's certificate is not valid yet: set the clock."
    if code == EXPIRED:
        return (f"By this machine's clock, {today}, the office's certificate has run out: if the clock is right, the office needs a "
                "new certificate; else set the clock.")
    if code in (OTHER_NAME, OTHER_ADDRESS):
        return f"The certificate at {address} is another machine's: use the address for which it was made."
    if code in UNTRUSTED:
        return (f"The certificate at {address} is of no authority that is known here: if the office has one of its own, enrol with "
                "--authority FILE.")
    return f"The certificate at {address} is not accepted (OpenSSL says {code}): the office needs another one."


def _causes(error: BaseException) -> Iterator[BaseException]:
    """The error and all that is wrapped in it."""
    waiting: list[object] = [error]
    seen: set[int] = set()
    while waiting:
        each = waiting.pop(0)
        if isinstance(each, BaseException) and id(each) not in seen:
            seen.add(id(each))
            yield each
            waiting += [each.__cause__, each.__context__, getattr(each, "reason", None), *each.args]


def _system() -> str | bool:
    """The authorities of this system; those that requests brings where it has none."""
    paths = ssl.get_default_verify_paths()
    for path in (paths.cafile, "/etc/ssl/certs/ca-certificates.crt"):
        if path and Path(path).is_file():
            return path
    return True


def _hash(text: object) -> str:
    if not is_hash(text):
        raise ValueError
    return str(text)


def _line(text: object) -> str:
    """Words of the office, as one line that can't steer a terminal. Raises ValueError: there are none."""
    if not isinstance(text, str) or not text.strip():
        raise ValueError
    return tamed(" ".join(text.split()))[:LINE]
