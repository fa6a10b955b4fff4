"""Fetches the small English vosk model named in manifest.toml: `python -m models.fetch [--offer]`.

The only module here that goes to the network, and only when asked to. Everything works without that model.
"""

import argparse
import hashlib
import shutil
import socket
import sys
import tempfile
import tomllib
import urllib.error
import urllib.request
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

from models.locate import INSTALLED, ROOT, is_model

CONNECT_S = 10
"""Longest wait for the connection, and for each next piece."""

LARGEST_MB = 400
"""More than any small model unpacked (about 70 MB, from memory): a limit on what one file may fill."""

_PIECE = 1 << 16
_MB = 1 << 20


class NotFetched(Exception):
    """The model could not be had. The message is a sentence."""


def fetch(model: dict, into: Path = INSTALLED, progress: Callable[[str], None] = lambda text: None) -> Path:
    """The folder of `model` (an entry of manifest.toml) in `into`, fetched and unpacked; at once if it is there.

    Writes the checksum of what came beside the folder, as NAME.sha256. Nothing is left of a failed try.
    Raises NotFetched with a sentence.
    """
    folder = into / model["name"]
    if is_model(folder):
        return folder
    try:
        into.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=into, prefix=".fetching-") as work:
            archive = Path(work) / "model.zip"
            found = _download(model, archive, progress)
            _unpack(archive, Path(work) / "out")
            unpacked = Path(work) / "out" / model["name"]
            if not is_model(unpacked):
                raise NotFetched(f"What {model['url']} gave holds no vosk model; nothing was installed.")
            shutil.rmtree(folder, ignore_errors=True)
            unpacked.replace(folder)
            (into / f"{model['name']}.sha256").write_text(f"{found}  {model['url']}\n", encoding="utf-8")
    except OSError as error:
        raise NotFetched(f"The model could not be written to {into} ({error.strerror or error}); "
                         "make room or get the right to write there, then try again.") from None
    return folder


def _download(model: dict, archive: Path, progress: Callable[[str], None]) -> str:
    """The file's SHA-256, which must be the manifest's where that names one."""
    checksum, had, url = hashlib.sha256(), 0, model["url"]
    try:
        with urllib.request.urlopen(url, timeout=CONNECT_S) as answer, archive.open("wb") as out:
            size = int(answer.headers.get("Content-Length") or 0)
            while piece := answer.read(_PIECE):
                had += len(piece)
                if had > LARGEST_MB * _MB:
                    raise NotFetched(f"{url} is larger than {LARGEST_MB} MB, which no small model is; stopped.")
                checksum.update(piece)
                out.write(piece)
                progress(f"{had / _MB:.0f} of {size / _MB:.0f} MB" if size else f"{had / _MB:.0f} MB")
    except urllib.error.HTTPError as error:
        raise NotFetched(f"{url} answered {error.code}; fetch the model by hand and unpack it in "
                         f"{INSTALLED}.") from None
    except (urllib.error.URLError, ConnectionError, socket.timeout, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise NotFetched(f"No model was fetched ({reason}); the network is needed for that once.") from None
    if size and had != size:
        raise NotFetched(f"The download broke off at {had} of {size} bytes; try again.")
    if model["sha256"] and checksum.hexdigest() != model["sha256"]:
        raise NotFetched(f"{url} is not the file that was checked (its SHA-256 differs); nothing was installed.")
    return checksum.hexdigest()


def _unpack(archive: Path, into: Path) -> None:
    """Files and folders only, none outside `into`, no more than LARGEST_MB."""
    root = into.resolve()
    try:
        with zipfile.ZipFile(archive) as packed:
            entries = packed.infolist()
            if sum(entry.file_size for entry in entries) > LARGEST_MB * _MB:
                raise NotFetched(f"The archive unpacks to more than {LARGEST_MB} MB; nothing was installed.")
            for entry in entries:
                # extract() would quietly drop "..": an archive that has it is not ours.
                if not (root / entry.filename).resolve().is_relative_to(root) or "\\" in entry.filename:
                    raise NotFetched(f'The archive wants to write outside its folder ("{entry.filename}"); '
                                     "nothing was installed.")
                packed.extract(entry, root)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise NotFetched(f"The archive is damaged ({error}); try again.") from None


def small_english() -> dict:
    return tomllib.loads((ROOT / "manifest.toml").read_text(encoding="utf-8"))["small-english"]


def main(words: list[str] | None = None, model: dict | None = None, into: Path = INSTALLED) -> int:
    """0: the model is there, or was declined; 1: it could not be had."""
    parser = argparse.ArgumentParser(prog="python -m models.fetch", description=__doc__.splitlines()[0])
    parser.add_argument("--offer", action="store_true", help="ask first")
    asks = parser.parse_args(words).offer
    model = model or small_english()
    if is_model(into / model["name"]):
        return 0
    if asks and not _wanted(model):
        return 0
    try:
        folder = fetch(model, into, lambda text: print(f"\r  {text}   ", end="", file=sys.stderr, flush=True))
    except NotFetched as refusal:
        print(f"\r{refusal} Hearing goes on with the model that is here.", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\rStopped; hearing goes on with the model that is here.", file=sys.stderr)
        return 1
    print(f"\rInstalled {folder.name}.          ", file=sys.stderr)
    return 0


def _wanted(model: dict) -> bool:
    print(f"A better English speech model ({model['name']}, about {model['size_mb']} MB) can be fetched once from "
          f"{model['url']}. Fetch it now? [y/N] ", end="", file=sys.stderr, flush=True)
    try:
        return input().strip().lower() in ("y", "yes")
    except EOFError:
        return False


if __name__ == "__main__":
    sys.exit(main())
