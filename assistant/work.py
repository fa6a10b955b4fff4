"""`bowlside work TEST`: compute results from readings given as one JSON object on standard input.

Decimals are read, computed, compared and written exactly, from the JSON text on.
"""

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from assistant import jsonline
from assistant.core import leak, sequential
from assistant.core.assessment import FAIL, INVALID, Assessment
from assistant.core.settings import Settings, shown

LONGEST = 100_000
"""Characters of input; a whole test takes a few hundred."""

Work = Callable[[dict[str, Any]], Assessment]


def run(test: str, text: str) -> tuple[dict[str, Any], int]:
    """What to print and the exit code (0 pass or no limits, 1 fail or invalid) for one test's JSON `text`.

    ValueError, one plain sentence, on anything that is not the test's input: exit code 2.
    """
    if test not in TESTS:
        raise ValueError(f"there is no work for a test {shown(test)}: the tests are {', '.join(TESTS)}")
    done = TESTS[test](_read(text))
    return as_object(done), 1 if done.verdict in (FAIL, INVALID) else 0


def as_object(done: Assessment) -> dict[str, Any]:
    """An assessment as the command contract prints it."""
    names = ("name", "value", "unit", "rounded", "standing")
    return {"results": [{name: getattr(each, name) for name in names} for each in done.results],
            "warnings": list(done.warnings), "verdict": done.verdict, "why": done.why}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("test", metavar="TEST", help="one of: " + ", ".join(TESTS))
    parser.add_argument("--json", action="store_true", help="print one JSON object on one line")


def run_command(args: argparse.Namespace) -> int:
    """Reads standard input, prints the results; the exit code."""
    if args.test in TESTS and sys.stdin.isatty():
        print("Type the readings as one JSON object, then Ctrl-D.", file=sys.stderr)
    try:
        found, code = run(args.test, sys.stdin.buffer.read(4 * LONGEST + 4).decode("utf-8-sig"))
    except UnicodeDecodeError:
        print("bowlside work: the input is no UTF-8 text: give one JSON object", file=sys.stderr)
        return 2
    except ValueError as wrong:
        print(f"bowlside work: {wrong}", file=sys.stderr)
        return 2
    print(jsonline.dumps(found) if args.json else _plain(found))
    return code


def _sequential(given: dict[str, Any]) -> Assessment:
    _keys(given, needed=("charge_psi", "equilibrium_psi"),
          optional=("chamber_ratio", "aggregate_correction_pct", "limits", "rounding"))
    settings = _settings(given, ("chamber_ratio", "aggregate_correction_pct"),
                         ("air_content", "system_air_metric"))
    done = sequential.assess(_two_runs(given, "charge_psi"), _two_runs(given, "equilibrium_psi"), settings)
    assumed = []
    if "chamber_ratio" not in given:
        assumed.append(f"chamber_ratio was not given: {settings.chamber_ratio} is a placeholder, "
                       "not this meter's")
    if "aggregate_correction_pct" not in given:
        assumed.append("aggregate_correction_pct was not given: "
                       f"{settings.aggregate_correction_pct} was used")
    return Assessment(done.results, done.warnings + tuple(assumed), done.verdict, done.why)


def _leak(given: dict[str, Any]) -> Assessment:
    _keys(given, needed=("initial_psi", "final_psi"), optional=("hold_s", "limits", "rounding"))
    settings = _settings(given, (), ("leak_drop",))
    held = _reading("hold_s", given["hold_s"]) if "hold_s" in given else None
    first, last = (_reading(key, given[key]) for key in ("initial_psi", "final_psi"))
    return leak.assess(first, last, settings, held)


TESTS: Mapping[str, Work] = {"sequential": _sequential, "leak": _leak}


def _read(text: str) -> dict[str, Any]:
    if len(text) > LONGEST:
        raise ValueError(f"the input is over {LONGEST} characters long: give one JSON object of readings")
    if not text.strip():
        raise ValueError("the input is empty: give one JSON object of readings")
    try:
        given = jsonline.loads(text)
    except json.JSONDecodeError as wrong:
        where = f"line {wrong.lineno} column {wrong.colno}"
        raise ValueError(f"the input is no JSON, at {where}: {wrong.msg}") from None
    except ValueError as wrong:
        raise ValueError(f"the input can't be used: {wrong}") from None
    if not isinstance(given, dict):
        raise ValueError('give one JSON object, such as {"initial_psi": 45.20, "final_psi": 45.12}')
    return given


def _keys(given: Mapping[str, Any], needed: tuple[str, ...], optional: tuple[str, ...]) -> None:
    for key in needed:
        if key not in given:
            raise ValueError(f"{key} is missing: this test needs {' and '.join(needed)}")
    for key in given:
        if key not in needed + optional:
            raise ValueError(f"{shown(key)} is not known here: the keys are {', '.join(needed + optional)}")


def _settings(given: Mapping[str, Any], numbers: tuple[str, ...], results: tuple[str, ...]) -> Settings:
    """The settings that may stand among the readings; JSON text is not taken for a number."""
    for key in numbers:
        if key in given:
            _reading(key, given[key])
    limits = given.get("limits", {})
    if isinstance(limits, dict):
        for name, pair in limits.items():
            if name not in results:
                raise ValueError(f"limits names {shown(name)}: this test gives {' and '.join(results)}")
            for side in pair if isinstance(pair, list) else ():
                if side is not None:
                    _reading(f"a limit of {name}", side)
    wanted = (*numbers, "limits", "rounding")
    return Settings.from_mapping({key: given[key] for key in wanted if key in given})


def _two_runs(given: Mapping[str, Any], key: str) -> list[list[Decimal]]:
    runs = given[key]
    whole = isinstance(runs, list) and len(runs) == 2
    if not whole or not all(isinstance(steps, list) and len(steps) == 3 for steps in runs):
        raise ValueError(f"{key} must be two runs of three, such as [[14.5, 30, 45], [14.5, 30, 45]]")
    return [[_reading(f"{key}, run {r} step {s}", value) for s, value in enumerate(steps, 1)]
            for r, steps in enumerate(runs, 1)]


def _reading(key: str, value: Any) -> Decimal:
    """A number straight from the JSON, 0 or above and of a sensible size."""
    if not isinstance(value, Decimal):
        raise ValueError(f"{key} is {shown(value)}: it must be a number")
    if value.adjusted() >= 6 or value.as_tuple().exponent < -12:
        raise ValueError(f"{key} is {shown(value)}: it must be below 1000000 and have at most 12 decimals")
    if value < 0:
        raise ValueError(f"{key} is {shown(value)}: it must not be negative")
    return value


def _plain(found: Mapping[str, Any]) -> str:
    """The same for a person: a line for each result, warning and the verdict."""
    lines = []
    for each in found["results"]:
        value = "no valid result" if each["rounded"] is None else f"{each['rounded']} {each['unit']}"
        lines.append(f"{each['name'].replace('_', ' ')}: {value}\n    ({each['standing']})")
    lines += [f"warning: {warning}" for warning in found["warnings"]]
    return "\n".join([*lines, f"verdict: {found['verdict']}, {found['why']}"])
