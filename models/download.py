"""One file from a web server, gone on with after a break, and never pieced together from two versions.

What has come so far lies in NAME.part; beside it NAME.part.json says of which version of the file it is, in the server's
own words (RFC 9110: ETag §8.8.3, Last-Modified §8.8.2, Range §14.2, If-Range §13.1.5). Without such a word, or when the
server says another one, the file is fetched from the start.
"""

import fcntl
import http.client
import json
import re
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

CONNECT_S = 10
"""Longest wait for the connection, and for each next piece."""

TRIES = 4
"""Connections in one go, as long as each brings something."""

LARGEST_MB = 400
"""More than any small model unpacked (about 70 MB, from memory): a limit on what one file may fill."""

_PIECE = 1 << 16
_MB = 1 << 20


class NotFetched(Exception):
    """The model could not be had. The message is a sentence."""


@dataclass(frozen=True)
class _Version:
    """Which file it is that comes, as far as the server says."""

    url: str
    mark: str
    """A strong ETag, else Last-Modified; "" if it gives neither."""

    size: int
    """Bytes of the whole; 0: not said."""


def download(url: str, part: Path, progress: Callable[[str], None] = lambda text: None) -> None:
    """Fill `part` with the whole of what `url` gives, going on with what an earlier call left there.

    progress: told how much has come. Raises NotFetched with a sentence; what has come stays, if it can be gone on
    with. OSError if it can't be written.
    """
    with part.open("ab") as out:
        try:
            fcntl.flock(out, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise NotFetched("Another fetch of this model is under way; wait for it.") from None
        whole: int | None = 0
        try:
            for _ in range(TRIES):
                had = _size(out)
                whole = _one_connection(url, out, _about(part), progress)
                if whole is None:
                    return
                if _size(out) <= had:
                    break
            came = _size(out)
        finally:
            if whole is not None and not _can_go_on(part):
                forget(part)
        rest = "start it again, it goes on from there" if part.exists() else "try again"
        raise NotFetched(f"The download broke off at {came} of {whole or 'unknown'} bytes; {rest}.")


def forget(part: Path) -> None:
    """Nothing to go on with: the next download starts anew."""
    part.unlink(missing_ok=True)
    _about(part).unlink(missing_ok=True)


def _can_go_on(part: Path) -> bool:
    known = _read(_about(part))
    return known is not None and bool(known.mark) and part.stat().st_size > 0


def _one_connection(url: str, out: BinaryIO, about: Path, progress: Callable[[str], None]) -> int | None:
    """None: all of it is there. Else the bytes of the whole as far as known: it broke off."""
    known, had = _read(about), _size(out)
    if known is None or known.url != url or not known.mark:
        known, had = None, 0
    elif known.size and had == known.size:
        return None
    asked = urllib.request.Request(url, headers={"Range": f"bytes={had}-", "If-Range": known.mark} if known and had else {})
    try:
        with urllib.request.urlopen(asked, timeout=CONNECT_S) as answer:
            version = _version(url, answer)
            if answer.status == 206 and not (known and _same(version, known) and _starts_at(answer) == had):
                _start_over(out, about)                     # a part of something else
                return version.size
            if answer.status != 206:
                _start_over(out, about)
                about.write_text(json.dumps(vars(version)), encoding="utf-8")
            while piece := answer.read(_PIECE):
                out.write(piece)
                if out.tell() > LARGEST_MB * _MB:
                    _start_over(out, about)
                    raise NotFetched(f"{url} is larger than {LARGEST_MB} MB, which no small model is; stopped.")
                of_all = f" of {version.size / _MB:.0f}" if version.size else ""
                progress(f"{out.tell() / _MB:.0f}{of_all} MB")
    except urllib.error.HTTPError as error:
        if error.code == 416:                               # less there than we had: another file
            _start_over(out, about)
            raise NotFetched(f"{url} is now shorter than what had come of it; start the download again.") from None
        raise NotFetched(f"{url} answered {error.code}; fetch the archive by hand, then bowlside voice fetch --from "
                         "ARCHIVE.") from None
    except http.client.IncompleteRead as broken:
        out.write(broken.partial)
        return version.size
    except (urllib.error.URLError, http.client.HTTPException, ConnectionError, TimeoutError, ValueError) as error:
        if _size(out) > had:
            return known.size if known else 0
        raise NotFetched(f"No model was fetched ({getattr(error, 'reason', None) or error}); the network is needed for "
                         "that once.") from None
    finally:
        out.flush()
    return None if not version.size or _size(out) == version.size else version.size


def _start_over(out: BinaryIO, about: Path) -> None:
    out.truncate(0)
    about.unlink(missing_ok=True)


def _version(url: str, answer: http.client.HTTPResponse) -> _Version:
    tag = answer.headers.get("ETag") or ""
    mark = tag if tag.startswith('"') else answer.headers.get("Last-Modified") or ""
    if answer.status == 206:
        total = re.fullmatch(r"bytes \d+-\d+/(\d+)", answer.headers.get("Content-Range") or "")
        return _Version(url, mark, int(total[1]) if total else -1)
    length = answer.headers.get("Content-Length") or ""
    return _Version(url, mark, int(length) if length.isdigit() else 0)


def _same(now: _Version, before: _Version) -> bool:
    """A server that honours If-Range need not repeat Last-Modified (RFC 9110 §15.3.7)."""
    return now.mark in ("", before.mark) and (now.size == before.size or not before.size)


def _starts_at(answer: http.client.HTTPResponse) -> int:
    start = re.match(r"bytes (\d+)-", answer.headers.get("Content-Range") or "")
    return int(start[1]) if start else -1


def _size(out: BinaryIO) -> int:
    out.flush()
    return out.seek(0, 2)


def _about(part: Path) -> Path:
    return part.with_name(part.name + ".json")


def _read(about: Path) -> _Version | None:
    try:
        found = json.loads(about.read_text(encoding="utf-8"))
        return _Version(str(found["url"]), str(found["mark"]), int(found["size"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
