"""What a step can expect to hear, told to the recogniser before it listens."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal


@dataclass(frozen=True)
class Expect:
    """What may be said now. A reading and a yes / no may each be interrupted by a command."""

    kind: Literal["reading", "command", "yesno", "off"]
    """"off": nothing is listened for, whatever is heard is refused."""

    low: Decimal | None = None
    """Lowest plausible reading, in the reading's unit; None: no lower end. It never changes what was heard."""

    high: Decimal | None = None
    """Highest plausible reading, likewise."""

    places: int | None = None
    """Decimal places of the gauge: a reading with more is refused, one with fewer is padded. None: any."""

    near: tuple[Decimal, Decimal] | None = None
    """Where the reading most likely lies (`plausible.likely_range`): it ranks what may have been heard, and makes nothing up."""

    unit: str = ""
    """Of the reading, as it is shown; empty or psi: a pressure, which never reaches 60."""
