"""The meter against a known air, a canister in water: the reading in percent, or the chamber ratio of a gauge in psi."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from assistant.core import rounding
from assistant.core.assessment import FAIL, PASS, Assessment, ResultSpec, assessed, result
from assistant.core.judgement import Taken
from assistant.core.language import sentence
from assistant.core.methods import pressure, units
from assistant.core.methods.method import Method, Reading, Span, in_units, not_above, own, ranged, rule, span
from assistant.core.methods.pressure_meter import RESOLUTION, near, passes
from assistant.core.methods.provenance import common, derived, published, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

SPREAD = Decimal("0.02")
"""Passes whose ratios differ by more than this part of it are not one ratio (ours): 0.02 psi in E is about 0.006 of k."""


AIR = ResultSpec(name="canister_air", inch_pound=("%", "0.05"), reported=published("Iowa DOT IM 318 rounds to 0.05 %"),
                 source=published("Iowa DOT IM 318 (Oct 2016): 100 x canister / bowl volume, to 0.05 %"))
ERROR = ResultSpec(name="canister_error", inch_pound=("%", "0.1"), limited=True, either_way=True,
                   own_limits=lambda settings: settings.limits.get("canister_error", (None, settings.canister_tolerance_pct)),
                   source=derived("gauge reading less the canister's effective air, which is Iowa DOT IM 318's (Oct 2016)"),
                   reported=second_hand("C231: the gauge is readable to 0.1 %"))
RATIO = ResultSpec(name="chamber_ratio", inch_pound=("", "0.0001"),
                   source=derived("Boyle's law: k = (A0 / 100) E / (P - E), mean of the passes"),
                   reported=common("0.0001, about 0.01 points of air at 6 %"))


def canister_air(canister: Decimal, bowl: Decimal, count: int = 1) -> Decimal:
    """Effective air of so many canisters in a bowl full of water, %: 100 x canister / bowl, any one unit of volume."""
    return 100 * canister * count / bowl


def known_air(settings: Values, count: int = 1) -> Decimal | None:
    """The same for the meter of the settings; None where its bowl volume was not given."""
    bowl = settings.amount("bowl_volume")
    if bowl is None:
        return None
    canister = settings.canister_ft3 * (units.FOOT3_IN_M3 if settings.si else 1)
    return canister_air(canister, bowl, count)


def check_reading(reading: Decimal, known: Decimal | None, settings: Values) -> Assessment:
    """Does a gauge that reads air, %, show the air that is there?"""
    if known is None:
        return assessed([result(ERROR, None, settings)], settings, [_no_volume(settings)])
    air = result(AIR, known, settings)
    error = result(ERROR, reading - (air.rounded or known), settings)
    done = assessed([air, error], settings)
    if "canister_error" in settings.limits:
        return done
    inside = abs(error.value or Decimal(0)) <= settings.canister_tolerance_pct
    why = sentence("calibration.reads_right" if inside else "calibration.reads_wrong", reading=f"{reading:f}", known=air.rounded,
                   tolerance=f"{settings.canister_tolerance_pct:f}")
    return replace(done, verdict=PASS if inside else FAIL, why=why)


def chamber_ratio(charges: Sequence[Decimal], equilibria: Sequence[Decimal], known: Decimal | None,
                  settings: Values) -> Assessment:
    """k from one or more passes at a known air, psi: their mean, if they agree."""
    none = result(RATIO, None, settings)
    if known is None:
        return assessed([none], settings, [_no_volume(settings)])
    if any(not 0 < after < before for before, after in zip(charges, equilibria, strict=True)):
        return assessed([none], settings, [sentence("calibration.order")])
    ratios = [pressure.chamber_ratio_from(known, before, after) for before, after in zip(charges, equilibria)]
    mean = sum(ratios, Decimal(0)) / len(ratios)
    spread = max(ratios) - min(ratios)
    found = result(RATIO, mean, settings)
    warned = [sentence("calibration.spread", low=rounding.round_to(min(ratios), 4), high=rounding.round_to(max(ratios), 4))
              ] if spread > SPREAD * mean else []
    return assessed([found], settings, (), warned, bool(warned))


def _no_volume(settings: Values) -> str:
    return sentence("calibration.no_volume", key="bowl_volume_m3" if settings.si else "bowl_volume_ft3")


# --- the readings -------------------------------------------------------------------------------------------------------

def _equilibrium(number: int) -> Reading:
    charge = f"canister.charge.{number}"
    return ranged(lambda settings: Span(RESOLUTION, settings.max_psi, Decimal(3), Decimal(12)), own_gauge=True,
                  order=not_above(charge, "doubt.not_below_charge"),
                  narrowed=lambda taken, ends: (ends[0], min(ends[1], taken.get(charge, ends[1]))))


READINGS = {"canister.reading": ranged(in_units(span("0", "30", "2", "12")))}
for _number in (1, 2, 3):
    READINGS |= {f"canister.charge.{_number}": near(lambda settings: settings.target(1)),
                 f"canister.equilibrium.{_number}": _equilibrium(_number)}


def _ratio(taken: Taken, settings: Values) -> Assessment:
    return chamber_ratio(passes(taken, "canister.charge"), passes(taken, "canister.equilibrium"), known_air(settings), settings)


def words(settings: Values) -> dict[str, str]:
    known = known_air(settings)
    return {"known_air": sentence("calibration.unknown_air") if known is None else
            f"{rounding.to_step(known, Decimal('0.05'))}"}


def work(given: WorkInput) -> Assessment:
    """A reading in percent beside the canister's air, or the chamber ratio from passes in psi at a known air."""
    known_by = ("known_air_pct",) if "known_air_pct" in given else ("bowl_volume_ft3",)
    read = ("charge_psi", "equilibrium_psi") if "charge_psi" in given or "equilibrium_psi" in given else ("reading_pct",)
    given.keys(known_by + read, ("canister_ft3", "canisters", *given.COMMON))
    job = given.settings(tuple(key for key in ("bowl_volume_ft3", "canister_ft3") if key in given), (ERROR,))
    count = Decimal(1) if (wanted := given.optional("canisters")) is None else wanted
    if count not in (1, 2, 3):
        raise ValueError("canisters must be 1, 2 or 3")
    known = given.optional("known_air_pct") if "known_air_pct" in given else known_air(job, int(count))
    if known == 0:
        raise ValueError("known_air_pct is 0: without air there is nothing to read")
    if read == ("reading_pct",):
        return check_reading(given.reading("reading_pct"), known, job)
    return chamber_ratio(*given.as_many(*read), known, job)


METHOD = Method(
    name="calibration", on_meter=True, readings=READINGS, results=(AIR, ERROR, RATIO), words=words, work=work,
    rules={"canister": rule(lambda taken, settings: check_reading(taken["canister.reading"], known_air(settings), settings)),
           "chamber_ratio": rule(_ratio)},
    values=(own("canister_tolerance_pct", "0 0.1", "0 0.5"),))
