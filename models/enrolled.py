"""The voices that this station was fitted to: one last layer a technician, in a folder of his own that he can delete.

``$XDG_DATA_HOME/bowlside/voices/NAME/`` (XDG Base Directory Specification 0.8) holds ``layer.npz``, some forty kilobytes, and
``model/``, the vosk folder made of the shipped model and that layer: links to the shipped files but for the network. No sound.
"""
from __future__ import annotations

import filecmp
import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from models import kaldi, locate
from models.enrolment import Figures, Outcome
from models.strict import files_of, share

LAYER, MODEL, SEAL, NETWORK = "layer.npz", "model", "seal", "am/final.mdl"

SHIPPED = locate.folder_of(locate.OWN)
"""The station's own model, as it was shipped."""

Write = Callable[[Path, np.ndarray, np.ndarray, Path], None]


class NotEnrolled(Exception):
    """There is no such voice, or it can't be used. The message is one plain sentence."""


@dataclass(frozen=True)
class Enrolled:
    """A technician's layer: weight (units, channels) and bias (units,), float32; for the shipped model of that checksum only."""

    name: str
    weight: np.ndarray
    bias: np.ndarray
    shipped_sha256: str
    day: str
    before: Figures
    after: Figures


def voices_folder() -> Path:
    return Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local/share") / "bowlside" / "voices"


def folder_of(name: str) -> Path:
    """Raises NotEnrolled for what is no name: letters, digits, - and _, at most 32; so nothing outside is ever touched."""
    if not re.fullmatch(r"\w[\w-]{0,31}", name):
        raise NotEnrolled(f"{name!r} is no name for a voice; give letters, digits, - or _, at most 32.")
    return voices_folder() / name


def names() -> list[str]:
    """Every technician whose voice is kept."""
    place = voices_folder()
    return sorted(one.name for one in place.iterdir() if (one / LAYER).is_file()) if place.is_dir() else []


def checksum(shipped: Path) -> str:
    """sha256 of the network in the shipped vosk folder: what a layer belongs to. Raises NotEnrolled if it can't be read."""
    try:
        return hashlib.sha256((shipped / NETWORK).read_bytes()).hexdigest()
    except OSError as error:
        raise NotEnrolled(f"The station's own speech model can't be read ({error.strerror}: {shipped / NETWORK}); run the set-up "
                          "again.") from None


def is_own(folder: Path) -> bool:
    """Whether vosk would load the station's own model there: its folder, a link to it or a copy."""
    if not locate.is_model(SHIPPED):
        return False
    loaded = [name for name in files_of(SHIPPED) if "/" in name]                    # not the card, the corpus, the lexicon
    return filecmp.cmpfiles(folder, SHIPPED, loaded, shallow=False)[0] == loaded


def keep(name: str, outcome: Outcome, shipped: Path, day: str) -> Enrolled:
    """Keep this layer under the name, in place of an earlier one. day: as in 2026-11-25. Raises NotEnrolled, OSError."""
    place = folder_of(name)
    one = Enrolled(name, outcome.network.output_weight, outcome.network.output_bias, checksum(shipped), day, outcome.before,
                   outcome.after)
    about = {"shipped_sha256": one.shipped_sha256, "day": day, "before": asdict(one.before), "after": asdict(one.after)}
    for folder in (voices_folder(), place):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        folder.chmod(0o700)
    with tempfile.NamedTemporaryFile(dir=place, prefix=LAYER, delete=False) as half:        # the old or the new, never a half
        np.savez(half, weight=one.weight.astype(np.float32), bias=one.bias.astype(np.float32), about=json.dumps(about))
        half.flush()
        os.fsync(half.fileno())
    os.replace(half.name, place / LAYER)
    shutil.rmtree(place / MODEL, ignore_errors=True)
    return one


def read(name: str) -> Enrolled:
    """Raises NotEnrolled."""
    place = folder_of(name)
    if not (place / LAYER).is_file():
        raise NotEnrolled(f"No voice of {name} is kept here; bowlside enrol {name} makes one.")
    try:
        with np.load(place / LAYER, allow_pickle=False) as kept:
            about = json.loads(str(kept["about"]))
            return Enrolled(name, kept["weight"], kept["bias"], about["shipped_sha256"], about["day"], Figures(**about["before"]),
                            Figures(**about["after"]))
    except Exception:  # noqa: BLE001  numpy, zipfile and json each have their own ways to say that a file is torn
        raise NotEnrolled(f"The voice kept in {place} can't be read; delete it with bowlside enrol {name} --delete and enrol "
                          "again.") from None


def delete(name: str) -> None:
    """The layer and all that was made of it. Raises NotEnrolled if there is none."""
    place = folder_of(name)
    if not place.is_dir():
        raise NotEnrolled(f"No voice of {name} is kept here.")
    shutil.rmtree(place)


def model_of(name: str, shipped: Path, write: Write | None = None) -> Path:
    """The vosk folder to hear this technician with: made of the shipped one, or as it was made before.

    write: see `_write_network`. Raises NotEnrolled: no such voice, it was made for another model, or nothing can be written.
    """
    one = read(name)
    if one.shipped_sha256 != checksum(shipped):
        raise NotEnrolled(f"The voice of {name} was enrolled on another version of the station's own model, so it is not used; "
                          f"enrol it again with bowlside enrol {name}.")
    place = folder_of(name) / MODEL
    seal = hashlib.sha256((folder_of(name) / LAYER).read_bytes() + str(shipped.resolve()).encode()).hexdigest()
    if not _is_whole(place, shipped, seal):
        try:
            make_model(place, shipped, one.weight, one.bias, seal, write)
        except OSError as error:
            raise NotEnrolled(f"The model for the voice of {name} can't be written ({error.strerror}: {error.filename}), so the "
                              "shipped one hears.") from None
    return place


def _is_whole(place: Path, shipped: Path, seal: str) -> bool:
    """Whether it was finished, from this very layer and model, and nothing of it is gone since."""
    try:
        return ((place / SEAL).read_text(encoding="ascii") == f"{seal} {(place / NETWORK).stat().st_size}"
                and all((place / name).exists() for name in files_of(shipped)))
    except OSError:
        return False


def make_model(place: Path, shipped: Path, weight: np.ndarray, bias: np.ndarray, seal: str = "",
               write: Write | None = None) -> None:
    """The shipped vosk folder with this last layer, in place of what is there. Raises OSError."""
    with tempfile.TemporaryDirectory(dir=place.parent, prefix=".making-") as work:
        made = Path(work) / MODEL
        for name in files_of(shipped):
            (made / name).parent.mkdir(parents=True, exist_ok=True)
            if name == NETWORK:
                (write or _write_network)(shipped / name, weight, bias, made / name)
            else:
                share((shipped / name).resolve(), made / name)
        (made / SEAL).write_text(f"{seal} {(made / NETWORK).stat().st_size}", encoding="ascii")
        shutil.rmtree(place, ignore_errors=True)
        made.rename(place)


def _write_network(source: Path, weight: np.ndarray, bias: np.ndarray, target: Path) -> None:
    """The network in `source` with this last layer, as `target`."""
    kaldi.write_network(target, replace(kaldi.read_network(source), output_weight=weight, output_bias=bias))


def in_use(name: str, shipped: Path) -> tuple[Path, str]:
    """The vosk folder to hear with where the station's settings name this technician ("": nobody), and what to tell of it.

    Never raises: whatever is wrong with an enrolment, the shipped model hears as before.
    """
    if not name:
        return shipped, ""
    try:
        return model_of(name, shipped), f"It is fitted to the voice of {name}."
    except NotEnrolled as reason:
        return shipped, str(reason)
