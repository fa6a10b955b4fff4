"""What the lamp and the buzzer say. Each pattern has a rhythm of its own, so that it is told apart without its colour or
pitch, by a person who sees or hears neither well.

The rhythms are our own choice. The lamp never flashes more than three times within any second, which is the threshold of
WCAG 2.3.1 for people whom flashing light harms. `python -m hardware.rhythms` prints the table.
"""
from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rhythm:
    """Beats one after another, again and again, or once."""

    beats: tuple[tuple[float, float], ...]
    """(seconds on, seconds off after)"""
    again: bool = True
    """from the start when it is over; else off from then on"""

    @property
    def length_s(self) -> float:
        return sum(on + off for on, off in self.beats)

    def at(self, since: float) -> tuple[bool, float | None]:
        """On or off `since` seconds after it began, and the seconds until that changes (None: never)."""
        if not self.beats or not self.again and since >= self.length_s:
            return False, None
        place = since % self.length_s if self.again else since
        for on, off in self.beats:
            if place < on:
                return True, on - place
            place -= on
            if place < off:
                return False, off - place
            place -= off
        return False, 0.0  # a rounding error before the first beat


OFF = Rhythm(())

LAMP: dict[str, Rhythm] = {
    "waiting": Rhythm(((0.1, 1.4),)),
    "hold": Rhythm(((1.8, 0.2),)),
    "tap": Rhythm(((0.25, 0.25),)),
    "wrong": Rhythm(((0.15, 0.2), (0.15, 1.0))),
    "off": OFF,
}
"""The lamp: waiting for you, a hold is running, tap now, something is wrong, nothing."""

BUZZER: dict[str, Rhythm] = {
    "waiting": Rhythm(((0.08, 0.0),), again=False),
    "hold": Rhythm(((0.6, 0.0),), again=False),
    "tap": Rhythm(((0.1, 0.4),)),
    "wrong": Rhythm(((0.25, 0.15), (0.25, 0.0)), again=False),
    "off": OFF,
}
"""The buzzer: the same. It sounds when something begins and is then silent, since it would drown what is said; not so for
tapping."""

MEANS = {"waiting": "the station waits for you", "hold": "a hold is running", "tap": "tap now, lever held",
         "wrong": "something is wrong: listen, or look", "off": "nothing"}


def table() -> str:
    """The patterns as a Markdown table, for people."""
    return "\n".join(["| Pattern | Means | Lamp | Buzzer |", "|---|---|---|---|",
                      *(f"| {name} | {means} | {_words(LAMP[name])} | {_words(BUZZER[name])} |"
                        for name, means in MEANS.items())])


def _words(rhythm: Rhythm) -> str:
    if not rhythm.beats:
        return "off"
    beats = ", ".join(f"{on:g} s on" + (f", {off:g} s off" if off else "") for on, off in rhythm.beats)
    return f"{beats}, again and again" if rhythm.again else f"{beats}, once"


if __name__ == "__main__":
    print(table())
