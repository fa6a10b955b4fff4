"""A file to begin with: an example whose every part is explained, to be changed by hand. It never takes the place of another."""
from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from assistant.files import owner_only
from assistant.files.refusal import Refusal


def write(path: Path, example: Path, private: bool = False) -> None:
    """``private``: for its owner alone. Raises Refusal: it is there already, or its folder is not; OSError: no room."""
    if not path.parent.is_dir():
        raise Refusal(f"There is no folder {path.parent} to write {path.name} into.")
    try:
        file = open(path, "xb", opener=owner_only.opener if private else None)
    except FileExistsError:
        raise Refusal(f"{path} is there already: name a new file, so that nothing is lost.") from None
    try:
        with file:
            file.write(example.read_bytes())
    except OSError:
        with suppress(OSError):
            path.unlink()  # on a full disk an empty file would be left: a right one, that says nothing
        raise
