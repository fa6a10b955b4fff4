"""The leak hold: does the chamber keep its pressure for five minutes? (Common practice, no source.)"""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from functools import partial

from assistant.core import phrases, rounding, spoken
from assistant.core.assessment import FAIL, INVALID, PASS, Assessment, ResultSpec, counting, result
from assistant.core.doubt import DOUBTFUL, IMPOSSIBLE, Doubt
from assistant.core.judgement import Judgement, Marks, Taken, marked
from assistant.core.language import sentence
from assistant.core.methods import leak_curve
from assistant.core.methods.method import Band, Curve, HoldWatcher, InRound, Method, Reading, own
from assistant.core.methods.pressure_meter import FAR_PSI, NEAR_CHARGE_PSI, RESOLUTION, impossible, in_band, said
from assistant.core.methods.provenance import common, derived
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

DROP = ResultSpec(name="leak_drop", inch_pound=("psi", "0.01"), limited=True, last_place_decides=True,
                  own_limits=lambda settings: (None, settings.leak_limit),
                  source=common("first reading less last reading of the hold"), reported=common("the gauge reads to 0.01 psi"))


# --- the readings -------------------------------------------------------------------------------------------------------

def _band(value: Decimal, settings: Values) -> Band:
    low, high = settings.leak_low, settings.leak_high
    return in_band(min(value - low, Decimal(0)) or max(value - high, Decimal(0)), low <= value <= high)


def _doubts(name: str, value: Decimal, taken: Taken, settings: Values) -> Iterator[Doubt]:
    hard = next(impossible(value, settings, zero=name == "leak.final"), None)
    if hard:
        yield hard
    elif name == "leak.final" and abs(value - taken.get("leak.initial", value)) > FAR_PSI:
        yield Doubt(DOUBTFUL, said("far", value), "leak")


def _likely_last(taken: Taken, _settings: Values) -> tuple[Decimal, Decimal] | None:
    initial = taken.get("leak.initial")
    return None if initial is None else (initial - FAR_PSI, initial + FAR_PSI)


READINGS = {name: Reading(
    partial(_doubts, name),
    lambda _taken, settings: (RESOLUTION, settings.max_psi),
    lambda _taken, settings: (settings.leak_low - NEAR_CHARGE_PSI, settings.leak_high + NEAR_CHARGE_PSI),
    _band, own_gauge=True) for name in ("leak.charge", "leak.initial", "leak.final")}
READINGS["leak.final"] = replace(READINGS["leak.final"], band=None, likely=_likely_last,
                                 possible=lambda _taken, settings: (Decimal("0.00"), settings.max_psi))


def _cooled(drop: Decimal, initial: Decimal) -> str:
    """By how many degrees Celsius a tight chamber's air cools where it loses as much: pressure by temperature, both absolute, at 14.7
    psi and 293 K outside (derived)."""
    return f"{drop / (initial + Decimal('14.7')) * 293:.1f}"


# --- the assessment -----------------------------------------------------------------------------------------------------

def assess(initial: Decimal, final: Decimal, settings: Values,
           seconds: Decimal | None = None) -> Assessment:
    """From the first and last reading, psi, and how long it was held, if known. Never raises on any readings.

    The limit is the one set on leak_drop in the job's limits, else `leak_limit_psi`; a drop equal
    to it passes. A rise over it says nothing about leaks: the chamber was warming.
    """
    most = settings.leak_limit
    invalid: list[str] = []
    warnings: list[str] = []
    for word, name, value in (("first", "leak.initial", initial), ("last", "leak.final", final)):
        doubt = next(_doubts(name, value, {}, settings), None)
        if doubt and doubt.kind == IMPOSSIBLE:
            invalid.append(sentence(f"leak.{word}", doubt=doubt.words))
    if not invalid:
        band = _band(initial, settings)
        off = {"value": f"{initial:f}", "by": f"{band.by:f}"}
        if band.by > FAR_PSI:
            invalid.append(sentence(f"leak.first_far_{band.state}", low=f"{settings.leak_low:f}",
                                    high=f"{settings.leak_high:f}", **off))
        elif band.state != "in_band":
            warnings.append(sentence(f"leak.first_{band.state}", **off))
    if seconds is not None and seconds < settings.leak_hold_s:
        invalid.append(sentence("leak.short", seconds=f"{seconds:f}", needed=f"{settings.leak_hold_s:f}"))
    if not invalid and not rounding.judge(final - initial, (None, most), settings.rounding):
        invalid.append(sentence("leak.rose", by=f"{final - initial:f}"))
    drop = result(DROP, None if invalid else initial - final, settings)
    if drop.rounded is None:
        return Assessment((drop,), tuple(warnings), INVALID, "; ".join(invalid))
    if rounding.judge(initial - final, (None, most), settings.rounding):
        moved = "dropped" if drop.rounded >= 0 else "rose"
        return Assessment((drop,), tuple(warnings), PASS,
                          sentence(f"leak.why_{moved}", by=abs(drop.rounded), limit=f"{most:f}"))
    return Assessment((drop,), tuple(warnings), FAIL,
                      sentence("leak.why_leaks", by=drop.rounded, limit=f"{most:f}", cooled=_cooled(initial - final, initial)))


def judge(taken: Taken, settings: Values, marks: Marks) -> Judgement:
    found = assess(taken["leak.initial"], taken["leak.final"], settings)
    lost = taken["leak.initial"] - taken["leak.final"]
    if found.verdict == "pass":
        words = sentence("leak.lost_holds", digits=spoken.digits(lost)) if lost > 0 else sentence("leak.holds")
    elif found.verdict == "fail":
        words = sentence("leak.leaks", digits=spoken.digits(lost), limit=f"{settings.leak_limit:f}", cooled=_cooled(lost, taken["leak.initial"]))
    else:
        words = sentence("leak.invalid", why=found.why)
    verdict, why = marked(found.verdict, found.why, marks)
    if marks.changed:
        words = f"{words} {phrases.capital(sentence(f'log.{marks.changed}'))}: {marks.changes}."
    return Judgement(found.verdict, words, found.results, verdict, why, found.warnings, True)


def _alone(taken: Taken, settings: Values, marks: Marks) -> Judgement:
    """The leak hold as a test of its own: its verdict is the whole test's."""
    found = replace(judge(taken, settings, marks), partial=False)
    changed_twice = marks.invalid and marks.changes
    if not changed_twice:
        return found
    why = "; ".join(marks.invalid)
    return replace(found, verdict=INVALID, why=why, words=sentence("verdict.invalid", why=why),
                   results=counting(found.results, INVALID))


def work(given: WorkInput) -> Assessment:
    given.keys(("initial_psi", "final_psi"), ("hold_s", *given.COMMON))
    job = given.settings((), (DROP,))
    held = given.optional("hold_s")
    return assess(given.reading("initial_psi"), given.reading("final_psi"), job, held)


# --- the hold by wire ---------------------------------------------------------------------------------------------------

def _cannot_pass(curve: Curve, seconds: Decimal, taken: Taken, settings: Values) -> bool:
    return leak_curve.cannot_pass(curve, seconds, settings.leak_limit, taken.get("leak.initial"))


def _shows(curve: Curve, seconds: Decimal, settings: Values) -> tuple[str, str] | None:
    """The leak that would just pass is what may be lost, by the length of the hold."""
    found = leak_curve.fit(curve, settings.leak_limit * 60 / seconds)
    if found is None:
        return None
    return found.words, sentence("note.hold_curve", words=found.words, leak=f"{found.leak_psi_per_min:z.4f}",
                                 error=f"{found.leak_error:.4f}", samples=len(curve))


# --- the room -----------------------------------------------------------------------------------------------------------

VALUES = (own("leak_low", "45.0 45.5", "44.5 46"), own("leak_high", "45.0 45.5", "44.5 46"), own("leak_settle_s", "5 10", "2 60"),
          own("leak_hold_s", "300 300", "120 1800"),
          own("leak_limit_psi", "0 0.12", "0 0.24", used=lambda settings: settings.leak_limit,
              called=lambda settings: "the limit of leak_drop" if _limit(settings) is not None else "leak_limit_psi"))


def _limit(settings: Values) -> Decimal | None:
    return settings.limits.get("leak_drop", (None, None))[1]


def _check(given: Mapping[str, object], settings: Values) -> None:
    drop = _limit(settings)
    if drop is not None and "leak_limit_psi" in given and settings.leak_limit_psi != drop:
        raise ValueError(f"leak_limit_psi is {settings.leak_limit_psi} and the highest leak_drop of the limits {drop}: "
                         "give one of them")


ROLE = "leak-hold"
ROLES = {"leak.charge": "leak-charge", "leak.settle": "leak-full", "leak.initial": "leak-full", "leak.hold": ROLE,
         "leak.final": "leak-full", "leak.down": "bleed"}
METHOD = Method(
    name="leak", on_meter=True, readings=READINGS, results=(DROP,), values=VALUES, check=_check, work=work,
    rules={"leak_alone": _alone}, hold=HoldWatcher(ROLE, _cannot_pass, _shows), roles=ROLES,
    round=InRound(usual=False, before_sample=("leak", "sequential"), asked_as="leak-ask"),
    sources={
        "leak_far_psi": common("a reading this far from where the hold belongs is more likely a slip"),
        "leak_curve": derived("a leak through a small hole loses nearly a straight line in five minutes, pumped air cools "
                              "exponentially; it explains a verdict and never gives one"),
        "leak_curve_allowed": common("0.12 psi in five minutes, so 0.024 psi a minute"),
        "leak_curve_cooling": derived("0.21 psi a degree C near 46 psi: absolute pressure / absolute temperature")})
