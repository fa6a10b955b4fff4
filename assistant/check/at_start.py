"""The check that a live test begins with: two seconds after the start, which of the configured devices are there.

It has a thread of its own and opens nothing: it looks at the devices that the test itself has opened (assistant/hands.py).
"""
from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import Any

from assistant.check.finding import NAMES, listed
from assistant.check.quick import WITHIN_S
from assistant.hands import Hands
from assistant.live import Live

SECTIONS = {"Apart": ("keypad", "pedal"), "Keypad": ("keypad",), "Pedal": ("pedal",), "UsbPad": ("usb_pad",), "Lamp": ("lamp",),
            "Buzzer": ("buzzer",), "Gauge": ("gauge",)}
"""Each class of device, and the sections of station.toml that it serves."""


def begin(live: Live, hands: Hands, settings: Mapping[str, Mapping[str, Any]], gauge: bool, within_s: float = WITHIN_S) -> None:
    """Show which are there as soon as all are; after ``within_s`` seconds, say aloud which are not. Returns at once.

    gauge  whether a gauge belongs to this test (none does in practice, unless it speaks over a wire)
    """
    wanted = [name for name in NAMES if settings.get(name, {}).get("kind") and name != "gauge"] + ["gauge"] * gauge
    if wanted:
        threading.Thread(target=_look, args=(live, hands, wanted, within_s), name="check", daemon=True).start()


def _look(live: Live, hands: Hands, wanted: list[str], within_s: float) -> None:
    until = time.monotonic() + within_s
    while not set(wanted) <= (there := _there(hands)) and time.monotonic() < until:
        time.sleep(0.05)
    missing = [name for name in wanted if name not in there]
    if len(missing) < len(wanted):
        live.trouble(f"Ready: {listed([NAMES[name] for name in wanted if name in there])}.")
    if "gauge" in missing:
        live.lost("gauge", "The gauge gives no reading yet.")
    if others := [name for name in missing if name != "gauge"]:
        # In the record under the first one's name: what is said and shown names them all.
        names = listed([f"the {NAMES[name]}" for name in others])
        live.lost(others[0], f"{names[0].upper()}{names[1:]} can't be used: bowlside check tells why.")


def _there(hands: Hands) -> set[str]:
    return {name for device in hands.devices if device.alive for name in SECTIONS.get(type(device).__name__, ())}
