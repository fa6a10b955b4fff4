"""Two seconds after the start of a live test: which of the configured devices are there. From then on: which go and which come back.

It has a thread of its own and opens nothing: it looks at the devices that the test itself has opened (assistant/station/devices.py).
"""
from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import Any

from assistant.station.device_names import NAMES, listed
from assistant.station.devices import Hands
from assistant.station.live import Live

LOOK_S = 0.1
WITHIN_S = 2.0


def begin(live: Live, hands: Hands, settings: Mapping[str, Mapping[str, Any]], gauge: bool, within_s: float = WITHIN_S) -> None:
    """Show which are there as soon as all are; after ``within_s`` seconds, say aloud which are not; then watch them until
    ``hands`` is closed. Returns at once.

    gauge  whether a gauge belongs to this test (none does in practice, unless it speaks over a wire)
    """
    wanted = [name for name in NAMES if settings.get(name, {}).get("kind") and name != "gauge"] + ["gauge"] * gauge
    if wanted:
        threading.Thread(target=_look, args=(live, hands, wanted, within_s), name="devices", daemon=True).start()


def _look(live: Live, hands: Hands, wanted: list[str], within_s: float) -> None:
    until = time.monotonic() + within_s
    while not set(wanted) <= (there := _there(hands)) and time.monotonic() < until:
        time.sleep(0.05)
    missing = [name for name in wanted if name not in there]
    if len(missing) < len(wanted):
        live.trouble(f"Ready: {listed([NAMES[name] for name in wanted if name in there])}.")
    if "gauge" in missing:
        live.lost("gauge", "The gauge gives no reading yet.")
    others = [name for name in missing if name != "gauge"]
    for name in others:  # each by itself, so that its return is told too; where to look is said once, with the last
        live.lost(name, f"The {NAMES[name]} can't be used{': bowlside check tells why' if name == others[-1] else ''}.")
    _watch(live, hands, wanted, set(missing))


def _watch(live: Live, hands: Hands, wanted: list[str], gone: set[str]) -> None:
    """Until the hands are closed. USB pad and gauge tell their own loss, in better words: one look more leaves them the time."""
    before = set(wanted)
    while not hands.closed:
        there = _there(hands)
        if hands.closed:  # nothing is there any more, and nothing is missed
            return
        for name in wanted:
            if name in there and name in gone:
                gone.discard(name)
                live.back(name)
            elif name not in there | before | gone:
                gone.add(name)
                live.lost(name)
        before = there
        time.sleep(LOOK_S)


def _there(hands: Hands) -> set[str]:
    return {name for device in hands.devices if device.alive for name in device.there}
