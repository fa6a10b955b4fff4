"""A test described as data: stages of steps, six kinds of step (``steps.py``), read by the one machine.

A procedure file holds ``[[stage]]`` tables with ``[[stage.step]]`` inside. A stage may be repeated ``with`` a list of
bindings (``{R}``, ``{S}`` in its ids and words) and may be ``like`` an earlier stage, so that nothing is written twice.
Words may also name the job's settings: "charge to {target}", "all {clamps} clamps".
"""
from __future__ import annotations

import re
from dataclasses import dataclass, field, fields, replace
from typing import Any, Mapping

from assistant.core import phrases
from assistant.core.commands import COMMANDS
from assistant.core.methods import registry
from assistant.core.methods.values import near, unknown
from assistant.core.settings import Settings
from assistant.core.steps import KINDS, Ask, Choose, Judge, Option, Step, check_types

END = "end"
STOP = "stop"
"""Two targets that are no step: the test is done; the test is stopped before its end."""

_STAGE_KEYS = ("name", "with", "like", "step")
_TOP_KEYS = ("test", "title", "editions", "standing", "keys", "stage", "words")
_WORDS = ("stage", "say", "terse", "coaching", "caution", "go", "terse_go", "joined", "terse_joined", "crew", "quantity", "yes_note",
          "no_note")
"""What another language says otherwise of a step."""


class ProcedureError(ValueError):
    """A procedure file is wrong; the message says what, where and what is allowed."""


@dataclass(frozen=True)
class Procedure:
    test: str
    title: str
    editions: str
    """Which edition the rules were taken from, and that the agency's own governs."""
    standing: Mapping[str, str]
    """Where each rule of the test comes from, by name."""
    steps: tuple[Step, ...]
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys that mean another command in this test than in the others: key -> command id."""

    @property
    def pressurised(self) -> bool:
        """Something in this test holds pressure: whoever breaks it off or comes back to it is told so."""
        method = registry.METHODS.get(self.test)
        units = ("psi", "%") if method is None or method.on_meter else ("psi",)
        return any(isinstance(step, Ask) and step.unit in units for step in self.steps)

    @property
    def timed_by_end(self) -> bool:
        """What counts for the clocks of a round is when it is completed, not when it begins."""
        return any(step.timed and isinstance(step, Judge) for step in self.steps)

    def index(self, step_id: str) -> int:
        """Place of a step by its id; KeyError if there is none."""
        for index, step in enumerate(self.steps):
            if step.id == step_id:
                return index
        raise KeyError(step_id)


def build(data: Mapping[str, Any], settings: Settings, where: str = "procedure") -> Procedure:
    """The procedure that ``data`` (a parsed file) describes, its words filled from ``settings``.

    Raises ProcedureError: unknown key or kind, missing or wrong value, a target that is no step, an id twice.
    """
    _known(data, _TOP_KEYS, where)
    test = _text(data, "test", where)
    own = registry.words(settings)
    stages: dict[str, Mapping[str, Any]] = {}
    steps: list[Step] = []
    for number, stage in enumerate(_tables(data, "stage", where), 1):
        place = f"{where}: stage {number}"
        _known(stage, _STAGE_KEYS, place)
        name = _text(stage, "name", place)
        place = f'{where}: stage "{name}"'
        like = stage.get("like")
        if like is not None and (not isinstance(like, str) or like not in stages):
            raise ProcedureError(f'{place}: "like" names no earlier stage: {like!r}; there are {", ".join(stages)}.')
        source = stage if like is None else stages[like]
        stages.setdefault(name, source)
        for binding in _bindings(stage, place):
            words = phrases.of_values(settings, binding.get("S")) | own
            words |= {key: _filled(str(value), words, place) for key, value in binding.items()}
            for plain in _tables(source, "step", place):
                step = replace(_step(plain, _filled(name, words, place), words, place), of_run=int(binding.get("S") or 0))
                steps.append(_reworded(step, data.get("words", {}).get(step.id, {}), words, place))
    if not isinstance(data.get("editions", ""), str):
        raise ProcedureError(f'{where}: "editions" must be a text.')
    if not isinstance(data.get("standing", {}), Mapping):
        raise ProcedureError(f'{where}: "standing" must be a table of texts.')
    procedure = Procedure(test, _text(data, "title", where), data.get("editions", ""), dict(data.get("standing", {})),
                          tuple(steps), _keys(data, where))
    _check_targets(procedure, where)
    return procedure


def _keys(data: Mapping[str, Any], where: str) -> dict[str, str]:
    keys = data.get("keys", {})
    if not isinstance(keys, Mapping) or not all(isinstance(meant, str) and meant in COMMANDS for meant in keys.values()):
        raise ProcedureError(f'{where}: "keys" must name a command for each key; the commands are {", ".join(COMMANDS)}.')
    return dict(keys)


def _bindings(stage: Mapping[str, Any], place: str) -> list[Mapping[str, Any]]:
    bindings = stage.get("with", [{}])
    if not isinstance(bindings, list) or not all(isinstance(one, Mapping) for one in bindings):
        raise ProcedureError(f'{place}: "with" must be a list of tables, such as [{{ R = 1 }}, {{ R = 2 }}].')
    for one in bindings:
        if one.get("S") not in (None, 1, 2, 3):
            raise ProcedureError(f'{place}: "S" must be a step of a run, 1 to 3, not {one["S"]!r}.')
    return bindings


def _step(plain: Mapping[str, Any], stage: str, words: Mapping[str, str], place: str) -> Step:
    plain = _filled(plain, words, place)
    place = f"{place}: step {plain.get('id', '(no id)')!r}"
    name = plain.get("kind")
    if not isinstance(name, str) or name not in KINDS:
        raise ProcedureError(f'{place}: kind {name!r} is none of {", ".join(KINDS)}.')
    kind = KINDS[name]
    allowed = {each.name: each for each in fields(kind)}
    values = {key: value for key, value in plain.items() if key != "kind"}
    if isinstance(places := values.get("places"), str) and places.isascii() and places.isdigit():
        values["places"] = int(places)  # filled from the units of the job
    _known(values, tuple(name for name in allowed if name not in ("stage", "of_run")), place)
    if "id" not in values:
        raise ProcedureError(f'{place}: it needs an "id".')
    if kind is Choose:
        for answer in ("yes", "no"):
            if not isinstance(values.get(answer), Mapping):
                raise ProcedureError(f'{place}: "{answer}" must be a table such as {{ goto = "next" }}.')
            _known(values[answer], tuple(each.name for each in fields(Option)), f"{place}: {answer}")
            values[answer] = Option(**values[answer])
            try:
                check_types(values[answer])
            except ValueError as error:
                raise ProcedureError(f"{place}: {answer}: {error}") from None
    try:
        step = kind(stage=stage, **values)
        step.check()
    except (TypeError, ValueError) as error:
        raise ProcedureError(f"{place}: {error}") from None
    return step


def _reworded(step: Step, given: Mapping[str, Any], words: Mapping[str, str], place: str) -> Step:
    """The step in the words of another language; ids, clocks and branches stay."""
    changes: dict[str, Any] = {key: str(value) for key, value in _filled(given, words, place).items()}
    for answer in ("yes", "no"):
        if (note := changes.pop(f"{answer}_note", None)) is not None:
            changes[answer] = replace(getattr(step, answer), note=note)
    return replace(step, **changes) if changes else step


def wording(procedure: Procedure) -> dict[str, dict[str, str]]:
    """Every word of a test, step by step: what a language file has under ``[procedure.NAME.words]``."""
    found = {}
    for step in procedure.steps:
        words = {key: getattr(step, key) for key in _WORDS if getattr(step, key, "")}
        words |= {f"{answer}_note": getattr(step, answer).note for answer in ("yes", "no")
                  if isinstance(step, Choose) and getattr(step, answer).note}
        found[step.id] = words
    return found


def translated(data: Mapping[str, Any], given: Mapping[str, Any], where: str) -> dict[str, Any]:
    """A procedure's data with the words that a language file gives for it. Raises ProcedureError naming all that it lacks."""
    own = wording(build(data, Settings(), where))
    words = given.get("words", {})
    wrong = [f"{key} is missing" for key in ("title", "editions") if not given.get(key)]
    wrong += [f"words.{step}.{key} is missing" for step, said in own.items() for key in said if key not in words.get(step, {})]
    wrong += [f"words.{step}.{key} is not known" for step, said in words.items() for key in said if key not in own.get(step, {})]
    if wrong:
        raise ProcedureError(f"{where}: {'; '.join(wrong)}.")
    return {**data, "title": given["title"], "editions": given["editions"], "words": words}


def _check_targets(procedure: Procedure, where: str) -> None:
    ids = [step.id for step in procedure.steps]
    twice = sorted({one for one in ids if ids.count(one) > 1})
    if twice:
        raise ProcedureError(f"{where}: two steps have the id {twice[0]!r}; each needs its own.")
    if not ids:
        raise ProcedureError(f"{where}: there is no step in it.")
    for step in procedure.steps:
        for target in step.targets():
            if target not in ids and target not in (END, STOP, ""):
                raise ProcedureError(f"{where}: step {step.id!r} goes to {target!r}, which is no step{near(target, ids)}.")
        if isinstance(step, Ask) and step.id not in registry.READINGS:
            raise ProcedureError(f"{where}: step {step.id!r} asks for a reading that no method has.")
        if isinstance(step, Judge) and step.rule not in registry.RULES:
            raise ProcedureError(f'{where}: step {step.id!r}: rule {step.rule!r} is none of {", ".join(registry.RULES)}.')


def _filled(value: Any, words: Mapping[str, str], place: str) -> Any:
    if isinstance(value, Mapping):
        return {key: _filled(each, words, place) for key, each in value.items()}
    if isinstance(value, list):
        return [_filled(each, words, place) for each in value]
    if not isinstance(value, str):
        return value

    def word(match: re.Match[str]) -> str:
        if match[1] not in words:
            raise ProcedureError(f"{place}: {match[0]} in {value!r} is no setting and no binding; "
                                 f"known are {', '.join(sorted(words))}.")
        return words[match[1]]
    return re.sub(r"\{(\w+)\}", word, value)


def _known(table: Mapping[str, Any], allowed: tuple[str, ...], place: str) -> None:
    for key in table:
        if key not in allowed:
            raise ProcedureError(f"{place}: {unknown(key, allowed)}.")


def _text(table: Mapping[str, Any], key: str, place: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value:
        raise ProcedureError(f'{place}: "{key}" must be a text.')
    return value


def _tables(table: Mapping[str, Any], key: str, place: str) -> list[Mapping[str, Any]]:
    value = table.get(key)
    if not isinstance(value, list) or not value or not all(isinstance(each, Mapping) for each in value):
        raise ProcedureError(f'{place}: it needs at least one [[{key}]] table.')
    return value
