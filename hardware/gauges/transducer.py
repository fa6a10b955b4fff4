"""A ratiometric pressure transducer on an MCP3008 converter, through gpiozero.

Such a transducer gives a share of its supply: usual is 10 % at zero and 90 % at full scale (common practice, no
source). A reference channel that measures the supply through the same kind of divider makes the result independent of
it: ratio = counts of the signal / counts of the supply. Without one, ratio = counts / 1023. Two points (ratio, psi)
from a comparison with a known gauge give the straight line between.

The converter has 10 bits: over 60 psi one count is about 0.07 psi, while the method is read to 0.01 psi.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from hardware.gauges.polled import Rhythm
from hardware.gauges.sample import GaugeGone, NotAReading, Refused, Sample
from hardware.gauges.source import Clock, Pause
from hardware.pins import PinError, factory

FULL = 1023                    # counts; MCP3008 data sheet: 10 bits
LEAST_SUPPLY = 300             # counts of the reference channel below which the supply is not there
BEYOND = Fraction(5, 100)      # of the span between the two points, that a ratio may lie beyond them
READABLE_PSI = Decimal("0.01")


@dataclass(frozen=True)
class TwoPoints:
    """The straight line through two compared points; ratios from 0 to 1, the low one first."""

    low_ratio: Decimal
    low_psi: Decimal
    high_ratio: Decimal
    high_psi: Decimal

    def psi(self, ratio: Fraction) -> Decimal:
        """NotAReading where the ratio is more than 5 % of the span beyond the points: a broken wire, or overrange."""
        low, high = Fraction(self.low_ratio), Fraction(self.high_ratio)
        share = (ratio - low) / (high - low)
        if not -BEYOND <= share <= 1 + BEYOND:
            raise NotAReading(f"the transducer gives {float(ratio):.3f} of its supply, outside {self.low_ratio} to "
                              f"{self.high_ratio}: a wire is off, or the pressure is beyond its range")
        exact = Fraction(self.low_psi) + share * (Fraction(self.high_psi) - Fraction(self.low_psi))
        return Decimal(exact.numerator) / Decimal(exact.denominator)

    @property
    def count_psi(self) -> Decimal:
        """psi of one count, where the supply is full scale of the converter."""
        return abs(self.high_psi - self.low_psi) / (self.high_ratio - self.low_ratio) / FULL


class Transducer:
    """Reads every `every_s` the mean of `reads` conversions of each channel.

    channel  signal, 0 to 7;  supply_channel  reference, 0 to 7, or None;  select  which chip select, 0 or 1
    """

    def __init__(self, points: TwoPoints, channel: int, supply_channel: int | None, select: int, reads: int, every_s: float,
                 clock: Clock, pause: Pause) -> None:
        self._points, self._select, self._reads, self._clock = points, select, reads, clock
        self._channels = (channel,) if supply_channel is None else (channel, supply_channel)
        self._rhythm = Rhythm(every_s, pause)
        self._open: list[Any] = []                 # gpiozero says nothing of its types
        self.caution = "" if points.count_psi <= READABLE_PSI else (
            f"This transducer steps by {points.count_psi:.2f} psi, and the method is read to 0.01: take its readings as a guide, "
            "and enter those of the meter's own gauge.")

    def open(self) -> None:
        try:
            import gpiozero

            factory()
        except ImportError:
            raise GaugeGone("The Python package gpiozero is missing: run the set-up again.") from None
        except PinError as problem:
            raise GaugeGone(f"The transducer can't be read: {problem}") from None
        # Bit by bit over the same pins does as well, at these speeds.
        warnings.filterwarnings("ignore", category=gpiozero.SPISoftwareFallback)
        self.close()
        try:
            for channel in self._channels:
                self._open.append(gpiozero.MCP3008(channel, port=0, device=self._select))
        except (gpiozero.GPIOZeroError, OSError, ImportError, RuntimeError) as problem:
            self.close()
            raise GaugeGone(f"The transducer's converter can't be reached ({_one_line(problem)}): "
                            "switch SPI on, and check that this machine has header pins.") from None

    def read(self) -> list[Sample | Refused]:
        self._rhythm.wait()
        try:
            counts = [sum(device.raw_value for _ in range(self._reads)) for device in self._open]
        except Exception as problem:
            raise GaugeGone(f"The transducer's converter is gone ({_one_line(problem)}).") from None
        try:
            ratio = self._ratio([Fraction(total, self._reads) for total in counts])
            raw = f"ratio {float(ratio):.4f}, counts {'/'.join(map(str, counts))} of {self._reads}"
            return [Sample(self._clock(), self._points.psi(ratio), raw)]
        except NotAReading as problem:
            return [Refused(str(problem))]

    def _ratio(self, counts: list[Fraction]) -> Fraction:
        """A bus with nothing on it gives all zeros or all ones, and gpiozero takes that for values."""
        if all(count == 0 for count in counts) or all(count == FULL for count in counts):
            raise NotAReading(f"the converter gives {counts[0]} on every channel: nothing is on the SPI bus, or it has no power")
        signal, *supply = counts
        if signal in (0, FULL):
            raise NotAReading(f"the signal channel stands at its end ({signal}): a wire is off, or it is wired wrong")
        if not supply:
            return signal / FULL
        if not LEAST_SUPPLY <= supply[0] < FULL:
            raise NotAReading(f"the supply channel gives {float(supply[0]):.0f} counts, outside {LEAST_SUPPLY} to {FULL - 1}: "
                              "check the transducer's supply and the divider")
        return signal / supply[0]

    def close(self) -> None:
        while self._open:
            self._open.pop().close()


def _one_line(problem: Exception) -> str:
    return str(problem).split("\n")[0].rstrip(".") or type(problem).__name__
