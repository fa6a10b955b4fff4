"""What the report says beyond each test's own verdict: what follows a failure, and which levels of a chart were reached.

The rules and their standings are those of assistant/core/quality.py; levels are the job's.
"""
from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any

from assistant.core import quality
from assistant.core.assessment import FAIL, NONE, PASS
from assistant.core.phrases import capital
from assistant.core.round import is_preliminary
from assistant.job import Levels
from assistant.report.rows import Test, inside, result_name

_VERDICTS = {"within": PASS, "OUTSIDE": FAIL}


def of_round(tests: Sequence[Test]) -> list[str]:
    """What follows where slump or air of this round failed, its check tests counted in their order; a sentence each."""
    found = []
    for name, kind in product(quality.BY_RULE, dict.fromkeys(test["test"] for test in tests)):  # each kind has its own check test
        same = [(test, one) for test in tests for one in test["results"] if one["name"] == name and one["value"] is not None
                and test["outcome"] == "done" and not test.get("comparison") and test["test"] == kind]
        verdicts = [_VERDICTS.get(inside(one, test["rounding"]), NONE) for test, one in same]
        if FAIL in verdicts:
            low = same[verdicts.index(FAIL)][1]["limits"][0]
            below = low is not None and same[verdicts.index(FAIL)][1]["value"] < low
            follows = quality.after(verdicts, all(is_preliminary(test.get("preliminary")) for test, _ in same), below)
            kinds = {test["test"] for test in tests for one in test["results"] if one["name"] == name}
            which = f", {same[0][0]['title']}" if len(kinds) > 1 else ""
            found.append(f"{result_name(name)}{which}: {_sentence(follows.why)} ({follows.standing})")
    return found + [f"{_sentence(one.why)} ({one.standing})" for one in _comparisons(tests)]


def _comparisons(tests: Sequence[Test]) -> list[quality.Finding]:
    """What the second technician repeated, against the result that counts."""
    found = []
    for test in tests:
        if test.get("comparison") and test["outcome"] == "done":
            before = {one["name"]: one["rounded"] for each in tests for one in each["results"]
                      if each["test"] == test["test"] and not each.get("comparison") and each["verdict"] != "invalid"}
            found += [quality.compare(one["name"], before[one["name"]], one["rounded"], test["settings"]["units"])
                      for one in test["results"] if one["rounded"] is not None and before.get(one["name"]) is not None
                      and quality.may_differ(one["name"], one["rounded"]) is not None]
    return found


def of_day(rows: Sequence[tuple[Test, Any]], name: str, levels: Levels) -> list[str]:
    """Sentences on a control chart of air content, and on two slumps that follow each other; one for each value or pair that is
    at a warning or an action level."""
    if name == "slump" and levels.range_action is not None:
        far = ((first, second, quality.range_of_two(a["rounded"], b["rounded"], levels.range_action, a["unit"]))
               for (first, a), (second, b) in zip(rows, rows[1:]))
        return [_sentence(f"Tests {first['id']} and {second['id']}: {one.why}") for first, second, one in far
                if one.verdict != quality.IN_CONTROL]
    if name != "air_content":
        return []
    found = []
    for test, one in rows:
        if levels.target is not None and levels.warning is not None and levels.action is not None:
            level = quality.air_mean(one["rounded"], levels.target, levels.warning, levels.action)
            found += [f"Test {test['id']}: {level.why}"] if level.verdict != quality.IN_CONTROL else []
    for (first, a), (second, b) in zip(rows, rows[1:]):
        if levels.range_warning is not None and levels.range_action is not None:
            level = quality.air_range(a["rounded"], b["rounded"], levels.range_warning, levels.range_action)
            found += [f"Tests {first['id']} and {second['id']}: {level.why}"] if level.verdict != quality.IN_CONTROL else []
    return [_sentence(words) for words in found]


def _sentence(words: str) -> str:
    return capital(words.rstrip(".")) + "."
