"""The check in two seconds: every device is opened and looked at, nobody is asked. What only a person can tell is not judged."""
from __future__ import annotations

import threading
import time
from collections.abc import Sequence

from assistant.check.devices import Opened, Settings, configured, not_configured
from assistant.check.finding import Finding
from assistant.check.gauges import at_rest
from assistant.station.device_names import NAMES
from assistant.station.device_watch import WITHIN_S

WATCHED_S = 1.0
"""So long a gauge or a microphone is listened to, where it gives anything."""


def quick(settings: Settings, names: Sequence[str], within_s: float = WITHIN_S) -> list[Finding]:
    """One finding a device; all are opened side by side, and after ``within_s`` seconds none is waited for."""
    until = time.monotonic() + within_s
    opened: dict[str, Opened] = {}
    threads = [threading.Thread(target=lambda name=name: opened.update({name: Opened(name, settings)}), daemon=True)
               for name in names if configured(name, settings)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max(0.0, until - time.monotonic()))
    for device in list(opened.values()):
        device.wait(max(0.0, until - time.monotonic()))
    if any(device.works and device.name in ("gauge", "microphone") for device in list(opened.values())):
        time.sleep(max(0.0, min(WATCHED_S, until - time.monotonic())))
    findings = [_finding(name, opened.get(name), configured(name, settings)) for name in names]
    closers = [threading.Thread(target=device.close, daemon=True) for device in list(opened.values())]
    for closer in closers:
        closer.start()
    for closer in closers:
        closer.join(1.0)
    return findings


def _finding(name: str, device: Opened | None, wanted: bool) -> Finding:
    if not wanted:
        return Finding(name, None, not_configured(name, NAMES[name]))
    if device is None:
        return Finding(name, False, "It can't be opened: nothing answered within two seconds.")
    if not device.works:
        return Finding(name, False, device.why)
    if name == "gauge":
        return at_rest(list(device.samples), device.caution)
    if name == "microphone":
        return _microphone(b"".join(list(device.blocks)))
    return Finding(name, True, "It opens." if not device.told else f"It opens. {device.told[0]}")


def _microphone(pcm: bytes) -> Finding:
    from models import level
    from models.wav import RATE, to_sound
    sound = to_sound(pcm, RATE)
    if level.is_silent(sound):
        return Finding("microphone", False, "It gives no sound at all: look at its plug, its switch and the input's level.")
    noise = level.db(level.background(level.loudness(sound)))
    return Finding("microphone", True, f"It hears: the noise here is at {noise:.0f} dB of full scale.")
