"""What a gauge on the wire sends: how often, how noisy, whether it comes to rest, and where zero is."""
from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal

from assistant.check.finding import Finding, joined
from hardware.gauges import Sample
from hardware.gauges.steady import STALE_S, Steady, Still

LEAST_RATE = 2.0
"""Readings a second. A gap of 1.5 s ends what was gathered (hardware/gauges/steady.py); nobody can trim by less. Ours."""
NOISY_PSI = 0.05
"""Standard deviation of one reading: five last places, more than the leak hold could see. Ours."""
ZERO_PSI = Decimal("0.02")
"""Open to the air it must show zero (trade: the gauge is zeroed before anything); two last places are its own doubt. Ours."""
FOLLOWED_PSI = Decimal(1)
"""A gauge that moves by less has not followed a charge to about 15 psi. Ours."""
_SHOWN = Decimal("0.01")


def at_rest(samples: Sequence[Sample], caution: str = "") -> Finding:
    """Without a person: what it reads and what came over the wire for it (of a transducer its ratio, which two-point calibration
    needs), how often, and its noise."""
    last, parts = samples[-1], _sending(samples)
    return joined("gauge", [(True, f'It reads {shown(last.psi)} psi, from "{last.raw}".'), *parts, *with_caution(caution)])


def with_caution(caution: str) -> list[tuple[bool, str]]:
    """What the gauge's kind falls short of: told, and no fault."""
    return [(True, caution)] if caution else []


def open_to_air(samples: Sequence[Sample], still: Still | None) -> list[tuple[bool, str]]:
    """The meter is open to the air: it must stand still, at zero."""
    parts = _sending(samples)
    if still is None:
        return [*parts, (False, "It does not come to rest, so it would never offer a reading: keep the meter still, look for a "
                                "loose wire, and keep its cable away from the mixer's.")]
    if abs(still.value) > ZERO_PSI:
        return [*parts, (False, f"Open to the air it shows {still.value} psi: zero it.")]
    return [*parts, (True, f"It stands still, at {still.value} psi open to the air.")]


def charged(rest: Decimal | None, still: Still | None) -> list[tuple[bool, str]]:
    """After a charge: it must have followed, and stand still again."""
    if still is None:
        return [(False, "After the charge it did not come to rest: let the chamber's air cool, and look for a leak.")]
    if rest is not None and abs(still.value - rest) < FOLLOWED_PSI:
        return [(False, f"It did not follow the charge: it still shows {still.value} psi. Is it joined to this meter?")]
    return [(True, f"It followed a charge to {still.value} psi.")]


def face_differs(still: Still, unit: object, scale: object) -> str:
    return (f"The wire says {still.value} psi and the meter's own gauge shows something else: look at unit = \"{unit}\" and "
            f"scale = {scale} in [gauge].")


def still_now(samples: Sequence[Sample], now: float) -> Still | None:
    """Whether it stands still at ``now`` (boot clock), by the rule of the live test."""
    steady = Steady()
    for sample in samples:
        steady.take(sample.at, sample.psi)
    return steady.still(now)


def shown(psi: Decimal) -> Decimal:
    return psi.quantize(_SHOWN, ROUND_HALF_EVEN)


def _sending(samples: Sequence[Sample]) -> list[tuple[bool, str]]:
    """How often, and how noisy."""
    steady = Steady()
    for sample in samples:
        steady.take(sample.at, sample.psi)
    lasted, noise = samples[-1].at - samples[0].at, steady.noise()
    parts: list[tuple[bool, str]] = []
    if len(samples) < 3 or lasted <= 0:
        return [(False, f"It sent {len(samples)} readings only, and a gap of {STALE_S:g} s ends what was gathered: "
                        "let it send at least twice a second.")]
    rate = (len(samples) - 1) / lasted
    if rate < LEAST_RATE:
        parts.append((False, f"It sends {rate:.1f} readings a second: let it send at least {LEAST_RATE:g}."))
    else:
        parts.append((True, f"It sends {rate:.0f} readings a second."))
    if noise > NOISY_PSI:
        parts.append((False, f"Its noise is {noise:.3f} psi: look for a loose wire, and keep its cable away from motors."))
    else:
        parts.append((True, f"Its noise is {noise:.3f} psi."))
    return parts
