"""What the station shall do. The core only asks; the shell does it, after the event is safe in the journal."""
from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Mapping

from assistant.core.expect import Expect


@dataclass(frozen=True)
class Effect:
    pass


NOT_NOW = ".not_now"
"""How the id of words ends that refuse an answer and mean nothing once the next prompt is there: "Not yet."."""


@dataclass(frozen=True)
class Speak(Effect):
    """Say ``text`` after whatever is still being said; ``Spoken(number)`` must follow, whatever happens."""
    id: str
    text: str
    number: int
    aloud: bool = True
    """False while quiet or paused: show the words, do not sound them."""
    wpm: int = 0
    """Speaking rate in words a minute; 0: the station's own."""


@dataclass(frozen=True)
class Hush(Effect):
    """Cut off what is being said and drop what waits to be said, but for the utterances in ``keep``."""
    keep: tuple[int, ...] = ()


@dataclass(frozen=True)
class Cue(Effect):
    name: str


@dataclass(frozen=True)
class Cadence(Effect):
    """Cues at fixed offsets (seconds from now), to be placed by sample count on the audio stream."""
    cues: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class DropCues(Effect):
    """Forget the cues that have not sounded yet: the tapping is over."""


@dataclass(frozen=True)
class Listen(Effect):
    """Prompt ``id`` now waits for an answer of this kind."""
    id: str
    expect: Expect


@dataclass(frozen=True)
class Record(Effect):
    """A line of the record: ``heard proposed taken refused taken_back hold result verdict note``."""
    kind: str
    fields: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Finish(Effect):
    """The test is over: ``done``, ``scrapped`` or ``stopped``."""
    outcome: str
