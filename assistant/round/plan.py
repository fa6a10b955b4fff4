"""What a round consists of: from a script's first line, or from a job file's table ``[round]`` and the command line."""
from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from assistant.core import prompts
from assistant.core import round as core
from assistant.core.load_judged import BEFORE
from assistant.core.round_clock import BETWEEN
from assistant.core.settings import Settings, shown
from assistant.files import plain
from assistant.files.refusal import Refusal
from assistant.record.header import header_of
from assistant.record.journal import Journal

KEYS = ("tests", "technicians", "second", "check_tests", "density_in")
"""Keys of a round that are neither labels nor settings of its tests."""
MEASURE, BOWL = "measure", "bowl"
"""Where the density is taken: in a measure of its own, or in the bowl of the air meter before its lid goes on."""


@dataclass(frozen=True)
class Plan:
    given: Mapping[str, Any] = field(default_factory=dict)
    """Labels and settings of every test of the round, as ``header_of`` takes them."""
    tests: tuple[str, ...] = core.PLAN
    technicians: int = 1
    second: str = "second technician"
    """Who repeats a test to compare."""
    check_tests: bool = True
    """Whether the job wants a check test where slump or air fails."""
    placed: Callable[[Journal], list[dict[str, Any]]] = lambda _journal: []
    """What the record has of the day's concrete, for ``due.told``."""
    density_in: str = ""
    """MEASURE or BOWL; empty: in the bowl where one technician is alone and its volume is known."""
    remark: str = ""
    """Said and recorded with each air test: what is wrong with its meter or its job."""

    gear: Callable[[str], tuple[Mapping[str, str], str]] = lambda _test: ({}, "")
    """Labels of what a test is done with, and what is said and recorded of that at its start."""

    def one_bowl(self, tests: Sequence[str], settings: Settings) -> tuple[str, str] | None:
        """The two of these tests that are done on one filling of the air meter's bowl."""
        wanted = self.density_in == BOWL or not self.density_in and self.technicians == 1
        return core.one_bowl(tests, settings) if wanted else None

    def prompts(self) -> Iterator[str]:
        """The id of every prompt that may come."""
        yield from ("thermometer", "told", "go_on", "stop", "summary", "scrap.confirm")
        yield from (f"next.{test}" for test in (core.SAMPLE, *BEFORE))
        for test in self.tests:
            yield from (f"{how}.{test}" for how in ("next", "check", "repeat"))
        for test in dict.fromkeys((core.SAMPLE, *BEFORE, *self.tests)):
            yield from (one.id for one in prompts.prompts(header_of({"test": test, **self.given}, BETWEEN).procedure))


def plan_of(given: Mapping[str, Any], where: str, remark: str = "") -> Plan:
    """``given``: labels, settings and KEYS together. Raises Refusal: which key, and what is allowed."""
    try:
        checked = {key: check(key, value) for key, value in given.items() if key in KEYS}
    except ValueError as error:
        raise Refusal(f"{where}: {error}.") from None
    plan = Plan({key: value for key, value in given.items() if key not in (*KEYS, "test")}, **checked, remark=remark)
    for test in ("sampling", *plan.tests):
        header_of({"test": test, **plan.given}, where).must_begin()
    return plan


def check(key: str, value: Any) -> Any:
    """One of KEYS as the plan has it. Raises ValueError with a sentence."""
    if key == "tests":
        if not isinstance(value, list | tuple) or not value or not all(one in core.TESTS for one in value) \
                or len(set(value)) < len(value):
            raise ValueError(f'"tests" is {shown(value)}: it must be a list of some of {", ".join(core.TESTS)}, each once')
        return tuple(value)
    if key == "technicians":
        if isinstance(value, bool) or value not in (1, 2):
            raise ValueError(f'"technicians" is {shown(value)}: it must be 1 or 2')
        return int(value)
    if key == "second" and (not plain.is_line(value) or not value.strip()):
        raise ValueError(f'"second" is {shown(value)}: it must be a text, such as the code of the second technician')
    if key == "density_in" and value not in (MEASURE, BOWL):
        raise ValueError(f'"density_in" is {shown(value)}: it must be "{MEASURE}" or "{BOWL}", of the air meter')
    if key == "check_tests" and not isinstance(value, bool):
        raise ValueError(f'"check_tests" is {shown(value)}: it must be true or false')
    return value
