"""The rules of the other fresh-concrete tests for Judge steps: from readings to an outcome, results and words."""

from collections.abc import Callable, Mapping
from decimal import Decimal

from assistant.core import calibration, cylinders, density, pressure_air, slump, temperature
from assistant.core.assessment import INVALID, NONE, Assessment, result
from assistant.core.judgement import Judgement, Marks, Rule, whole
from assistant.core.language import sentence
from assistant.core.settings import Settings

Taken = Mapping[str, Decimal]


def _rule(assess: Callable[[Taken, Settings], Assessment]) -> Rule:
    """A rule on the whole test from its assessment."""
    def judged(taken: Taken, settings: Settings, marks: Marks) -> Judgement:
        return whole(assess(taken, settings), marks)
    return judged


def _passes(taken: Taken, kind: str) -> list[Decimal]:
    return [taken[f"{kind}.{number}"] for number in (1, 2, 3)]


def _chamber_ratio(taken: Taken, settings: Settings) -> Assessment:
    return calibration.chamber_ratio(_passes(taken, "canister.charge"), _passes(taken, "canister.equilibrium"),
                                     calibration.known_air(settings), settings)


def _made(taken: Taken, settings: Settings) -> Assessment:
    return Assessment((result("cylinders_made", taken["cylinder.count"], settings),), (), NONE, sentence("cylinders.made"))


def _sample(_taken: Taken, _settings: Settings, marks: Marks) -> Judgement:
    """A sample has no result; it only may not count."""
    if not marks.invalid:
        return Judgement("good", "", (), NONE, sentence("sampling.good"))
    why = "; ".join(marks.invalid)
    return Judgement("bad", sentence("verdict.invalid", why=why), (), INVALID, why)


def _size(_taken: Taken, settings: Settings, _marks: Marks) -> Judgement:
    """Which way the cylinders are filled; nothing is said."""
    return Judgement(settings.cylinder, "")


def _measure(_taken: Taken, settings: Settings, _marks: Marks) -> Judgement:
    """Whether the job knows the volume of the measure."""
    return Judgement("unknown" if settings.amount("measure_volume") is None else "known", "")


RULES: dict[str, Rule] = {
    "temperature": _rule(lambda taken, settings: temperature.assess(taken["temperature"], settings)),
    "slump": _rule(lambda taken, settings: slump.assess(taken.get("slump"), settings)),
    "measure": _measure,
    "sample": _sample,
    "density": _rule(lambda taken, settings: density.assess(taken["gross"], taken["tare"], settings.amount("measure_volume"),
                                                            settings)),
    "pressure_air": _rule(lambda taken, settings: pressure_air.assess(taken["air.reading"], settings)),
    "aggregate_correction": _rule(lambda taken, settings: pressure_air.correction(taken["air.reading"], taken["water.drawn"],
                                                                                  settings)),
    "canister": _rule(lambda taken, settings: calibration.check_reading(taken["canister.reading"],
                                                                        calibration.known_air(settings), settings)),
    "chamber_ratio": _rule(_chamber_ratio),
    "gauge_check": _rule(lambda taken, settings: calibration.check_gauge(_passes(taken, "gauge"), _passes(taken, "reference"),
                                                                         settings)),
    "cylinder_size": _size,
    "cylinders": _rule(_made),
    "initial_cure": _rule(lambda taken, settings: cylinders.initial_cure(
        taken["cure.max"], taken["cure.min"], taken["cure.hours"], settings)),
}
