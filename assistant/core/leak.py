"""The leak hold, assessed: does the chamber keep its pressure? (Common practice, no source.)"""

from decimal import Decimal

from assistant.core import plausible, rounding
from assistant.core.assessment import FAIL, INVALID, PASS, Assessment, result
from assistant.core.language import sentence
from assistant.core.settings import Settings


def assess(initial: Decimal, final: Decimal, settings: Settings,
           seconds: Decimal | None = None) -> Assessment:
    """From the first and last reading, psi, and how long it was held, if known. Never raises on any readings.

    The limit is the one set on leak_drop in `settings.limits`, else `settings.leak_limit_psi`; a drop equal
    to it passes. A rise over it says nothing about leaks: the chamber was warming.
    """
    most = limit(settings)
    invalid: list[str] = []
    warnings: list[str] = []
    for word, name, value in (("first", "leak.initial", initial), ("last", "leak.final", final)):
        doubt = plausible.reading(name, value, {}, settings)
        if doubt and doubt.kind == plausible.IMPOSSIBLE:
            invalid.append(sentence(f"leak.{word}", doubt=doubt.words))
    if not invalid:
        band = plausible.band("leak.initial", initial, settings)
        off = {"value": f"{initial:f}", "by": f"{band.by:f}"}
        if band.by > plausible.FAR_PSI:
            invalid.append(sentence(f"leak.first_far_{band.state}", low=f"{settings.leak_low:f}",
                                    high=f"{settings.leak_high:f}", **off))
        elif band.state != "in_band":
            warnings.append(sentence(f"leak.first_{band.state}", **off))
    if seconds is not None and seconds < settings.leak_hold_s:
        invalid.append(sentence("leak.short", seconds=f"{seconds:f}", needed=f"{settings.leak_hold_s:f}"))
    if not invalid and not rounding.judge(final - initial, (None, most), settings.rounding):
        invalid.append(sentence("leak.rose", by=f"{final - initial:f}"))
    if invalid:
        none = result("leak_drop", None, settings)
        return Assessment((none,), tuple(warnings), INVALID, "; ".join(invalid))
    drop = result("leak_drop", initial - final, settings)
    if rounding.judge(initial - final, (None, most), settings.rounding):
        moved = "dropped" if drop.rounded >= 0 else "rose"
        return Assessment((drop,), tuple(warnings), PASS,
                          sentence(f"leak.why_{moved}", by=abs(drop.rounded), limit=f"{most:f}"))
    return Assessment((drop,), tuple(warnings), FAIL,
                      sentence("leak.why_leaks", by=drop.rounded, limit=f"{most:f}"))


def limit(settings: Settings) -> Decimal:
    return settings.leak_limit
