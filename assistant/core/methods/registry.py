"""All methods: found beside this file, checked against each other, and looked up by the name of what one needs.

The interpreter, the settings and the rounds ask here; no room does. Checked against the language file by `trouble`.
"""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from assistant.core import methods, spoken
from assistant.core.assessment import Result, ResultSpec
from assistant.core.judgement import Judgement, Marks, Rule, Taken
from assistant.core.language import CURRENT
from assistant.core.methods import units, values
from assistant.core.methods.method import HoldWatcher, InRound, Method, OwnValue, Reading
from assistant.core.methods.provenance import Provenance
from assistant.core.methods.values import Values
from assistant.core.phrases import time_of_day
from assistant.core.rounding import to_step


def _found() -> Iterator[Method]:
    """Every neighbour that has a METHOD; a folder more in the package's path is looked through too."""
    for each in iter_modules(methods.__path__):
        if each.name != "registry":
            method = getattr(import_module(f"{methods.__name__}.{each.name}"), "METHOD", None)
            if method is not None:
                yield method


def _joined(kind: str, pairs: Iterator[tuple[str, Any]]) -> dict[str, Any]:
    """By name. Raises ValueError where two rooms mean two things by one name; they may share one thing."""
    found: dict[str, Any] = {}
    for name, one in pairs:
        if found.setdefault(name, one) != one:
            raise ValueError(f"two methods have a {kind} {name!r}, and not the same: give one of them another name")
    return found


METHODS: Mapping[str, Method] = {each.name: each for each in sorted(_found(), key=lambda each: each.name)}
_ALL = tuple(METHODS.values())
RULES: Mapping[str, Rule] = _joined("rule", ((name, one) for each in _ALL for name, one in each.rules.items()))
RESULTS: Mapping[str, ResultSpec] = _joined("result", ((one.name, one) for each in _ALL for one in each.results))
LIMITED = tuple(name for name, one in RESULTS.items() if one.limited)
"""The results that a limit can be set on."""
VALUES: Mapping[str, OwnValue] = dict(sorted(
    _joined("value", ((one.name, one) for each in _ALL for one in each.values)).items(), key=lambda one: one[1].check))
READINGS: Mapping[str, Reading] = _joined("reading", ((name, one) for each in _ALL for name, one in each.readings.items()))
_WATCHERS = {each.hold.role: each.hold for each in _ALL if each.hold}
ROUNDS: Mapping[str, InRound] = {each.name: each.round for each in _ALL if each.round}
COUNTED: Mapping[str, tuple[str, ...]] = {
    kind: tuple(each.name for each in _ALL if kind in each.counts_for)
    for kind in ("sample", *sorted({kind for each in _ALL for kind in each.counts_for} - {"sample"}))}
"""What a job may set a frequency of, and the tests that count for it."""


def trouble() -> str:
    """What the language file lacks of the methods' names, in one sentence; empty where it has all."""
    wanted = [f"{table}.{name}" for name in RESULTS for table in ("result", "name")]
    wanted += [f"deviation.{name}" for name in VALUES] + [f"round.to_{name.replace('-', '_')}" for name in ROUNDS]
    wanted += [f"round.first_{name}" for name, one in ROUNDS.items() if one.before_sample]
    wanted += [f"round.another_{name}" for name, one in ROUNDS.items() if one.again]
    wanted += [f"due.of_{kind}" for kind in COUNTED]
    missing = [ident for ident in wanted if ident not in CURRENT.sentences]
    return f"The language file {CURRENT.name} lacks {', '.join(f'say.{one}' for one in missing)}: add them." if missing else ""


def reading(name: str) -> Reading:
    """ValueError where no method has such a reading."""
    if name not in READINGS:
        raise ValueError(f"{name!r} is no reading of any test")
    return READINGS[name]


def figures(name: str, value: Decimal | str) -> str:
    """A reading's value as it is shown wherever it is: 7.25, or 09:11 of a time of day."""
    return time_of_day(value) if is_time(name) else value if isinstance(value, str) else f"{value:f}"


def aloud(name: str, value: Decimal | str) -> str:
    """The same as it is said: digit by digit, or "nine eleven". What is no number is said as it is."""
    if is_time(name):
        return spoken.time_of_day(time_of_day(value))
    return value if isinstance(value, str) else spoken.digits(value)


def is_time(name: str) -> bool:
    """Whether a reading is a time of day."""
    return name in READINGS and READINGS[name].time_of_day


def watcher(role: str) -> HoldWatcher | None:
    return _WATCHERS.get(role)


def judge(rule: str, taken: Taken, settings: Values, marks: Marks = Marks()) -> Judgement:
    """Apply a rule by name."""
    return RULES[rule](taken, settings, marks)


def check(given: Mapping[str, object], settings: Values) -> None:
    """ValueError where what was given for a test contradicts itself."""
    for each in _ALL:
        each.check(given, settings)


def words(settings: Values) -> dict[str, str]:
    """What a procedure may use in braces, of every method."""
    found = units.words(settings.units)
    for each in _ALL:
        found |= each.words(settings)
    return found


SOURCES: Mapping[str, Provenance] = {
    **{name: one.source for name, one in RESULTS.items()}, **{f"report_{name}": one.reported for name, one in RESULTS.items()},
    **{name: one for each in _ALL for name, one in each.sources.items()}, **values.SOURCES}
"""Where every result, rule, constant and setting comes from; "report_" and a result's name: its step as reported."""


def in_other_units(one: Result, rule: str) -> Result | None:
    """The same result in the other system's unit, for a form that wants both; None where there is only one or no value."""
    found = RESULTS[one.name].in_other_units(one.value, one.unit, rule) if one.value is not None and one.name in RESULTS else None
    return None if found is None else Result(one.name, found[0], found[1], found[2], one.standing)


STEPS: Mapping[str, Decimal] = {
    **{unit: Decimal("0.01") for unit in ("psi", "kPa", "lb", "kg")},
    **{unit: min(step for spec in RESULTS.values() for its, step in map(spec.unit, (False, True)) if its == unit)
       for unit in ("in.", "mm", "\u00b0F", "\u00b0C", "yd3", "m3")}}
"""In which step a reading is told in the other system's unit: that of results in it, else ours."""


def reading_in_other_units(value: Decimal, unit: str, rule: str) -> tuple[Decimal, str] | None:
    """A reading in the other system's unit; None where there is only one."""
    other = units.other(unit)
    if other is None or other not in STEPS:
        return None
    return to_step(units.convert(value, unit, other), STEPS[other], rule), other


def with_roles(procedure: Mapping[str, Any]) -> Mapping[str, Any]:
    """A procedure as an old journal has it, from before steps had roles, with the roles that they have today."""
    method = METHODS.get(str(procedure.get("test")))
    steps = [step for stage in procedure.get("stage", ()) for step in stage.get("step", ())]
    if method is None or not method.roles or any("role" in step for step in steps):
        return procedure

    def given(step: Mapping[str, Any]) -> Mapping[str, Any]:
        role = method.roles.get(str(step.get("id")))
        return {**step, "role": role} if role else step
    return {**procedure, "stage": [{**stage, **({"step": [given(step) for step in stage["step"]]} if "step" in stage else {})}
                                   for stage in procedure["stage"]]}
