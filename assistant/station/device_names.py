"""What each device is called, wherever one is told of."""
from __future__ import annotations

from collections.abc import Sequence

NAMES = {"loudspeaker": "loudspeaker", "keypad": "keypad", "usb_pad": "USB pad", "pedal": "pedal", "buttons": "buttons",
         "lamp": "lamp", "buzzer": "buzzer", "gauge": "gauge", "microphone": "microphone"}
"""Every device, in the order of the check, and what it is called. The microphone is last: its check takes the sound away."""


def listed(names: Sequence[str]) -> str:
    """a, b and c."""
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if names else ""
