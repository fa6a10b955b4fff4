"""From the gauge's samples to what the machine is told: that it stands still, what it shows while it matters, never more.

It lives in the thread of the loop (or of a test) and asks no clock: ``now`` is always handed in, boot time in seconds.
"""
from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_HALF_EVEN, Decimal

from assistant.core import gauge
from assistant.core.events import Event, GaugeReads, GaugeSteady
from assistant.core.state import State
from hardware.gauges.steady import Steady, Still

READ_EVERY_S = 1.0
UNCHANGED_PSI = Decimal("0.02")
"""While charging, a gauge that moves less than this for STILL_S is not worth a row of the journal. Ours."""
STILL_S = 5.0
STEADY_EVERY_S = 1.0
AT_MOST = 20
"""So often one steady value is told for one prompt; then only just before somebody answers it. Ours."""
SAME_PSI = Decimal("0.01")
"""A gauge whose last place flickers stands still all the same."""
_KEPT = Decimal("0.001")
_SOON_S = 0.01
"""A sample that comes so little early is not left for the next one: ten a second would give nine readings in ten seconds."""


class GaugeWatch:
    """``post`` takes an event and handles it at once; ``state`` gives the machine's state."""

    def __init__(self, post: Callable[[Event], object], state: Callable[[], State]) -> None:
        self._post, self._state = post, state
        self._steady = Steady()
        self._read_at = self._moved_at = float("-inf")
        self._read = Decimal(0)
        self._told_at = float("-inf")
        self._told = Decimal(0)
        self._for: tuple[str, float] = ("", 0.0)
        self._times = 0

    def sample(self, at: float, psi: Decimal, now: float) -> None:
        """One sample, measured at ``at``. Tells what it means for the prompt that is open now."""
        self._steady.take(at, psi)
        state = self._state()
        if gauge.wants_reads(state) and now - self._read_at >= READ_EVERY_S - _SOON_S:
            self._tell_reading(state, now)
        if now - self._told_at >= STEADY_EVERY_S - _SOON_S:
            self._tell_steady(state, now)

    def before_answer(self, now: float) -> None:
        """Somebody answers: the machine shall know that the gauge still stands where it was last told."""
        state = self._state()
        still = self._still(state, now)
        if still is not None and self._for == (state.step.id, state.opened) and abs(self._told - still.value) <= SAME_PSI:
            self._tell(still, now)

    def lost(self) -> None:
        self._steady.forget()

    def shown(self, now: float) -> Decimal | None:
        """What the gauge shows, psi to 0.01; None when nothing fresh came."""
        latest = self._steady.latest(now)
        return None if latest is None else latest.quantize(Decimal("0.01"), ROUND_HALF_EVEN)

    def _tell_reading(self, state: State, now: float) -> None:
        latest = self._steady.latest(now)
        if latest is None:
            return
        if abs(latest - self._read) >= UNCHANGED_PSI or state.guided is None:
            self._read, self._moved_at = latest, now
        if state.hold is None and now - self._moved_at > STILL_S:
            return
        self._read_at = now
        self._post(GaugeReads(now, latest.quantize(_KEPT, ROUND_HALF_EVEN)))

    def _still(self, state: State, now: float) -> Still | None:
        if not gauge.wants_steady(state):
            return None
        still = self._steady.still(now, state.ask.places)
        return still if still is not None and still.since >= state.opened else None

    def _tell_steady(self, state: State, now: float) -> None:
        still = self._still(state, now)
        if still is None:
            return
        asked = (state.step.id, state.opened)
        if asked != self._for or abs(self._told - still.value) > SAME_PSI:
            self._for, self._told, self._times = asked, still.value, 0
        if self._times < AT_MOST:
            self._times += 1
            self._tell(still, now)

    def _tell(self, still: Still, now: float) -> None:
        self._told_at = now
        self._post(GaugeSteady(now, still.value, still.spread, still.since))
