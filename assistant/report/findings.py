"""What the report says beyond each test's own verdict: what follows a failure, and which levels of a chart were reached.

The rules and their standings are those of assistant/core/quality.py; levels are the job's.
"""
from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from assistant.core import load_judged as core
from assistant.core import quality
from assistant.core.phrases import capital
from assistant.job import Levels
from assistant.report.rows import Test
from assistant.round.record import judged


def of_round(tests: Sequence[Test]) -> list[str]:
    """A sentence for each property of this round that failed, each pair of technicians, and, once, the load."""
    its = judged(tests)
    follows = core.failures(its.done, its.preliminary, its.check_tests)
    kinds = {one.name: {each.test for each in its.properties if each.name == one.name} for one in follows}
    named = {test["test"]: test["title"] for test in tests}
    found = [(f"{named[one.test]}: " if len(kinds[one.name]) > 1 else "", one.follows) for one in follows]
    found += [("", one) for one in core.comparisons(its.done, tests[-1]["settings"]["units"] if tests else "")]
    found += [("", its.load)] if its.load else []
    return [f"{which}{_sentence(one.why)} ({one.standing})" for which, one in found]


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
