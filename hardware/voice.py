"""What the station's voice is set to, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass

OWN_DRIVER, OWN_NAME = "bowlside", "en-us"
RATE_WPM = 170


@dataclass(frozen=True)
class VoiceSettings:
    """Section [voice] of the station's settings, as far as sound goes."""

    driver: str = OWN_DRIVER
    """pyttsx3's name of a driver, or the import name of a module that is one; OWN_DRIVER is espeak-ng through ours"""
    name: str = OWN_NAME
    """as the synthesiser names its voices; OWN_NAME asks another driver for its own default"""
    rate_wpm: int = RATE_WPM
    """words a minute"""
    volume: int = 100
    """percent"""
    click: bool = True
    """a short click before words that follow on silence"""
