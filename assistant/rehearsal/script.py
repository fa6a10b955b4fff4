"""A rehearsal script: one JSON object a line, the first the test's header, every other an answer to a prompt."""
from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, Mapping

from assistant.core import prompts
from assistant.core.events import KINDS, Event, TestStarted, from_plain
from assistant.core.methods.values import near, number, shown, unknown
from assistant.core.round_clock import BETWEEN
from assistant.files.jsonline import loads
from assistant.files.refusal import Refusal
from assistant.record.header import Header, header_of
from assistant.round.plan import plan_of

ANSWERS = ("say", "key", "hear", "gauge", "event")
KEYS = (*"0123456789*#ABCD", "#-held", "A-held", "B-held", "C-held", "D-held")


@dataclass(frozen=True)
class Answer:
    on: str
    """The prompt that it answers. With ``then``: what was asked when it was said; empty: whatever is asked now."""
    after: float | None
    """Seconds after the prompt began to listen; None: a natural moment."""
    kind: str
    value: str | Decimal | tuple[str, ...] | Path | Mapping[str, Any]
    line: int
    then: float | None = None
    """Seconds after the line before it, whatever is asked or said by then."""


@dataclass(frozen=True)
class Script:
    header: Header
    answers: tuple[Answer, ...]
    name: str = ""
    round: Mapping[str, Any] | None = None
    """The first line of a script for a whole round; the header then is that of its sampling."""
    clock: datetime | None = None
    """The wall clock as the script begins, from its first line's ``clock`` (9:42); None: not said."""


def read(lines: Iterable[str], name: str, folder: Path) -> Script:
    """Parse and check a whole script before anything runs; WAV paths are relative to the script's ``folder``.

    Raises Refusal naming file, line, key and what is allowed.
    """
    header: Header | None = None
    whole: Mapping[str, Any] | None = None
    clock: datetime | None = None
    answers = []
    known: set[str] = set()
    for line, text in enumerate(lines, 1):
        if not text.strip():
            continue
        where = f"{name} line {line}"
        try:
            given = loads(text)
        except (ValueError, json.JSONDecodeError, RecursionError) as error:
            raise Refusal(f"{where}: this is no JSON ({error}). Write one object a line.") from None
        if not isinstance(given, dict):
            raise Refusal(f"{where}: this must be one JSON object, such as "
                              '{"on": "zero", "say": "next"}.')
        if header is None:
            clock = _time_of_day(given.pop("clock", None), where)
        if header is None and given.get("test") == BETWEEN:
            whole = given
            plan = plan_of(given, where)
            header, known = header_of({"test": "sampling", **plan.given}, where), set(plan.prompts())
        elif header is None:
            header = header_of(given, where)
            known = {prompt.id for prompt in prompts.prompts(header.procedure)}
        else:
            answers.append(_answer(given, where, line, known, folder))
    if header is None:
        raise Refusal(f'{name}: the script is empty. Its first line names the test: {{"test": "sequential"}}.')
    return Script(header, tuple(answers), name, whole, clock)


def _time_of_day(given: Any, where: str) -> datetime | None:
    if given is None:
        return None
    try:
        return datetime.strptime(f"2031-05-17 {given}", "%Y-%m-%d %H:%M").astimezone()
    except (TypeError, ValueError):
        raise Refusal(f'{where}: "clock" is {shown(given)}: it must be a time of day, such as "09:42".') from None


def _answer(given: Mapping[str, Any], where: str, number: int, known: set[str], folder: Path) -> Answer:
    for key in given:
        if key not in (allowed := ("on", "after", "then", *ANSWERS)):
            raise Refusal(f"{where}: {unknown(key, allowed)}.")
    if "then" in given and "after" in given:
        raise Refusal(f'{where}: "after" counts from the prompt and "then" from the line before: give one of them.')
    on, after = given.get("on", "" if "then" in given else None), _seconds(given, where)
    if on == "" and "then" in given:
        pass
    elif not isinstance(on, str) or on not in known:
        what = f"names no prompt of this test: {on!r}" if "on" in given else "is missing: it names the prompt that is answered"
        raise Refusal(f'{where}: "on" {what}{near(str(on), sorted(known))}. The command prompts lists them all.')
    kinds = [kind for kind in ANSWERS if kind in given]
    if len(kinds) != 1:
        raise Refusal(f'{where}: exactly one of {", ".join(ANSWERS)} is needed.')
    when = {"then": after, "after": None} if "then" in given else {"after": after}
    return Answer(on, kind=kinds[0], value=_checked(kinds[0], given[kinds[0]], where, folder), line=number, **when)


def _seconds(given: Mapping[str, Any], where: str) -> float | None:
    key = "then" if "then" in given else "after"
    seconds = given.get(key)
    if seconds is None and key == "after":
        return None
    if isinstance(seconds, bool) or not isinstance(seconds, int | Decimal) or not 0 <= seconds <= 86400:
        raise Refusal(f'{where}: "{key}" must be seconds from 0 to 86400, not {shown(seconds)}.')
    return float(seconds)


def event(given: Mapping[str, Any], now: float) -> Event:
    """The event of an "event" line. Its own "at", where it has one, is the clock of a new boot. Raises ValueError."""
    known = [name for name, kind in KINDS.items() if kind is not TestStarted]  # the first line begins the test
    if given.get("kind") not in known:
        raise ValueError(f"its kind must be one of {', '.join(known)}")
    hints = {"kind": "str", **{each.name: str(each.type) for each in fields(KINDS[given["kind"]])}}
    if unknown := set(given) - set(hints):
        raise ValueError(f"a {given['kind']} has no {sorted(unknown)[0]!r}")
    return from_plain({"at": now, **{key: _field(key, hints[key], each) for key, each in given.items()}})


def _field(key: str, hint: str, value: Any) -> Any:
    """A value as an event's field of this type has it. Raises ValueError."""
    match hint.partition(" ")[0]:
        case "Decimal":
            return number(f'"{key}"', value)
        case "float" | "int" if value is None and hint.endswith("None"):
            return None
        case "float" | "int" as exact if isinstance(value, int | Decimal) and not isinstance(value, bool) and -1e9 < value < 1e9:
            return float(value) if exact == "float" else int(value)
        case "bool" if isinstance(value, bool):
            return value
        case "str" if _is_text(value) and len(value) <= 1000:
            return value
    raise ValueError(f'"{key}" must be {hint}, not {shown(value)}')


def _checked(kind: str, value: Any, where: str, folder: Path) -> str | Decimal | tuple[str, ...] | Path | Mapping[str, Any]:
    if kind == "event":
        try:
            event(value if isinstance(value, dict) else {}, 0.0)
        except KeyError as error:
            raise Refusal(f'{where}: "event" lacks its {error}.') from None
        except ValueError as error:
            raise Refusal(f'{where}: "event" must be an event as the journal writes it, such as '
                              f'{{"kind": "Restarted", "boot": "b"}} ({error}).') from None
        return value
    if kind == "gauge":
        if not isinstance(value, Decimal):
            raise Refusal(f'{where}: "gauge" is {shown(value)}: it must be a number, without quotes.')
        try:
            return number('"gauge"', value)
        except ValueError as error:
            raise Refusal(f"{where}: {error}.") from None
    if not _is_text(value) or not value.strip() or len(value) > 1000:
        raise Refusal(f'{where}: "{kind}" must be a text, not {shown(value)}.')
    if kind == "key":
        keys = tuple(value.split())
        for key in keys:
            if key not in KEYS:
                raise Refusal(f'{where}: {key!r} is no key; the keys are {" ".join(KEYS)}, with a space between.')
        return keys
    if kind == "hear":
        path = folder / value
        try:
            there = path.is_file()
        except OSError:  # a name longer than any file may have
            there = False
        if not there:
            raise Refusal(f"{where}: there is no file {path}.")
        return path
    return value


def _is_text(value: Any) -> bool:
    r"""Half a character ("\ud800") is legal in JSON, but can be neither shown nor written to a file."""
    return isinstance(value, str) and not any("\ud800" <= char <= "\udfff" for char in value)
