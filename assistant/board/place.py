"""Where the station puts what the crew's board may see: one folder, found by both processes alike."""
from __future__ import annotations

import os
from pathlib import Path

from assistant.record import log
from assistant.station import station_settings

NOW, DAY = "now.json", "day.json"
SERVICE = Path("/run/bowlside-board")
"""Made by `install-service --board`: in memory, the station's user writes it, the board's group reads it."""


def folder(given: Path | None = None) -> Path:
    """What was given, else what the station's settings name, else the service's, else one of this login's own: in memory where
    the system has such a place (XDG Base Directory Specification 0.8), beside the record where not."""
    if chosen := given or (station_settings.read()["board"]["folder"] or None):
        return Path(chosen)
    if os.access(SERVICE, os.R_OK | os.X_OK):  # not somebody else's login, who practises beside it
        return SERVICE
    session = os.environ.get("XDG_RUNTIME_DIR", "")
    return Path(session) / "bowlside-board" if session and Path(session).is_dir() else log.default_folder() / "board"
