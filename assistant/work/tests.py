"""The tests that `bowlside work` knows: what each takes, and its assessment by the core."""

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from assistant.core import calibration, cylinders, density, leak, pressure_air, sequential, slump, temperature, units
from assistant.core.assessment import Assessment, assessed, result
from assistant.core.settings import Settings
from assistant.work.input import keys, one_system, optional, reading, readings, settings, two_runs, yes_or_no

Work = Callable[[dict[str, Any]], Assessment]

COMMON = ("limits", "rounding")


def _sequential(given: dict[str, Any]) -> Assessment:
    keys(given, needed=("charge_psi", "equilibrium_psi"),
          optional=("chamber_ratio", "aggregate_correction_pct", "limits", "rounding"))
    job = settings(given, ("chamber_ratio", "aggregate_correction_pct"),
                   ("air_content", "system_air_metric"))
    done = sequential.assess(two_runs(given, "charge_psi"), two_runs(given, "equilibrium_psi"), job)
    assumed = []
    if "chamber_ratio" not in given:
        assumed.append(f"chamber_ratio was not given: {job.chamber_ratio} is a placeholder, "
                       "not this meter's")
    if "aggregate_correction_pct" not in given:
        assumed.append("aggregate_correction_pct was not given: "
                       f"{job.aggregate_correction_pct} was used")
    return Assessment(done.results, done.warnings + tuple(assumed), done.verdict, done.why)


def _leak(given: dict[str, Any]) -> Assessment:
    keys(given, needed=("initial_psi", "final_psi"), optional=("hold_s", "limits", "rounding"))
    job = settings(given, (), ("leak_drop",))
    held = reading("hold_s", given["hold_s"]) if "hold_s" in given else None
    first, last = (reading(key, given[key]) for key in ("initial_psi", "final_psi"))
    return leak.assess(first, last, job, held)


_BATCH = {units.INCH_POUND: ("batch_mass_lb", "design_yield_yd3", "air_free_volume_ft3", "cementitious_lb"),
          units.SI: ("batch_mass_kg", "design_yield_m3", "air_free_volume_m3", "cementitious_kg")}


def _density(given: dict[str, Any]) -> Assessment:
    weighed = {units.INCH_POUND: ("gross_lb", "tare_lb", "volume_ft3"), units.SI: ("gross_kg", "tare_kg", "volume_m3")}
    system, _ = one_system(given, *(weighed[each] + _BATCH[each] for each in units.SYSTEMS))
    keys(given, weighed[system], _BATCH[system] + COMMON)
    job = settings(given, _BATCH[system], ("density", "yield", "relative_yield", "theoretical_density", "gravimetric_air",
                                           "cement_content"), system)
    gross, tare, volume = (reading(key, given[key]) for key in weighed[system])
    return density.assess(gross, tare, volume, job)


def _slump(given: dict[str, Any]) -> Assessment:
    system, (key,) = one_system(given, ("slump_in",), ("slump_mm",))
    keys(given, (key,), ("sheared", "lift_s", "whole_s", *COMMON))
    return slump.assess(reading(key, given[key]), settings(given, (), ("slump",), system),
                        not yes_or_no(given, "sheared", False), optional(given, "lift_s"), optional(given, "whole_s"))


def _temperature(given: dict[str, Any]) -> Assessment:
    system, (key,) = one_system(given, ("temperature_f",), ("temperature_c",))
    keys(given, (key,), ("waited_s", *COMMON))
    return temperature.assess(reading(key, given[key]), settings(given, (), ("temperature",), system),
                              optional(given, "waited_s"))


def _pressure_air(given: dict[str, Any]) -> Assessment:
    keys(given, ("reading_pct",), ("after_release_pct", "aggregate_correction_pct", *COMMON))
    job = settings(given, ("aggregate_correction_pct",), ("air_content",))
    done = pressure_air.assess(reading("reading_pct", given["reading_pct"]), job, optional(given, "after_release_pct"))
    assumed = () if "aggregate_correction_pct" in given else ("aggregate_correction_pct was not given: 0.0 was used",)
    return Assessment(done.results, done.warnings + assumed, done.verdict, done.why)


_AGGREGATE = {units.INCH_POUND: ("bowl_volume_ft3", "batch_volume_ft3", "fine_aggregate_lb", "coarse_aggregate_lb"),
              units.SI: ("bowl_volume_m3", "batch_volume_m3", "fine_aggregate_kg", "coarse_aggregate_kg")}


def _aggregate_correction(given: dict[str, Any]) -> Assessment:
    """Either the masses to weigh, or the correction from the meter's reading, or both."""
    system, amounts = one_system(given, *_AGGREGATE.values())
    read = ("reading_pct", "withdrawn_pct")
    wanted = tuple(key for group in (amounts, read) if any(one in given for one in group) for key in group) or read
    keys(given, wanted, (*amounts, *read, *COMMON))
    job = settings(given, amounts, ("aggregate_correction",), system)
    masses = pressure_air.sample_masses(job)
    weighed = [] if masses is None else [result(name, mass, job) for name, mass in zip(("fine_sample", "coarse_sample"), masses)]
    if "reading_pct" not in given:
        return assessed(weighed, Settings(units=system))
    done = pressure_air.correction(*(reading(key, given[key]) for key in read), job)
    return Assessment((*weighed, *done.results), done.warnings, done.verdict, done.why)


def _calibration(given: dict[str, Any]) -> Assessment:
    """A reading in percent beside the canister's air, or the chamber ratio from passes in psi at a known air."""
    known_by = ("known_air_pct",) if "known_air_pct" in given else ("bowl_volume_ft3",)
    read = ("charge_psi", "equilibrium_psi") if "charge_psi" in given or "equilibrium_psi" in given else ("reading_pct",)
    keys(given, known_by + read, ("canister_ft3", "canisters", *COMMON))
    job = settings(given, tuple(key for key in ("bowl_volume_ft3", "canister_ft3") if key in given), ("canister_error",))
    count = Decimal(1) if (wanted := optional(given, "canisters")) is None else wanted
    if count not in (1, 2, 3):
        raise ValueError("canisters must be 1, 2 or 3")
    known = optional(given, "known_air_pct") if "known_air_pct" in given else calibration.known_air(job, int(count))
    if known == 0:
        raise ValueError("known_air_pct is 0: without air there is nothing to read")
    if read == ("reading_pct",):
        return calibration.check_reading(reading("reading_pct", given["reading_pct"]), known, job)
    charges, equilibria = (readings(given, key) for key in read)
    if len(charges) != len(equilibria):
        raise ValueError("charge_psi and equilibrium_psi must have as many readings as each other")
    return calibration.chamber_ratio(charges, equilibria, known, job)


def _gauge_check(given: dict[str, Any]) -> Assessment:
    keys(given, ("gauge_psi", "reference_psi"), COMMON)
    mine, theirs = (readings(given, key) for key in ("gauge_psi", "reference_psi"))
    if len(mine) != len(theirs):
        raise ValueError("gauge_psi and reference_psi must have as many readings as each other")
    return calibration.check_gauge(mine, theirs, settings(given, (), ("gauge_error",)))


def _cylinders(given: dict[str, Any]) -> Assessment:
    """The mass of a full mould, for lifting and as a check of what was made."""
    system, needed = one_system(given, ("diameter_in", "height_in", "density_lb_ft3"),
                                ("diameter_mm", "height_mm", "density_kg_m3"))
    keys(given, needed, COMMON)
    job = settings(given, (), (), system)
    diameter, height, heavy = (reading(key, given[key]) for key in needed)
    return assessed([result("cylinder_mass", cylinders.mass(diameter, height, heavy, system), job)], job)


def _initial_cure(given: dict[str, Any]) -> Assessment:
    system, needed = one_system(given, ("highest_f", "lowest_f"), ("highest_c", "lowest_c"))
    keys(given, (*needed, "hours"), ("strength_psi", *COMMON))
    job = settings(given, ("strength_psi",), ("cure_high", "cure_low", "cure_hours"), system)
    return cylinders.initial_cure(*(reading(key, given[key]) for key in (*needed, "hours")), job)


TESTS: Mapping[str, Work] = {
    "sequential": _sequential, "leak": _leak, "density": _density, "slump": _slump, "temperature": _temperature,
    "pressure-air": _pressure_air, "aggregate-correction": _aggregate_correction, "calibration": _calibration,
    "gauge-check": _gauge_check, "cylinders": _cylinders, "initial-cure": _initial_cure,
}
