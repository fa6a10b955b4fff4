"""Finds a vosk model folder on this machine. Nothing here goes to the network."""

import filecmp
import os
from pathlib import Path

from models.strict import files_of

ROOT = Path(__file__).resolve().parent
INSTALLED = ROOT / "installed"
PEOPLE = ROOT / "people"
"""The folder of the network that has heard very many people (models/people_engine.py)."""
CACHE = Path.home() / ".cache" / "vosk"
VARIABLE = "BOWLSIDE_MODEL"
OWN = "own"
"""In place of a folder: the station's own model. A path would lead to the release before, once the station was upgraded."""
SHIPPED = ROOT / OWN
"""The station's own model, as it was shipped."""
NETWORK = "am/final.mdl"
"""Of a vosk folder of ours."""


class ModelMissing(Exception):
    """A model was asked for by name and is not there. The message is a sentence."""


def is_model(folder: Path) -> bool:
    """Whether `folder` has the files that vosk loads, in either of its two layouts."""
    for acoustic, graph in ((folder / "am", folder / "graph"), (folder, folder)):
        graphs = (graph / "HCLG.fst").is_file() or ((graph / "HCLr.fst").is_file() and (graph / "Gr.fst").is_file())
        if (acoustic / "final.mdl").is_file() and graphs:
            return True
    return False


def find_model(named: str | None = None, chosen: str = "") -> Path | None:
    """The folder (or OWN) named, else the one in $BOWLSIDE_MODEL, else the one chosen with `bowlside voice use`, else the first
    installed, else None. What was chosen the station knows (assistant/station/hearing.py).

    Raises ModelMissing if a folder was named and is no model: falling back silently would hide the mistake.
    """
    for asked, where in ((named, "the model folder"), (os.environ.get(VARIABLE), f"${VARIABLE}"),
                         (chosen, "chosen with bowlside voice use")):
        if asked:
            folder = folder_of(asked)
            if not is_model(folder):
                raise ModelMissing(f"{folder} ({where}) is not a vosk model: it needs am/final.mdl and "
                                   "graph/HCLr.fst with Gr.fst, or graph/HCLG.fst; give its folder.")
            return folder
    return next(iter(installed()), None)


def folder_of(asked: str) -> Path:
    """What a user's word for a model means: OWN, else a folder."""
    return SHIPPED if asked == OWN else Path(asked).expanduser()


def is_own(folder: Path) -> bool:
    """Whether vosk would load the station's own model there: its folder, a link to it or a copy."""
    if not is_model(SHIPPED):
        return False
    loaded = [name for name in files_of(SHIPPED) if "/" in name]                    # not the card, the corpus, the lexicon
    return filecmp.cmpfiles(folder, SHIPPED, loaded, shallow=False)[0] == loaded


def installed() -> list[Path]:
    """Every model folder in the places where they are installed, ours first."""
    return [folder for place in (INSTALLED, CACHE) if place.is_dir()
            for folder in sorted(place.iterdir()) if not folder.name.startswith(".") and is_model(folder)]
