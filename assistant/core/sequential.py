"""The whole sequential test, assessed: air content and system air metric from twelve readings."""

from collections.abc import Sequence
from decimal import Decimal

from assistant.core import plausible, pressure, quality, rounding
from assistant.core.assessment import INVALID, Assessment, against_limits, result, spoken_name
from assistant.core.language import sentence
from assistant.core.settings import Settings

EFFECT_PSI = Decimal("0.02")
"""Start pressures that differ between the runs are warned about from this effect on the metric (derived)."""


def assess(charge: Sequence[Sequence[Decimal]], equilibrium: Sequence[Sequence[Decimal]],
           settings: Settings, agree: bool = True) -> Assessment:
    """Results from two runs of three charges and three equilibria, psi.

    The readings are walked in the order in which they were taken, through the same checks that ran live. A
    run ends at its first impossible reading: what hangs on it has no value. Each step of a run shows the air by itself:
    while the three disagree the test is invalid (unless ``agree`` is False). Never raises on any pressures.
    """
    taken: dict[str, Decimal] = {}
    invalid: list[str] = []
    warnings: list[str] = []
    apart: list[int] = []
    sound = [_walk(run, charge[run - 1], equilibrium[run - 1], taken, settings, invalid, warnings, apart)
             for run in (1, 2)]
    air = metric = None
    if sound[0]:
        air = pressure.air_content(charge[0][0], equilibrium[0][0], settings.chamber_ratio,
                                   settings.aggregate_correction_pct)
        if not 0 <= air <= 100:
            invalid.append(sentence("verdict.air_negative" if air < 0 else "verdict.air_over"))
            air = None
    again = ""
    if all(sound):
        metric = pressure.system_air_metric(equilibrium[0][2], equilibrium[1][2])
        if metric < 0:
            invalid.append(sentence("verdict.metric_negative"))
            metric = None
        elif metric == 0:
            again = sentence("verdict.repeat_zero")
        elif metric > settings.metric_high_psi:
            again = sentence("verdict.repeat_high", limit=f"{settings.metric_high_psi:f}")
        warnings += _start_warning(charge, equilibrium, settings)
    warnings += [again] if again else []

    for run in dict.fromkeys(apart if agree else ()):  # while they disagree neither result can be defended; what stands out gives no number
        if out := plausible.stands_out(run, taken):
            invalid.append(sentence("verdict.steps_disagree", run=run, name=spoken_name(out)))
            air = None if out == "equilibrium.1.1" else air
            metric = None if out.endswith(".3") else metric
    results = (result("air_content", air, settings), result("system_air_metric", metric, settings))
    if invalid:
        return Assessment(results, tuple(warnings), INVALID, "; ".join(invalid), bool(again))
    verdict, why, more = against_limits(results, settings)
    if metric is not None and not again:
        more += _near_a_limit(metric, charge, equilibrium, settings)
    if again:
        why = sentence("verdict.why_repeat", why=why, again=again)
    return Assessment(results, tuple(warnings + more), verdict, why, bool(again))


def _walk(run: int, charges: Sequence[Decimal], equilibria: Sequence[Decimal], taken: dict[str, Decimal],
          settings: Settings, invalid: list[str], warnings: list[str], apart: list[int]) -> bool:
    """Check one run, adding to the last three arguments; whether every reading of it is possible.

    apart: runs whose steps do not show the same air.
    """
    for step in (1, 2, 3):
        for kind, value in (("charge", charges[step - 1]), ("equilibrium", equilibria[step - 1])):
            name = f"{kind}.{run}.{step}"
            for doubt in plausible.doubts(name, value, taken, settings):
                if doubt.kind == plausible.IMPOSSIBLE:
                    invalid.append(sentence("verdict.of_reading", name=spoken_name(name), doubt=doubt.words))
                    return False
                if doubt.rule == "fit":
                    apart.append(run)
                if doubt.rule != "metric":  # said once, about the metric itself
                    warnings.append(sentence("verdict.of_reading", name=spoken_name(name), doubt=doubt.words))
            if kind == "charge":
                band = plausible.band(name, value, settings)
                if band.state != "in_band":
                    warnings.append(sentence(f"verdict.charge_{band.state}", name=spoken_name(name), value=f"{value:f}",
                                             by=f"{band.by:f}"))
            taken[name] = value
    return True


def _start_warning(charge: Sequence[Sequence[Decimal]], equilibrium: Sequence[Sequence[Decimal]],
                   settings: Settings) -> list[str]:
    ratio = pressure.bowl_ratio(charge[0][0], equilibrium[0][0], Decimal(0))
    effect = pressure.start_pressure_effect(charge[0], charge[1], ratio)
    if abs(effect) < EFFECT_PSI:
        return []
    about = rounding.round_to(effect, 2, settings.rounding)
    return [sentence("verdict.charges_differ", about=f"{about:+}")]


def _near_a_limit(metric: Decimal, charge: Sequence[Sequence[Decimal]], equilibrium: Sequence[Sequence[Decimal]],
                  settings: Settings) -> list[str]:
    """That the metric can't be told from a limit of the job, where that is so. The verdict stays the method's."""
    ratio = pressure.bowl_ratio(charge[0][0], equilibrium[0][0], Decimal(0))
    by = quality.metric_uncertainty(ratio, plausible.RESOLUTION, settings.band_psi)
    limits = settings.limits.get("system_air_metric", ())
    found = [quality.against_limit(metric, by, limit) for limit in limits if limit is not None]
    return [one.why for one in found if one.verdict == quality.NONE]
