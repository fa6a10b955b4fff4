"""What this station hears with: what its settings say of speech models, for models/ to find and open."""
from __future__ import annotations

from pathlib import Path

from assistant.station import station_settings
from models import ear, locate


def find_model(named: str | None = None) -> Path | None:
    """See ``locate.find_model``. Raises ModelMissing, also for settings that can't be read."""
    return locate.find_model(named, _settings()[0])


def open_ear(named: str | None = None) -> ear.Ear:
    """See ``models.ear.open_ear``. Raises ModelMissing, also for settings that can't be read."""
    return ear.open_ear(named, *_settings())


def _settings() -> tuple[str, list[str]]:
    """What `bowlside voice use` remembered, and what the settings still say that changes nothing any more."""
    try:
        return str(station_settings.read()["hearing"]["model"]), station_settings.unused()
    except station_settings.StationSettingsError as error:
        raise locate.ModelMissing(str(error)) from None
