"""Can this reading be true? Checks on one reading, against those taken before it.

Physics gives hard rules (0 < E1 < P1, E(n-1) < En < Pn: impossible) and soft ones (doubtful: confirm). The
standing of each is in `standing.TABLE`. The words are meant to be spoken: they begin with what was read and
never tell the value to expect, since people hear what they expect. Nothing here changes a reading.

Names of readings: "leak.charge", "leak.initial", "leak.final", "charge.R.S", "equilibrium.R.S" with run R
1-2 and step S 1-3. All values are psi. The readings of the other tests are in `fresh_readings`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import fresh_readings, pressure
from assistant.core.doubt import DOUBTFUL, IMPOSSIBLE, Doubt
from assistant.core.language import sentence
from assistant.core.settings import Settings

RESOLUTION = Decimal("0.01")
"""The gauge reads to 0.01 psi (from memory, 50-80 % sure)."""
FAR_PSI = Decimal(1)
"""A leak-hold reading further off than this is more likely a slip (common practice, no source)."""

Taken = Mapping[str, Decimal]


@dataclass(frozen=True)
class Band:
    state: str
    """"in_band", "over" or "under"."""
    by: Decimal
    """How far, psi, 0 or above: from the target of a step, from the nearer edge in the leak hold."""
    words: str


def reading(name: str, value: Decimal, taken: Taken, settings: Settings) -> Doubt | None:
    """The first doubt about a reading, the hard rules before the soft ones; None when it is plausible.

    `taken` holds the readings taken so far by name; a rule whose other readings are missing is left out.
    """
    return next(doubts(name, value, taken, settings), None)


def doubts(name: str, value: Decimal, taken: Taken, settings: Settings) -> Iterator[Doubt]:
    """Every doubt, in order. An impossible reading has just the one."""
    if fresh_readings.knows(name):
        yield from [NO_READING] if _is_none(value) else fresh_readings.doubts(name, value, taken, settings)
        return
    hard = _impossible(name, value, taken, settings)
    if hard:
        yield hard
    elif name.startswith("equilibrium."):
        run, step = _run_step(name)
        yield from _fit_doubts(run, step, value, taken, settings)
        if run == 2:
            yield from _difference_doubts(step, value, taken, settings)
    elif name == "leak.final" and "leak.initial" in taken:
        if abs(value - taken["leak.initial"]) > FAR_PSI:
            yield Doubt(DOUBTFUL, _said("far", value), "leak")


def plausible_range(name: str, taken: Taken, settings: Settings) -> tuple[Decimal, Decimal]:
    """The lowest and highest reading that the hard rules allow, both included, at the gauge's resolution.

    For the listening grammar. It may be empty (low above high) when a reading before it was already wrong.
    """
    if fresh_readings.knows(name):
        return fresh_readings.ends(name, taken, settings)
    if name == "leak.final":
        return Decimal("0.00"), settings.max_psi
    if name in ("leak.charge", "leak.initial"):
        return RESOLUTION, settings.max_psi
    run, step = _run_step(name)
    low = _before(run, step, taken) or Decimal(0)
    charge = taken.get(f"charge.{run}.{step}") if name.startswith("equilibrium.") else None
    high = settings.max_psi if charge is None else charge - RESOLUTION
    return low + RESOLUTION, high


def band(name: str, value: Decimal, settings: Settings) -> Band:
    """Where a charge stands: "charge.R.S", "leak.charge" or "leak.initial". ValueError on any other name."""
    if name in ("leak.charge", "leak.initial"):
        low, high = settings.leak_low, settings.leak_high
        off = min(value - low, Decimal(0)) or max(value - high, Decimal(0))
        inside = low <= value <= high
    elif name.startswith("charge."):
        off = value - settings.target(_run_step(name)[1])
        inside = abs(off) <= settings.band_psi
    else:
        raise ValueError(f"{name} has no band: only a charge and the first reading of the leak hold have one")
    if inside:
        return Band("in_band", abs(off), sentence("band.inside"))
    state = "over" if off > 0 else "under"
    little = "_little" if abs(off) < FAR_PSI else ""
    return Band(state, abs(off), sentence(f"band.{state}{little}", by=f"{abs(off):f}"))


NO_READING = Doubt(IMPOSSIBLE, sentence("doubt.no_reading"), "order")


def _is_none(value: Decimal) -> bool:
    """No number that a gauge could show."""
    return not value.is_finite() or value.adjusted() >= 6 or value.as_tuple().exponent < -12


def _said(ident: str, value: Decimal, **fields: object) -> str:
    return sentence(f"doubt.{ident}", value=f"{value:f}", **fields)


def _run_step(name: str) -> tuple[int, int]:
    kind, _, rest = name.partition(".")
    run, _, step = rest.partition(".")
    if kind not in ("charge", "equilibrium") or run not in ("1", "2") or step not in ("1", "2", "3"):
        raise ValueError(f"{name!r} is no reading of this test")
    return int(run), int(step)


def _before(run: int, step: int, taken: Taken) -> Decimal | None:
    """What the bowl held before this step: 0 at the start of a run, else the last equilibrium if known."""
    return Decimal(0) if step == 1 else taken.get(f"equilibrium.{run}.{step - 1}")


def _impossible(name: str, value: Decimal, taken: Taken, settings: Settings) -> Doubt | None:
    def doubt(why: str) -> Doubt:
        return Doubt(IMPOSSIBLE, _said(why, value), "order")

    if _is_none(value):
        return NO_READING
    if name == "leak.final":
        if value < 0:
            return doubt("below_zero")
    elif value <= 0:
        return doubt("no_pressure")
    if value > settings.max_psi:
        return doubt("over_maximum")
    if name.startswith("leak."):
        return None
    run, step = _run_step(name)
    if name.startswith("equilibrium."):
        charge = taken.get(f"charge.{run}.{step}")
        if charge is not None and value >= charge:
            return doubt("not_below_charge")
    before = _before(run, step, taken)
    if before is not None and value <= before:
        return doubt("not_above_last")
    return None


def _fit_doubts(run: int, step: int, value: Decimal, taken: Taken, settings: Settings) -> Iterator[Doubt]:
    """Does the reading fit the bowl air that the first step of this run shows?"""
    first_charge = taken.get(f"charge.{run}.1")
    first = value if step == 1 else taken.get(f"equilibrium.{run}.1")
    if first_charge is None or first is None or not 0 < first < first_charge:
        return
    if step == 1:
        air = pressure.air_content(first_charge, first, settings.chamber_ratio,
                                   settings.aggregate_correction_pct)
        if not settings.air_low_pct <= air <= settings.air_high_pct:
            yield Doubt(DOUBTFUL, _said("air", value, air=f"{air:.1f}"), "air")
        return
    charge, before = taken.get(f"charge.{run}.{step}"), _before(run, step, taken)
    if charge is None or before is None:
        return
    first_ratio = pressure.bowl_ratio(first_charge, first, Decimal(0))
    off_ratio = abs(pressure.bowl_ratio(charge, value, before) / first_ratio - 1)
    off = value - pressure.equilibrium(charge, before, first_ratio)
    if (off_ratio > settings.ratio_difference or off < -settings.below_prediction_psi
            or off > settings.above_prediction_psi):
        out = stands_out(run, {**taken, f"equilibrium.{run}.{step}": value})
        yield Doubt(DOUBTFUL, _said("fit_out", value, step=_run_step(out)[1]) if out else _said("fit", value), "fit")


def stands_out(run: int, taken: Taken) -> str:
    """Which equilibrium of a run shows other air than the two others do; empty while the run has not all three.

    Each step gives the bowl ratio by itself; the one furthest from the middle one stands out (derived; no source).
    """
    names = [f"equilibrium.{run}.{step}" for step in (1, 2, 3)]
    charges = [taken.get(f"charge.{run}.{step}") for step in (1, 2, 3)]
    if not all(name in taken for name in names) or None in charges:
        return ""
    ratios = [pressure.lone_ratio(charges[:step], taken[name]) for step, name in enumerate(names, 1)]
    middle = sorted(ratios)[1]
    return max(zip(names, ratios), key=lambda one: abs(one[1] - middle))[0]


def _difference_doubts(step: int, value: Decimal, taken: Taken, settings: Settings) -> Iterator[Doubt]:
    """Run 2 less run 1 should be 0 or more and grow from step to step; at step 3 it is the metric."""
    first = taken.get(f"equilibrium.1.{step}")
    if first is None:
        return
    gain = value - first
    if step == 3 and gain == 0:
        yield Doubt(DOUBTFUL, _said("same", value), "metric")
    elif step == 3 and gain > settings.metric_high_psi:
        yield Doubt(DOUBTFUL, _said("above_run_1", value, limit=f"{settings.metric_high_psi:f}"), "metric")
    elif gain < 0:
        rule = "metric" if step == 3 else "run_differences"
        yield Doubt(DOUBTFUL, _said("below_run_1", value), rule)
    earlier = [taken.get(f"equilibrium.{run}.{step - 1}") for run in (2, 1)]
    if step > 1 and None not in earlier and gain < earlier[0] - earlier[1]:
        yield Doubt(DOUBTFUL, _said("gains_less", value), "run_differences")
