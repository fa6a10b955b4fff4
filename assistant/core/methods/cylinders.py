"""Cylinders (C31 / R 100): how many of the job's size were made, and the mass of one for whoever lifts it."""
from __future__ import annotations

from decimal import Decimal

from assistant.core.assessment import NONE, Assessment, ResultSpec, assessed, result
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, in_units, ranged, rule, span
from assistant.core.methods.provenance import common, derived
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

PI = Decimal("3.14159265358979323846264338328")

MASS = ResultSpec(name="cylinder_mass", inch_pound=("lb", "0.1"), si=("kg", "0.01"),
                  source=derived("volume of the cylinder x density"), reported=common("0.1 lb or 0.01 kg"))
MADE = ResultSpec(name="cylinders_made", inch_pound=("", "1"), limited=True,
                  source=common("as counted by the technician"), reported=common("a count"))

SET = ranged(in_units(span("1", "99", "1", "99")), example="1")
"""The number of a set."""


def volume(diameter: Decimal, height: Decimal) -> Decimal:
    """Of a cylinder, in the cube of the unit given."""
    return PI * diameter * diameter / 4 * height


def mass(diameter: Decimal, height: Decimal, density: Decimal, system: str) -> Decimal:
    """Mass of a full mould: in. and lb/ft3 give lb, mm and kg/m3 give kg."""
    return volume(diameter, height) * density / (1728 if system == units.INCH_POUND else 10**9)


def concrete_ft3(settings: Values) -> Decimal:
    """Of a set in the job's size and number."""
    diameter, height = map(Decimal, settings.cylinder.split("x"))
    return settings.cylinder_count * volume(diameter, height) / 1728


def _made(taken: Taken, settings: Values) -> Assessment:
    return Assessment((result(MADE, taken["cylinder.count"], settings),), (), NONE, sentence("cylinders.made"))


def _size(_taken: Taken, settings: Values, _marks: Marks) -> Judgement:
    """Which way the cylinders are filled; nothing is said."""
    return Judgement(settings.cylinder, "")


def work(given: WorkInput) -> Assessment:
    """The mass of a full mould, for lifting and as a check of what was made."""
    system, needed = given.one_system(("diameter_in", "height_in", "density_lb_ft3"),
                                      ("diameter_mm", "height_mm", "density_kg_m3"))
    given.keys(needed, given.COMMON)
    job = given.settings((), (), system)
    diameter, height, heavy = map(given.reading, needed)
    return assessed([result(MASS, mass(diameter, height, heavy, system), job)], job)


def words(settings: Values) -> dict[str, str]:
    return {"insertions": sentence(f"cylinders.insertions_{settings.cylinder}")}


METHOD = Method(
    name="cylinders", needs=("moulds", "rod"), words=words, results=(MASS, MADE), work=work, counts_for=("sample", "strength"),
    readings={"cylinder.set": SET, "cylinder.box": ranged(in_units(span("1", "99", "1", "99"))),
              "cylinder.count": ranged(in_units(span("1", "24", "2", "12")), example="4")},
    rules={"cylinder_size": _size, "cylinders": rule(_made)},
    round=InRound(concrete_ft3=concrete_ft3, takes_s=290, begins_s=23, within="mould_within_s"))
