"""What happened. Each event is one row of the journal; nothing else may change the state.

``at`` is always seconds on the boot clock (it runs on through suspend); wall time is only a label in the journal.
"""
from __future__ import annotations

from dataclasses import dataclass, field, fields
from decimal import Decimal
from typing import Any, Mapping

from assistant.core.language import CURRENT

RULES = 7
"""By which rules a test that begins now is led. 0: an answer counted as soon as it came. 1: a clock of the test was asked about, and
its end could be answered away; a run 2 far from run 1 was not asked about, and gains that contradict the physics could pass. 2: who keyed was told to
use the keypad. 3: nobody was asked why a test was scrapped. 4: a point was always keyed. 5: a restart always lost the clock of the
test, no break brought the caution about fresh concrete back, a number of seven digits was refused, and an answer to what had been cut
off, or to "why?", counted at once. 6: what a digit had cut off while its caution was said was asked again only at the press after it."""


@dataclass(frozen=True)
class Event:
    at: float
    """Seconds on the boot clock."""


@dataclass(frozen=True)
class TestStarted(Event):
    """A test begins. It carries its whole procedure and settings, so that a replay never depends on a file edited later."""
    __test__ = False  # the name is ours, not pytest's

    test: str
    procedure: Mapping[str, Any]
    settings: Mapping[str, Any]
    header: Mapping[str, Any] = field(default_factory=dict)
    """Labels for the record: job, mix, station, technician, meter, practice."""
    language: str = CURRENT.name
    """What was said and heard in it: a replay in another would understand other words."""
    clock: Mapping[str, Any] = field(default_factory=dict)
    """``wall``: seconds since midnight by the wall clock. ``boot``: whose clock the events' times are on. ``placed``: the day's
    concrete so far (``due.told``). In a round, once the sample is taken: when that was, and what is to
    begin (see ``round_clock.begin``)."""
    rules: int = RULES


@dataclass(frozen=True)
class Restarted(Event):
    """The station came up again and this test was not over. Whatever clock was running is broken."""
    boot: str = ""
    sampled_at: float | None = None
    """After a reboot in a round: when the last portion was taken, by the wall clock, but on the new boot's clock."""
    wall: float | None = None
    """Seconds since midnight by the wall clock."""


@dataclass(frozen=True)
class Heard(Event):
    """The recogniser is satisfied that this was said."""
    text: str = ""
    prompt: str = ""
    """What was being asked when the words were said; empty: whatever is asked now."""


@dataclass(frozen=True)
class Unclear(Event):
    """Something was said, but it could not be understood or may not be trusted."""
    why: str = ""
    text: str = ""
    prompt: str = ""
    apart: bool = False
    """Two recognisers each heard a reading, and not the same one."""


@dataclass(frozen=True)
class KeyPressed(Event):
    """One key of the map: ``0``-``9 * # A B C D #-held A-held B-held D-held``.

    ``at``: when it was pressed, not when it was handled.
    """
    key: str = ""


@dataclass(frozen=True)
class GaugeSteady(Event):
    """The gauge on the wire stands still at this value (psi, rounded to the places of the reading)."""
    value: Decimal = Decimal(0)
    spread: Decimal = Decimal(0)
    """Half the distance, psi, between the highest and the lowest sample that it was found from."""
    since: float | None = None
    """Boot time of the oldest of those samples. None: somebody gave this value on purpose (a script does)."""


@dataclass(frozen=True)
class GaugeReads(Event):
    """What the gauge on the wire shows now, psi. At most one a second, and only while a charge is made or a hold runs."""
    value: Decimal = Decimal(0)


@dataclass(frozen=True)
class Spoken(Event):
    """Utterance ``number`` is over: played to its end, hushed, or given up."""
    number: int = 0


@dataclass(frozen=True)
class TimerDue(Event):
    name: str = ""


@dataclass(frozen=True)
class DeviceLost(Event):
    device: str = ""
    words: str = ""
    """One sentence for the technician: what is gone and what to use instead."""


@dataclass(frozen=True)
class DeviceBack(Event):
    device: str = ""


@dataclass(frozen=True)
class HearingChanged(Event):
    """What the microphone's last minute allows: ``good``, ``noisy``, ``silent`` or ``clipping`` (see models/watch.py)."""
    hearing: str = "good"


@dataclass(frozen=True)
class ClockJumped(Event):
    """The wall clock moved by ``seconds`` against the boot clock. Only labels are affected; it is recorded."""
    seconds: float = 0.0


@dataclass(frozen=True)
class Suspended(Event):
    """The machine slept for ``seconds``; the boot clock went on."""
    seconds: float = 0.0


KINDS: dict[str, type[Event]] = {kind.__name__: kind for kind in (
    TestStarted, Restarted, Heard, Unclear, KeyPressed, GaugeSteady, GaugeReads, Spoken, TimerDue,
    DeviceLost, DeviceBack, HearingChanged, ClockJumped, Suspended)}


def to_plain(event: Event) -> dict[str, Any]:
    """The event as plain JSON values; decimals become strings so that no digit is lost."""
    plain: dict[str, Any] = {"kind": type(event).__name__}
    for each in fields(event):
        value = getattr(event, each.name)
        plain[each.name] = str(value) if isinstance(value, Decimal) else value
    return plain


def from_plain(plain: Mapping[str, Any]) -> Event:
    """The event again. Raises ValueError with a sentence if the row is not one of ours."""
    rest = dict(plain)
    name = rest.pop("kind", None)
    kind = KINDS.get(name) if isinstance(name, str) else None
    if kind is None:
        raise ValueError(f"this is no event of a test: kind {name!r}; known kinds are {', '.join(KINDS)}")
    for each in ("value", "spread"):
        if each in rest or each == "value" and kind in (GaugeSteady, GaugeReads):
            rest[each] = Decimal(rest[each])
    if kind is TestStarted:
        rest = {"language": "en", "rules": 0, **rest}  # journals from before there was a choice
    try:
        return kind(**rest)
    except TypeError as error:
        raise ValueError(f"the event {name} has a wrong field: {error}") from None
