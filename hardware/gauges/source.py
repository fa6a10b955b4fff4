"""What the supervisor expects of each kind of gauge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from hardware.gauges.sample import Refused, Sample

Clock = Callable[[], float]      # boot clock, s
Pause = Callable[[float], object]  # waits so many seconds, or less when the gauge is being closed


class Source(Protocol):
    """One kind of gauge on its port. Everything may raise GaugeGone, nothing else."""

    caution: str
    """one sentence to say when it has been opened, or "" """

    def open(self) -> None: ...
    def read(self) -> list[Sample | Refused]:
        """What came since the last call, waiting at most about a second; [] for nothing."""
    def close(self) -> None: ...
