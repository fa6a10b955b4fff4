"""What the report says beyond each test's own verdict: what follows a failure, and which levels of a chart were reached.

The rules and their standings are those of assistant/core/quality.py and charts.py; levels are the job's.
"""
from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from assistant.core import charts
from assistant.core import load_judged as core
from assistant.core.charts import Levels, Point
from assistant.core.phrases import capital
from assistant.report.rows import Test
from assistant.report.series import Key, Sample
from assistant.round.record import judged


class Told(NamedTuple):
    words: str
    standing: str
    """Where the rule comes from."""


def of_round(tests: Sequence[Test]) -> list[Told]:
    """A sentence for each property of this round that failed, each pair of technicians, and, once, the load."""
    its = judged(tests)
    follows = core.failures(its.done, its.preliminary, its.check_tests)
    kinds = {one.name: {each.test for each in its.properties if each.name == one.name} for one in follows}
    named = {test["test"]: test["title"] for test in tests}
    found = [(f"{named[one.test]}: " if len(kinds[one.name]) > 1 else "", one.follows) for one in follows]
    found += [("", one) for one in core.comparisons(its.done, tests[-1]["settings"]["units"] if tests else "")]
    found += [("", its.load)] if its.load else []
    return [Told(f"{which}{_sentence(one.why)}", one.standing) for which, one in found]


def of_chart(samples: Sequence[Sample], points: Sequence[Point], key: Key, levels: Levels, day: str) -> list[Told]:
    """What the chart of these samples says of ``day``: a sentence for each level or run that one of that day's completes."""
    limits = samples[-1].results[-1]["limits"]
    found = charts.signals(key.name, key.unit, points, levels, limits[0] is None and limits[1] is not None)
    return [Told(f"{_which(samples[one.since:one.at + 1])}: {_sentence(one.why)}", one.standing) for one in found
            if samples[one.at].day == day]


def _which(samples: Sequence[Sample]) -> str:
    """Their tests by number: all of one or two samples, of a run the first and the last."""
    ids = [str(one["id"]) for each in samples for one in each.tests]
    told = f"{ids[0]} to {ids[-1]}" if len(samples) > 2 else " and ".join(ids)
    return f"Test{'s' if len(ids) > 1 else ''} {told}"


def _sentence(words: str) -> str:
    return capital(words.rstrip(".")) + "."
