"""Fetches a speech model named in manifest.toml, or takes it from a local archive: `python -m models.fetch [--offer]`.

The only module here that goes to the network, and only when asked to. Everything works without.
"""

import argparse
import hashlib
import http.client
import shutil
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

_MB = 1 << 20
CONNECT_S = 10
"""Longest wait for the connection, and for each next piece."""
LARGEST_MB = 400
"""More than any small model unpacked (about 70 MB, from memory): a limit on what one file may fill."""
MOST_FILES = 1000
"""A model has some twenty. Two hundred thousand empty ones took minutes to be looked at and made. Ours."""


class NotFetched(Exception):
    """The model could not be had. The message is a sentence."""


def fetch(model: dict, into: Path = INSTALLED, progress: Callable[[str], None] = lambda text: None,
          archive: Path | None = None) -> Path:
    """The folder of `model` (an entry of manifest.toml) in `into`, fetched and unpacked; at once if it is there.

    archive: a local file in place of the network. The SHA-256 of what came is kept beside the folder, as NAME.sha256,
    and from then on demanded, unless the manifest names one. Nothing is left of a failed try. Raises NotFetched with a sentence.
    """
    folder = into / model["name"]
    if is_model(folder):
        return folder
    try:
        into.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=into, prefix=".fetching-") as work:
            if archive is not None:
                _install(model, archive, str(archive), into, Path(work))
            else:
                _download(model["url"], Path(work) / "archive", progress)
                _install(model, Path(work) / "archive", model["url"], into, Path(work))
    except OSError as error:
        raise NotFetched(f"The model could not be written to {into} ({error.strerror or error}); "
                         "make room or get the right to write there, then try again.") from None
    return folder


def _download(url: str, to: Path, progress: Callable[[str], None]) -> None:
    """Without resuming: whose connection is that bad lets a browser fetch the archive, and gives it with --from."""
    by_hand = "fetch the archive by hand, then bowlside voice fetch --from ARCHIVE"
    came, whole = 0, ""
    try:
        with urllib.request.urlopen(url, timeout=CONNECT_S) as answer, to.open("wb") as out:
            whole = answer.headers.get("Content-Length") or ""
            of_all = f" of {int(whole) / _MB:.0f}" if whole.isdigit() else ""
            while piece := answer.read(1 << 16):
                came += out.write(piece)
                if came > LARGEST_MB * _MB:
                    raise NotFetched(f"{url} is larger than {LARGEST_MB} MB, which no small model is; stopped.")
                progress(f"{came / _MB:.0f}{of_all} MB")
    except urllib.error.HTTPError as error:
        raise NotFetched(f"{url} answered {error.code}; {by_hand}.") from None
    except (urllib.error.URLError, http.client.HTTPException, ConnectionError, TimeoutError, ValueError) as error:
        if not came:
            raise NotFetched(f"No model was fetched ({getattr(error, 'reason', None) or error}); the network is needed for "
                             "that once.") from None
    if not came or whole.isdigit() and came != int(whole):
        raise NotFetched(f"The download broke off at {came} of {whole or 'unknown'} bytes; try again, or {by_hand}.")


def _install(model: dict, archive: Path, origin: str, into: Path, work: Path) -> None:
    checksum = _sha256(archive)
    wanted, pinned = model["sha256"], pinned_checksum(model, into)
    if wanted and checksum != wanted:
        raise NotFetched(f"{origin} is not the file that was checked (its SHA-256 differs); nothing was installed.")
    if not wanted and pinned and checksum != pinned:
        raise NotFetched(f"{origin} is not the file that came the first time (its SHA-256 differs from the one in "
                         f"{pin(model, into)}); nothing was installed. If you trust the new one, remove that file.")
    _unpack(archive, work / "out")
    unpacked = work / "out" / model["name"]
    if not is_model(unpacked):
        raise NotFetched(f"What {origin} gave holds no vosk model; nothing was installed.")
    folder = into / model["name"]
    shutil.rmtree(folder, ignore_errors=True)
    unpacked.replace(folder)
    pin(model, into).write_text(f"{checksum}  {origin}\n", encoding="utf-8")


def pin(model: dict, into: Path = INSTALLED) -> Path:
    """The file that keeps the checksum of the first fetch."""
    return into / f"{model['name']}.sha256"


def pinned_checksum(model: dict, into: Path = INSTALLED) -> str | None:
    try:
        return next(iter(pin(model, into).read_text(encoding="utf-8").split()), None)
    except OSError:
        return None


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def named_in(archive: Path) -> str:
    """The one folder that a local archive of a model unpacks to. Raises NotFetched."""
    try:
        with _opened(archive) as packed:
            tops = {name.split("/")[0] for name in packed.namelist()}
    except OSError as error:
        raise NotFetched(f"{archive} can't be read ({error.strerror or error}); check the name.") from None
    except zipfile.BadZipFile:
        raise NotFetched(f"{archive} is no zip archive; give the archive as its makers publish it.") from None
    if len(tops) != 1 or not (top := tops.pop()).strip("./\\"):
        raise NotFetched(f"{archive} does not hold one folder, as a model's archive does; nothing was installed.")
    return top


def _opened(archive: Path) -> zipfile.ZipFile:
    """Raises NotFetched for one larger, or of more files, than any model's."""
    if archive.stat().st_size > LARGEST_MB * _MB:
        raise NotFetched(f"{archive} is over {LARGEST_MB} MB, larger than any small model; nothing was installed.")
    packed = zipfile.ZipFile(archive)
    if len(packed.filelist) > MOST_FILES:
        packed.close()
        raise NotFetched(f"{archive} holds {len(packed.filelist)} files, and a model at most {MOST_FILES}; nothing was "
                         "installed.")
    return packed


def _unpack(archive: Path, into: Path) -> None:
    """Files and folders only, none outside `into`, no more than LARGEST_MB."""
    root = into.resolve()
    try:
        with _opened(archive) as packed:
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


def manifest() -> dict[str, dict]:
    """Short name -> what manifest.toml says of the model."""
    return tomllib.loads((ROOT / "manifest.toml").read_text(encoding="utf-8"))


def small_english() -> dict:
    return manifest()["small-english"]


def on_one_line(text: str) -> None:
    """Progress for a person: the same line of the terminal again and again; nothing where there is no terminal."""
    if sys.stderr.isatty():
        print(f"\r  {text}   ", end="", file=sys.stderr, flush=True)


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
        folder = fetch(model, into, on_one_line)
    except NotFetched as refusal:
        print(f"\r{refusal} Hearing goes on with the model that is here.", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\rStopped; hearing goes on with the model that is here.", file=sys.stderr)
        return 1
    print(f"\rInstalled {folder.name}.          ", file=sys.stderr)
    return 0


def _wanted(model: dict) -> bool:
    print(f"It hears with what it has. A larger English speech model ({model['name']}, about {model['size_mb']} MB) can be fetched "
          f"once, now or later, from {model['url']}. Fetch it now? [y/N] ", end="", file=sys.stderr, flush=True)
    try:
        return input().strip().lower() in ("y", "yes")
    except EOFError:
        return False


if __name__ == "__main__":
    sys.exit(main())
