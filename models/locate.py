"""Finds a vosk model folder on this machine. Nothing here goes to the network."""

import os
from pathlib import Path

ROOT = Path(__file__).resolve().parent
INSTALLED = ROOT / "installed"
PEOPLE = ROOT / "people"
"""The folder of the network that has heard very many people (models/people_engine.py)."""
CACHE = Path.home() / ".cache" / "vosk"
VARIABLE = "BOWLSIDE_MODEL"
OWN = "own"
"""In place of a folder: the station's own model. A path would lead to the release before, once the station was upgraded."""


class ModelMissing(Exception):
    """A model was asked for by name and is not there. The message is a sentence."""


def is_model(folder: Path) -> bool:
    """Whether `folder` has the files that vosk loads, in either of its two layouts."""
    for acoustic, graph in ((folder / "am", folder / "graph"), (folder, folder)):
        graphs = (graph / "HCLG.fst").is_file() or ((graph / "HCLr.fst").is_file() and (graph / "Gr.fst").is_file())
        if (acoustic / "final.mdl").is_file() and graphs:
            return True
    return False


def find_model(named: str | None = None) -> Path | None:
    """The folder (or OWN) named, else the one in $BOWLSIDE_MODEL, else the one chosen with `bowlside voice use`, else the first
    installed, else None.

    Raises ModelMissing if a folder was named and is no model: falling back silently would hide the mistake.
    """
    for asked, where in ((named, "the model folder"), (os.environ.get(VARIABLE), f"${VARIABLE}"),
                         (None if named or os.environ.get(VARIABLE) else chosen(), "chosen with bowlside voice use")):
        if asked:
            folder = folder_of(asked)
            if not is_model(folder):
                raise ModelMissing(f"{folder} ({where}) is not a vosk model: it needs am/final.mdl and "
                                   "graph/HCLr.fst with Gr.fst, or graph/HCLG.fst; give its folder.")
            return folder
    return next(iter(installed()), None)


def folder_of(asked: str) -> Path:
    """What a user's word for a model means: OWN, else a folder."""
    return ROOT / OWN if asked == OWN else Path(asked).expanduser()


def installed() -> list[Path]:
    """Every model folder in the places where they are installed, ours first."""
    return [folder for place in (INSTALLED, CACHE) if place.is_dir()
            for folder in sorted(place.iterdir()) if not folder.name.startswith(".") and is_model(folder)]


def chosen() -> str:
    """What `bowlside voice use` remembered in the station's settings; "" for nothing. Raises ModelMissing."""
    return _hearing("model")


def technician() -> str:
    """Whose enrolled voice the station's settings name; "" for nobody's. Raises ModelMissing."""
    return _hearing("technician")


def _hearing(key: str) -> str:
    from assistant import station_settings

    try:
        return str(station_settings.read()["hearing"][key])
    except station_settings.StationSettingsError as error:
        raise ModelMissing(str(error)) from None
