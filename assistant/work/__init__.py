"""`bowlside work TEST`: compute results from readings given as one JSON object on standard input.

Decimals are read, computed and compared exactly, from the JSON text on; a value is written with at most 12 figures (`rounding.short`).
"""

import argparse
import sys
from collections.abc import Mapping
from typing import Any

from assistant.core.assessment import FAIL, INVALID, Assessment, Result, Uncertainty, counting, with_unit
from assistant.core.methods.registry import METHODS, in_other_units
from assistant.core.methods.work_input import WorkInput
from assistant.core.rounding import HALF_EVEN
from assistant.core.settings import Settings, shown
from assistant.files import jsonline
from assistant.work.input import LONGEST, read

__all__ = ["LONGEST", "TESTS", "add_arguments", "as_object", "run", "run_command"]

TESTS = {name: one.work for name, one in METHODS.items() if one.work}
"""The tests that a number comes of: each method says what it takes."""


def run(test: str, text: str) -> tuple[dict[str, Any], int]:
    """What to print and the exit code (0 pass or no limits, 1 fail or invalid) for one test's JSON `text`.

    ValueError, one plain sentence, on anything that is not the test's input: exit code 2.
    """
    if test not in TESTS:
        raise ValueError(f"there is no work for a test {shown(test)}: the tests are {', '.join(TESTS)}")
    done = TESTS[test](WorkInput(read(text), Settings.for_test))
    return as_object(done), 1 if done.verdict in (FAIL, INVALID) else 0


def as_object(done: Assessment) -> dict[str, Any]:
    """An assessment as the command contract prints it."""
    names = ("name", "value", "unit", "rounded", "standing")
    return {"results": [{name: getattr(each, name) for name in (*names, *(["remark"] if each.remark else []))}
                        for each in counting(done.results, done.verdict)],
            "warnings": list(done.warnings), "verdict": done.verdict, "why": done.why,
            **({"uncertainty": [vars(one) for one in done.uncertainty]} if done.uncertainty else {})}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("test", metavar="TEST", help="one of: " + ", ".join(TESTS))
    parser.add_argument("--json", action="store_true", help="print one JSON object on one line")


def run_command(args: argparse.Namespace) -> int:
    """Reads standard input, prints the results; the exit code."""
    if args.test in TESTS and sys.stdin.isatty():
        print("Type the readings as one JSON object, then Ctrl-D.", file=sys.stderr)
    try:
        text = sys.stdin.buffer.read(4 * LONGEST + 4).decode("utf-8-sig")
        found, code = run(args.test, text)
    except UnicodeDecodeError:
        print("bowlside work: the input is no UTF-8 text: give one JSON object", file=sys.stderr)
        return 2
    except ValueError as wrong:
        print(f"bowlside work: {wrong}", file=sys.stderr)
        return 2
    print(jsonline.dumps(found) if args.json else _plain(found, read(text).get("rounding", HALF_EVEN)))
    return code


def _plain(found: Mapping[str, Any], rule: str) -> str:
    """The same for a person: a line for each result, in both systems of units, for each warning, and for the verdict."""
    lines = []
    for each in found["results"]:
        value = "no valid result" if each["rounded"] is None else f"{each['rounded']} {with_unit(each['unit'], each.get('remark', ''))}".strip()
        other = in_other_units(Result(**each), rule)
        also = f" ({other.rounded} {other.unit})" if other else ""
        lines.append(f"{each['name'].replace('_', ' ')}: {value}{also}\n    ({each['standing']})")
    lines += [f"{Uncertainty(**each).words}\n    ({each['standing']})" for each in found.get("uncertainty", ())]
    lines += [f"warning: {warning}" for warning in found["warnings"]]
    return "\n".join([*lines, f"verdict: {found['verdict']}, {found['why']}"])
