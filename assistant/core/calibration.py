"""The meter against a known air: the Type B gauge's reading, the chamber ratio of a meter that reads psi, and its gauge."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from assistant.core import pressure, rounding, standing, units
from assistant.core.assessment import FAIL, PASS, Assessment, assessed, result
from assistant.core.language import sentence
from assistant.core.settings import Settings

SPREAD = Decimal("0.02")
"""Passes whose ratios differ by more than this part of it are not one ratio (ours): 0.02 psi in E is about 0.006 of k."""


def canister_air(canister: Decimal, bowl: Decimal, count: int = 1) -> Decimal:
    """Effective air of so many canisters in a bowl full of water, %: 100 x canister / bowl, any one unit of volume."""
    return 100 * canister * count / bowl


def known_air(settings: Settings, count: int = 1) -> Decimal | None:
    """The same for the meter of the settings; None where its bowl volume was not given."""
    bowl = settings.amount("bowl_volume")
    if bowl is None:
        return None
    canister = settings.canister_ft3 * (units.FOOT3_IN_M3 if settings.si else 1)
    return canister_air(canister, bowl, count)


def check_reading(reading: Decimal, known: Decimal | None, settings: Settings) -> Assessment:
    """Does a gauge that reads air, %, show the air that is there?"""
    if known is None:
        return assessed([result("canister_error", None, settings)], settings, [_no_volume(settings)])
    air = result("canister_air", known, settings)
    error = result("canister_error", reading - (air.rounded or known), settings)
    done = assessed([air, error], settings)
    if "canister_error" in settings.limits:
        return done
    inside = abs(error.value or Decimal(0)) <= settings.canister_tolerance_pct
    why = sentence("calibration.reads_right" if inside else "calibration.reads_wrong", reading=f"{reading:f}", known=air.rounded,
                   tolerance=f"{settings.canister_tolerance_pct:f}")
    return replace(done, verdict=PASS if inside else FAIL, why=why)


def chamber_ratio(charges: Sequence[Decimal], equilibria: Sequence[Decimal], known: Decimal | None,
                  settings: Settings) -> Assessment:
    """k from one or more passes at a known air, psi: their mean, if they agree."""
    none = result("chamber_ratio", None, settings)
    if known is None:
        return assessed([none], settings, [_no_volume(settings)])
    if any(not 0 < after < before for before, after in zip(charges, equilibria, strict=True)):
        return assessed([none], settings, [sentence("calibration.order")])
    ratios = [pressure.chamber_ratio_from(known, before, after) for before, after in zip(charges, equilibria)]
    mean = sum(ratios, Decimal(0)) / len(ratios)
    spread = max(ratios) - min(ratios)
    found = replace(result("chamber_ratio", mean, settings), standing=standing.of("chamber_ratio_found"))
    warned = [sentence("calibration.spread", low=rounding.round_to(min(ratios), 4), high=rounding.round_to(max(ratios), 4))
              ] if spread > SPREAD * mean else []
    return assessed([found], settings, (), warned, bool(warned))


def check_gauge(readings: Sequence[Decimal], references: Sequence[Decimal], settings: Settings) -> Assessment:
    """A gauge beside a reference, psi: the largest difference, its sign kept."""
    errors = [mine - theirs for mine, theirs in zip(readings, references, strict=True)]
    worst = max(errors, key=abs)
    found = result("gauge_error", worst, settings)
    done = assessed([found], settings)
    if "gauge_error" in settings.limits:
        return done
    inside = abs(worst) <= settings.gauge_tolerance_psi
    why = sentence("gauge_check.agrees" if inside else "gauge_check.differs", error=found.rounded,
                   tolerance=f"{settings.gauge_tolerance_psi:f}")
    return replace(done, verdict=PASS if inside else FAIL, why=why)


def _no_volume(settings: Settings) -> str:
    return sentence("calibration.no_volume", key="bowl_volume_m3" if settings.si else "bowl_volume_ft3")
