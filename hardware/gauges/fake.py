"""A gauge fed by hand, for tests and for trying the station at a desk."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from hardware.clock import boot_now
from hardware.gauges.sample import Sample
from hardware.gauges.source import Clock


class FakeGauge:
    """`feed(psi)` hands on one sample, `lose()` and `come_back()` tell what a real gauge tells, once each."""

    def __init__(self, on_sample: Callable[[Sample], None], on_lost: Callable[[str], None] = lambda sentence: None,
                 on_back: Callable[[], None] = lambda: None, clock: Clock = boot_now) -> None:
        self._on_sample, self._on_lost, self._on_back, self._clock = on_sample, on_lost, on_back, clock
        self.alive = True

    def feed(self, psi: Decimal | str) -> None:
        """A lost gauge that is fed comes back first."""
        self.come_back()
        self._on_sample(Sample(self._clock(), Decimal(psi), str(psi)))

    def lose(self, sentence: str = "The gauge was unplugged: plug it in again, or read it yourself.") -> None:
        if self.alive:
            self.alive = False
            self._on_lost(sentence)

    def come_back(self) -> None:
        if not self.alive:
            self.alive = True
            self._on_back()

    def close(self) -> None:
        self.alive = False
