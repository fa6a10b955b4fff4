"""The numbers at the side of a chart, on paper and on the crew's board."""
from __future__ import annotations

from math import ceil, floor, log10


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers between: steps of 1, 2 or 5 tenths, ones, tens."""
    rough = (high - low) / most
    size = 10.0 ** floor(log10(rough))
    step = next(size * one for one in (1, 2, 5, 10) if size * one >= rough * 0.999)
    return [round(step * n, 9) for n in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]
