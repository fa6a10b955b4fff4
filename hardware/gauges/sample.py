"""What a gauge hands on: a sample, a frame that gives none, or the news that the gauge can't be reached."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

RAW_LIMIT = 80  # characters kept of what was received


@dataclass(frozen=True)
class Sample:
    """One pressure that a gauge sent."""

    at: float
    """boot clock when it arrived, s"""
    psi: Decimal
    """converted to psi, not rounded"""
    raw: str
    """what was received, as it was; control characters escaped, at most 80 characters"""


@dataclass(frozen=True)
class Refused:
    """A frame that arrived and gives no reading."""

    why: str
    """goes on after "the gauge gives no reading: ", without a full stop"""


class NotAReading(ValueError):
    """Raised inside the package for a frame that gives no reading; str() is `Refused.why`."""


class GaugeGone(Exception):
    """The gauge's port or bus is not there, or is gone; str() is one plain sentence."""


class GaugeSettingsError(ValueError):
    """[gauge] in the station's settings can't be right; str() is one sentence: key, value, what is allowed."""


def raw_of(data: bytes) -> str:
    """Bytes as they are shown and stored: printable ASCII as it is, anything else as \\xHH, at most 80 characters."""
    # Cut first: a long burst of rubbish must not be escaped only to be thrown away.
    shown = "".join(chr(b) if 32 <= b < 127 else f"\\x{b:02x}" for b in data[:RAW_LIMIT])
    return shown[:RAW_LIMIT]
