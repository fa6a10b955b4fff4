"""The sequential pressure test: air content and system air metric from twelve pressures.

Two runs of three steps; at each the chamber is charged and opened to the bowl. Physics gives hard rules (0 < E1 < P1,
E(n-1) < En < Pn: impossible) and soft ones (doubtful: confirm). All values are psi.
"""
from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from assistant.core import rounding, spoken
from assistant.core.assessment import FAIL, INVALID, Assessment, ResultSpec, Uncertainty, against_limits, result, spoken_name
from assistant.core.doubt import DOUBTFUL, IMPOSSIBLE, Doubt
from assistant.core.events import RULES
from assistant.core.judgement import Judgement, Marks, Taken, whole
from assistant.core.language import sentence
from assistant.core.methods import leak, pressure, two_runs
from assistant.core.methods.method import Band, InRound, Method, OwnValue, Pair, Reading, own, vessel_ft3
from assistant.core.methods.pressure_meter import (
    AIR_CHECKS,
    AIR_CONTENT,
    PLACEHOLDER_RATIO,
    RESOLUTION,
    SETTLE,
    aggregate_correction,
    around,
    chamber_ratio,
    impossible,
    in_band,
    no_correction,
    passes,
    refuses,
    said,
)
from assistant.core.methods.provenance import common, derived, memory
from assistant.core.methods.two_runs import Runs
from assistant.core.methods.values import SOURCES, Values
from assistant.core.methods.work_input import WorkInput

LOWER_IN_RUN_2_PSI = Decimal("0.3")
"""Run 2 gains on run 1; a reading slip may show the reverse by a little (ours)."""
COVERAGE = 2
"""Twice the standard uncertainty, about 95 of 100 (the usual choice)."""
UNCERTAINTY = derived("ideal gas; two equilibria and six recorded charges, each read to half a step of the gauge, as even "
                      "distributions, combined in squares, twice the standard one")

METRIC = ResultSpec(name="system_air_metric", inch_pound=("psi", "0.01"), limited=True, charted=True, last_place_decides=True,
                    any_limit=(Decimal("0.05"), Decimal("0.80")),  # over it readings are doubted; the lowest is from memory
                    reported=memory("written to 0.01 psi", 90),
                    source=memory("E2.3 - E1.3 in psi, as research papers give it; TP 118's own clause was not seen", 90))


# --- the readings: "charge.R.S" and "equilibrium.R.S", run R 1-2 and step S 1-3 -----------------------------------------------

def _band(step: int, value: Decimal, settings: Values) -> Band:
    off = value - settings.target(step)
    return in_band(off, abs(off) <= settings.band_psi)


def _before(run: int, step: int, taken: Taken) -> Decimal | None:
    """What the bowl held before this step: 0 at the start of a run, else the last equilibrium if known."""
    return Decimal(0) if step == 1 else taken.get(f"equilibrium.{run}.{step - 1}")


NO_AIR = "no-air"
"""An equilibrium as high as its charge: of a bowl of plain water, in practice, and of no concrete."""


def _hard(kind: str, run: int, step: int, value: Decimal, taken: Taken, settings: Values) -> Doubt | None:
    if doubt := next(impossible(value, settings), None):
        return doubt
    charge, before = taken.get(f"charge.{run}.{step}"), _before(run, step, taken)
    if kind == "equilibrium" and charge is not None and value >= charge:
        return Doubt(IMPOSSIBLE, said("not_below_charge", value), NO_AIR if value == charge else "order")
    if before is not None and value <= before:
        return Doubt(IMPOSSIBLE, said("not_above_last", value), "order")
    return None


def _pressure(kind: str, run: int, step: int) -> Reading:
    charge_name = f"charge.{run}.{step}"

    def doubts(value: Decimal, taken: Taken, settings: Values) -> Iterator[Doubt]:
        hard = _hard(kind, run, step, value, taken, settings)
        if hard and hard.rule == NO_AIR:
            yield Doubt(DOUBTFUL, said("no_air", value), NO_AIR, since=2)  # plain water gives way to no pressure
        if hard:
            yield hard
        elif kind == "equilibrium":
            if run == 2 and step < 3 and two_runs.far(step, value, taken, settings):
                yield Doubt(DOUBTFUL, said("far_from_run_1", value), "far", True, since=2)
            yield from _fit_doubts(run, step, value, taken, settings)
            if run == 2:
                yield from two_runs.doubts(step, value, taken, settings)

    def possible(taken: Taken, settings: Values) -> Pair:
        charge = taken.get(charge_name) if kind == "equilibrium" else None
        low = _before(run, step, taken) or Decimal(0)
        return low + RESOLUTION, settings.max_psi if charge is None else charge

    def likely(taken: Taken, settings: Values) -> Pair | None:
        if kind == "charge":
            return around(settings.target(step))
        in_run_1, charge = taken.get(f"equilibrium.1.{step}"), taken.get(charge_name)
        if run == 2 and in_run_1 is not None:
            return in_run_1 - LOWER_IN_RUN_2_PSI, in_run_1 + settings.metric_high_psi
        if charge is None:
            return None
        if step == 1:
            most, least = (_first(charge, air, settings) for air in (settings.air_low_pct, settings.air_high_pct))
            return least, most
        ratio, before = _ratio(run, taken), _before(run, step, taken)
        if ratio is None or before is None:
            return None
        expected = pressure.equilibrium(charge, before, ratio)
        return expected - settings.below_prediction_psi, expected + settings.above_prediction_psi

    band = (lambda value, settings: _band(step, value, settings)) if kind == "charge" else None
    return Reading(doubts, possible, likely, band, own_gauge=True)


def _first(charge: Decimal, air: Decimal, settings: Values) -> Decimal:
    """The first equilibrium that this air content, %, would give: `pressure.air_content` the other way round."""
    everything = 100 * chamber_ratio(settings)
    return charge * everything / (air + aggregate_correction(settings) + everything)


def _ratio(run: int, taken: Taken) -> Decimal | None:
    """The bowl ratio that the first step of this run shows; None where it shows none."""
    charge, first = taken.get(f"charge.{run}.1"), taken.get(f"equilibrium.{run}.1")
    if charge is None or first is None or not 0 < first < charge:
        return None
    return pressure.bowl_ratio(charge, first)


def _fit_doubts(run: int, step: int, value: Decimal, taken: Taken, settings: Values) -> Iterator[Doubt]:
    """Does the reading fit the bowl air that the first step of this run shows? It is possible, so below its charge."""
    charge, before = taken.get(f"charge.{run}.{step}"), _before(run, step, taken)
    if charge is None or before is None:
        return
    if step == 1:
        air = pressure.air_content(charge, value, chamber_ratio(settings), aggregate_correction(settings))
        if not settings.air_low_pct <= air <= settings.air_high_pct:
            yield Doubt(DOUBTFUL, said("air", value, air=f"{air:.1f}"), "air")
        return
    if (first_ratio := _ratio(run, taken)) is None:
        return
    off_ratio = abs(pressure.bowl_ratio(charge, value, before) / first_ratio - 1)
    off = value - pressure.equilibrium(charge, before, first_ratio)
    if (off_ratio > settings.ratio_difference or off < -settings.below_prediction_psi
            or off > settings.above_prediction_psi):
        out = stands_out(run, {**taken, f"equilibrium.{run}.{step}": value})
        yield Doubt(DOUBTFUL, said("fit_out", value, step=out[-1]) if out else said("fit", value), "fit", True)


def stands_out(run: int, taken: Taken) -> str:
    """Which equilibrium of a run shows other air than the two others do; empty while the run has not all three.

    Each step gives the bowl ratio by itself; the one furthest from the middle one stands out (derived; no source).
    """
    try:
        charges, equilibria = passes(taken, f"charge.{run}"), passes(taken, f"equilibrium.{run}")
    except KeyError:
        return ""
    ratios = {f"equilibrium.{run}.{step}": pressure.lone_ratio(charges[:step], value) for step, value in enumerate(equilibria, 1)}
    middle = sorted(ratios.values())[1]
    return max(ratios, key=lambda name: abs(ratios[name] - middle))


READINGS = {f"{kind}.{run}.{step}": _pressure(kind, run, step)
            for run in (1, 2) for step in (1, 2, 3) for kind in ("charge", "equilibrium")}


def preliminary(settings: Values) -> str:
    """Beside an air content that a placeholder gave."""
    return sentence("air.preliminary") if settings.chamber_ratio is None else ""


def lacks(settings: Values) -> list[str]:
    ratio = [] if settings.chamber_ratio is not None else [sentence("air.no_ratio", ratio=f"{PLACEHOLDER_RATIO:f}")]
    return [*no_correction(settings), *ratio]


# --- the assessment -----------------------------------------------------------------------------------------------------

def assess(charge: Runs, equilibrium: Runs, settings: Values, rules: int = RULES) -> Assessment:
    """Results from two runs of three charges and three equilibria, psi.

    The readings are walked in the order in which they were taken, through the same checks that ran live. A
    run ends at its first impossible reading: what hangs on it has no value. Each step of a run shows the air by itself:
    while the three disagree the test is invalid. What contradicts the physics of two runs never passes. ``rules``: by which the
    test was led (``events.RULES``); one from before a rule is judged as it was then. Never raises on any pressures.
    """
    taken: dict[str, Decimal] = {}
    invalid: list[str] = []
    warnings: list[str] = []
    apart: list[int] = []
    sound = [_walk(run, charge[run - 1], equilibrium[run - 1], taken, settings, invalid, warnings, apart, rules)
             for run in (1, 2)]
    air = metric = None
    if sound[0]:
        air = pressure.air_content(charge[0][0], equilibrium[0][0], chamber_ratio(settings), aggregate_correction(settings))
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
        warnings += filter(None, (two_runs.charges_differ(charge, equilibrium, settings), again))

    for run in sorted({*apart}) if rules else ():
        # While they disagree neither result can be defended; what stands out gives no number.
        if out := stands_out(run, taken):
            invalid.append(sentence("verdict.steps_disagree", run=run, name=spoken_name(out)))
            air = None if out == "equilibrium.1.1" else air
            metric = None if out.endswith(".3") else metric
    warnings += lacks(settings)
    against: list[str] = []
    if all(sound) and rules > 1:
        gains = again if metric == 0 else two_runs.contradiction(charge, equilibrium, settings)
        against = [why for why in (gains, two_runs.beyond_override(charge, settings)) if why]
        warnings += [why for why in against if why != again]
    results = (result(AIR_CONTENT, air, settings, preliminary(settings)), result(METRIC, metric, settings))
    if invalid:
        return Assessment(results, tuple(warnings), INVALID, "; ".join(invalid), bool(again))
    verdict, why, more = against_limits(results, settings)
    figures, near = ((), []) if metric is None else _uncertainty(metric, charge, equilibrium, settings)
    more += [] if again else near
    limited = any(side is not None for one in results for side in settings.limits.get(one.name, ()))
    if against and limited and verdict != FAIL:
        return Assessment(results, tuple(one for one in warnings + more if one not in against), INVALID, "; ".join(against), True)
    if doubts := "; ".join(against or filter(None, [again])):
        why = sentence("verdict.why_repeat", why=why, again=doubts)
    return Assessment(results, tuple(warnings + more), verdict, why, bool(doubts), figures)


def _walk(run: int, charges: Sequence[Decimal], equilibria: Sequence[Decimal], taken: dict[str, Decimal],
          settings: Values, invalid: list[str], warnings: list[str], apart: list[int], rules: int) -> bool:
    """Check one run, adding to the three lists; whether every reading of it is possible.

    apart: runs whose steps do not show the same air.
    """
    for step in (1, 2, 3):
        for kind, value in (("charge", charges[step - 1]), ("equilibrium", equilibria[step - 1])):
            name = f"{kind}.{run}.{step}"
            for doubt in READINGS[name].doubts(value, taken, settings):
                if doubt.since > rules:
                    continue
                if doubt.kind == IMPOSSIBLE or doubt.rule == NO_AIR:
                    invalid.append(sentence("verdict.of_reading", name=spoken_name(name), doubt=doubt.words))
                    return False
                if doubt.rule == "fit":
                    apart.append(run)
                if doubt.rule != "metric":  # said once, about the metric itself
                    warnings.append(sentence("verdict.of_reading", name=spoken_name(name), doubt=doubt.words))
            if kind == "charge":
                band = _band(step, value, settings)
                if band.state != "in_band":
                    warnings.append(sentence(f"verdict.charge_{band.state}", name=spoken_name(name), value=f"{value:f}",
                                             by=f"{band.by:f}"))
            taken[name] = value
    return True


def metric_uncertainty(ratio: Decimal, resolution: Decimal = RESOLUTION, start_error: Decimal = RESOLUTION / 2) -> Decimal:
    """Expanded uncertainty of the system air metric, psi, for bowl air of `ratio` chamber volumes.

    Each of the two last equilibria may be off by half a step of the gauge, each of the six starts by `start_error` either way
    (they are recorded, so by as much as the gauge hides), evenly and independently. The starts count as far as the ideal gas
    carries them to the last equilibrium. What the concrete and the hand do is not in it.
    """
    carried = [pressure.last_equilibrium([Decimal(int(n == step)) for n in (1, 2, 3)], ratio) for step in (1, 2, 3)]
    reading = (resolution / 2) ** 2 / 3
    starts = sum((each * each for each in carried), Decimal(0)) * start_error ** 2 / 3
    return COVERAGE * (2 * (reading + starts)).sqrt()


def _uncertainty(metric: Decimal, charge: Runs, equilibrium: Runs, settings: Values) -> tuple[tuple[Uncertainty, ...], list[str]]:
    """Two figures, and what they say of a limit of the job: can the gauge tell the metric from it, could another test lie beyond?
    The verdict stays the method's."""
    ratio, told = pressure.bowl_ratio(charge[0][0], equilibrium[0][0]), settings.metric_repeat_psi
    # A test from before there were two figures took its starts for anything in the band, and was told so.
    exact, repeat = metric_uncertainty(ratio, start_error=RESOLUTION / 2 if told else settings.band_psi), told
    shown: dict[str, Any] = {"value": rounding.round_to(metric, 2), "gauge": rounding.round_to(exact, 2), "repeat": f"{repeat:f}"}
    gauge = shown["gauge"] if told else exact
    words = []
    for limit in settings.limits.get(METRIC.name, ()):
        if limit is not None and abs(metric - limit) <= max(gauge, repeat):
            which = "gauge" if abs(metric - limit) <= gauge else "repeat"
            words.append(sentence(f"quality.metric_{which}", limit=f"{limit:f}", **shown))
    unit = METRIC.inch_pound[0]
    figures = (Uncertainty(METRIC.name, "gauge", gauge, unit, str(UNCERTAINTY)),
               Uncertainty(METRIC.name, "repeat", repeat, unit, str(SOURCES["metric_repeat_psi"]))) if told else ()
    return figures, words


def _metric(taken: Taken, settings: Values, _marks: Marks) -> Judgement:
    metric = taken["equilibrium.2.3"] - taken["equilibrium.1.3"]
    if 0 < metric <= settings.metric_high_psi:
        return Judgement("good", "")
    if metric < 0:
        doubt = sentence("metric.negative", digits=spoken.digits(-metric))
    elif metric == 0:
        doubt = sentence("metric.zero")
    else:
        doubt = sentence("metric.high", digits=spoken.digits(metric))
    return Judgement("doubtful", sentence("metric.doubt", doubt=doubt), why=sentence("metric.doubt_why", doubt=doubt))


def _begins_far(taken: Taken, settings: Values, _marks: Marks) -> Judgement:
    """After step 1 of run 2, where a bowl that was not let down or not filled shows."""
    return Judgement("far" if two_runs.far(1, taken["equilibrium.2.1"], taken, settings) else "near", "")


def _sequential(taken: Taken, settings: Values, marks: Marks) -> Judgement:
    if marks.invalid and not READINGS.keys() <= taken.keys():  # ended after it was known that nothing can come of it
        return whole(Assessment((result(AIR_CONTENT, None, settings), result(METRIC, None, settings)), (), INVALID, ""), marks)
    charge, equilibrium = ([passes(taken, f"{kind}.{run}") for run in (1, 2)] for kind in ("charge", "equilibrium"))
    done = assess(charge, equilibrium, settings, marks.rules)
    water = two_runs.water_apart(taken, settings)
    return whole(replace(done, warnings=(*done.warnings, water)) if water else done, marks)


def work(given: WorkInput) -> Assessment:
    meter = ("chamber_ratio", "aggregate_correction_pct")
    given.keys(("charge_psi", "equilibrium_psi"), (*meter, *given.COMMON))
    job = given.settings(meter, (AIR_CONTENT, METRIC))
    return assess(given.two_runs("charge_psi"), given.two_runs("equilibrium_psi"), job)


# --- the room -----------------------------------------------------------------------------------------------------------

def _step(number: int, its: str) -> OwnValue:
    return own(f"step_{number}", its, its, key="step_targets", used=lambda settings: settings.target(number))


METHOD = Method(
    name="sequential", needs=("rod",), on_meter=True, readings={**leak.READINGS, **READINGS, **two_runs.WATER},
    results=(leak.DROP, AIR_CONTENT, METRIC), work=work,
    air_meter=True, counts_for=("sample", "air", "sequential"), lacks=lacks, refuses=refuses,
    rules={"leak": leak.judge, "begins_far": _begins_far, "water": two_runs.water_wanted, "metric": _metric, "sequential": _sequential},
    values=(
        # A step written in kPa (100, 207, 310) is at most 0.04 psi off. The steps are the method; no agency moves them.
        _step(1, "14.45 14.55"), _step(2, "29.95 30.05"), _step(3, "44.95 45.05"),
        # Six starts off by 0.05 psi may make 0.09 of the metric (derived); at twice that, as much as is usually allowed of it.
        own("band_psi", "0.01 0.05", "0.01 0.10"), SETTLE, own("tap_s", "10 10", "5 30"), own("tap_every_s", "0.2 2", "0.2 2"),
        own("hold_after_tap_s", "5 60", "2 120"), *leak.VALUES, *AIR_CHECKS,
        # A check may be made closer, and at most half as close.
        own("metric_high_psi", "0 0.80", "0 1.60", check=True), own("ratio_difference", "0 0.10", "0 0.20", check=True),
        own("below_prediction_psi", "0 1.0", "0 2.0", check=True), own("above_prediction_psi", "0 0.3", "0 0.6", check=True)),
    round=InRound(concrete_ft3=lambda settings: vessel_ft3(settings, "bowl_volume"), takes_s=680, begins_s=20,
                  within="start_within_s", full_at="full", retested=True, compared=True),
    roles={**leak.ROLES, "leak.verdict": leak.ROLE, "leak.ask": "leak-ask", "scope": "scope", "full": "scope", "close": "close",
           **dict.fromkeys(("zero", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "finish.wash"), "by-hand"),
           "flood.{R}.1": "flood", "flood.{R}.2": "flood", "flood.{R}.3": "flood-last", "clamps": "clamps", "clamps.fix": "clamps",
           **{f"{role}.{{R}}.{{S}}": role for role in ("pump", "settle", "charge", "tap", "rest", "equilibrium")},
           "letdown.1": "let-down", "bleed.2": "bleed-to", "release.2": "release", "finish.letdown": "let-down", "finish.bleed": "bleed",
           "finish.empty": "empty", "finish.unclamp": "unclamp"},
    sources={
        "equilibrium": derived("Boyle's law, rigid vessel, constant temperature: P Vc + E0 Va = E (Vc + Va), gauge"),
        "start_pressure_effect":
            derived("the same model with the same bowl air in both runs; a warning, never a correction"),
        "exact_zero": common("a metric of exactly 0.00 is more likely a repeated value: a check on readings, engineering "
                             "judgement from the ideal-gas model, in no standard; it does not pass"),
        "hard_order": derived("0 < E1 < P1 and E(n-1) < En < Pn, whatever the concrete"),
        "run_differences": derived("bubbles lost between the runs raise E more at each step; unproven: a check on readings, "
                                   "engineering judgement from the ideal-gas model, in no standard"),
        "metric_uncertainty": UNCERTAINTY})
