"""What a reading of the other fresh-concrete tests can be: hard ends, usual ends, steps, and how it fits those before it.

Names of readings: "temperature", "slump", "tare", "gross", "air.reading", "water.drawn", "canister.reading",
"canister.charge.N", "canister.equilibrium.N", "zero.reading", "gauge.N", "reference.N", "cylinder.count", "cylinder.set",
"cure.max", "cure.min", "cure.hours". Values are in the units of the job. Ends are ours unless a module says otherwise.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal as D

from assistant.core import density, slump, temperature
from assistant.core.assessment import UNITS, result
from assistant.core.doubt import DOUBTFUL, IMPOSSIBLE, Doubt
from assistant.core.language import sentence
from assistant.core.settings import Settings

Taken = Mapping[str, D]


@dataclass(frozen=True)
class Span:
    low: D
    high: D
    """Outside these two it can't be true."""
    usual_low: D
    usual_high: D
    """Outside these two it is confirmed."""
    step: D | None = None
    """It is read in multiples of this; None: as the instrument's places say."""


def _span(low: str, high: str, usual_low: str, usual_high: str, step: str = "") -> Span:
    return Span(D(low), D(high), D(usual_low), D(usual_high), D(step) if step else None)


_SPANS = {
    "tare": (_span("0.1", "500", "1", "80"), _span("0.05", "250", "0.5", "40")),
    "gross": (_span("0.1", "999", "10", "300"), _span("0.05", "450", "5", "140")),
    "air.reading": (_span("0", "30", "1", "12"),) * 2,
    "water.drawn": (_span("0", "20", "2", "8"),) * 2,
    "canister.reading": (_span("0", "30", "2", "12"),) * 2,
    "zero.reading": (_span("0", "5", "0", "0.05"),) * 2,
    "cylinder.count": (_span("1", "24", "2", "12"),) * 2,
    "cylinder.set": (_span("1", "99", "1", "99"),) * 2,
    "cure.hours": (_span("1", "99", "8", "48"),) * 2,
    "cure.max": (_span("0", "150", "40", "110"), _span("0", "65", "4", "43")),
}
"""Inch-pound and SI."""


def knows(name: str) -> bool:
    """Whether this is a reading of these tests."""
    return name in _SPANS or name in ("temperature", "slump", "cure.min") or _pressure(name)


def span(name: str, settings: Settings) -> Span:
    """ValueError on any other name."""
    if name == "temperature":
        return Span(*temperature.POSSIBLE[settings.units], *temperature.USUAL[settings.units])
    if name == "slump":
        return Span(D(0), slump.MOULD[settings.units], *slump.VALID[settings.units], D(5) if settings.si else D("0.25"))
    if _pressure(name):
        return _pressure_span(name, settings)
    two = _SPANS.get("cure.max" if name == "cure.min" else name)
    if two is None:
        raise ValueError(f"{name!r} is no reading of this test")
    return two[settings.si]


def doubts(name: str, value: D, taken: Taken, settings: Settings) -> Iterator[Doubt]:
    """Every doubt about a reading, in order; an impossible one has just the one."""
    where = span(name, settings)
    fields = {"value": f"{value:f}", "low": f"{where.low:f}", "high": f"{where.high:f}"}
    if name == "temperature" and (why := temperature.doubt(value, settings)):
        yield Doubt(IMPOSSIBLE, why, "range")
        return
    if not where.low <= value <= where.high:
        yield Doubt(IMPOSSIBLE, sentence("fresh.outside", **fields), "range")
        return
    if where.step is not None and value % where.step:
        yield Doubt(IMPOSSIBLE, sentence("fresh.step_si" if settings.si else "fresh.step_us", **fields), "step")
        return
    if hard := _order(name, value, taken):
        yield Doubt(IMPOSSIBLE, hard, "order")
        return
    if name == "gross":
        yield from _of_density(value, taken, settings)
    if not where.usual_low <= value <= where.usual_high:
        side = "below" if value < where.usual_low else "above"
        yield Doubt(DOUBTFUL, sentence(f"fresh.unusual_{side}", **fields), "range")
    if name == "air.reading" and value < taken.get("water.drawn", D(0)):
        yield Doubt(DOUBTFUL, sentence("fresh.under_water", **fields), "range")


def ends(name: str, taken: Taken, settings: Settings) -> tuple[D, D]:
    """Lowest and highest reading that can be true, for the ear; narrowed by what was read before."""
    where = span(name, settings)
    low, high = where.low, where.high
    if name == "gross" and "tare" in taken:
        low = max(low, taken["tare"])
    if name.startswith("canister.equilibrium.") and (charge := taken.get(_charge_of(name))) is not None:
        high = min(high, charge)
    return low, high


def usual(name: str, taken: Taken, settings: Settings) -> tuple[D, D] | None:
    """Where it most likely lies, for the ear: from what was read before, else where it usually is."""
    where = span(name, settings)
    if name == "gross" and "tare" in taken and (volume := settings.amount("measure_volume")) is not None:
        low, high = density.NORMAL[settings.units]
        return taken["tare"] + low * volume, taken["tare"] + high * volume
    return where.usual_low, where.usual_high


def _order(name: str, value: D, taken: Taken) -> str:
    """Why it can't stand beside what was read before; empty where it can."""
    for full, empty in (("gross", "tare"), ("cure.max", "cure.min")):
        same = name.startswith("cure.")
        for mine, theirs, wrong in ((full, empty, value <= taken.get(empty, value - 1)),
                                    (empty, full, value >= taken.get(full, value + 1))):
            if name == mine and wrong and not (same and value == taken[theirs]):
                return sentence(f"fresh.{'under' if mine == full else 'over'}_{theirs.replace('.', '_')}", value=f"{value:f}")
    if name.startswith("canister.equilibrium.") and value >= taken.get(_charge_of(name), value + 1):
        return sentence("doubt.not_below_charge", value=f"{value:f}")
    return ""


def _of_density(gross: D, taken: Taken, settings: Settings) -> Iterator[Doubt]:
    volume = settings.amount("measure_volume")
    if volume is None or "tare" not in taken:
        return
    low, high = density.NORMAL[settings.units]
    found = density.density(gross, taken["tare"], volume)
    if not low <= found <= high:
        shown = result("density", found, settings)
        yield Doubt(DOUBTFUL, sentence("fresh.density", value=f"{gross:f}", density=shown.rounded,
                                       unit=sentence(f"unit.{UNITS[shown.unit]}")), "density")


def _pressure(name: str) -> bool:
    kind, _, number = name.rpartition(".")
    return kind in ("gauge", "reference", "canister.charge", "canister.equilibrium") and number in ("1", "2", "3")


def _pressure_span(name: str, settings: Settings) -> Span:
    near, least = D("0.5"), D("0.01")
    if name.startswith("canister.equilibrium."):
        return Span(least, settings.max_psi, D(3), D(12))
    target = settings.target(1) if name.startswith("canister.") else settings.target(int(name[-1]))
    return Span(least, settings.max_psi, target - near, target + near)


def _charge_of(name: str) -> str:
    return name.replace("equilibrium", "charge")
