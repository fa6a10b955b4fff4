"""What an export is made of: the tests asked for, one round of tests beside another, both unit systems, and doubts about ids."""
from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from assistant.core.assessment import Result, Uncertainty, title
from assistant.core.methods import registry
from assistant.core.phrases import capital, spoken_id
from assistant.core.rounding import judge
from assistant.record import loads
from assistant.record.derived import Derived
from assistant.round.record import with_days

Test = Mapping[str, Any]
"""One test as ``record.of`` gives it."""

RECORDED = frozenset({"id", "test", "title", "started", "outcome", "readings", "results", "warnings", "notes", "verdict", "why",
                      "rounding", "settings", "deviations", "editions", "leak_curve", "uncertainty"})
"""What ``record.of`` itself says of a test; whatever else stands there is a label of its header."""


@dataclass(frozen=True)
class Round:
    """The tests of one round, oldest first; a test that belongs to no round is one by itself."""
    name: str
    tests: tuple[Test, ...]

    def label(self, key: str) -> Any:
        """The newest that any of its tests says of ``key``; None where none does. A test only to compare is another's."""
        own = [one for one in self.tests if not one.get("comparison")] or self.tests
        return next((one[key] for one in reversed(own) if one.get(key) not in (None, "")), None)

    @property
    def day(self) -> str:
        return self.tests[0]["started"][:10]


def chosen(found: Derived, ids: Sequence[int] = (), day: date | None = None) -> list[Test]:
    """The tests asked for, oldest first; all, where nothing is asked."""
    wanted = [one["id"] for its_day, one in with_days(found.briefs)
              if (not ids or one["id"] in ids) and (day is None or its_day == day.isoformat())]
    return [found.whole(test) for test in wanted]


def history(found: Derived, tests: Sequence[Test], ids: Sequence[int] = ()) -> list[Test]:
    """What was done up to the newest of these tests, in short, for charts and lots; only these, where they were picked by id."""
    last = max((one["id"] for one in tests), default=0)
    return [one for one in found.briefs if one["id"] <= last and (not ids or one["id"] in ids)]


def rounds(tests: Iterable[Test]) -> list[Round]:
    """Tests of one ``round`` on one day, or in one night, together, in the order in which the rounds began."""
    found: dict[tuple[str, Any], list[Test]] = {}
    for day, one in with_days(tests):
        named = one.get("round")
        found.setdefault((day, named) if named else ("", one["id"]), []).append(one)
    return [Round(str(name) if day else "", tuple(group)) for (day, name), group in found.items()]


def placed(tests: Sequence[Test]) -> str:
    """How much concrete the tickets of the day tell of, such as "43.5 yd3"; empty where there is none."""
    its = [one for one in tests if one["test"] == loads.TICKET and one["outcome"] == "done"]
    sums: dict[str, Decimal] = {}
    for volume, unit in loads.volumes(its).values():
        sums[unit] = sums.get(unit, Decimal(0)) + volume
    return ", ".join(f"{volume:f} {unit}" for unit, volume in sums.items())


def doubts(tests: Sequence[Test]) -> list[str]:
    """Ids that look swapped: a sentence each. Two of the same test on one sample, one sample with two tickets, one ticket
    with two trucks or samples. A check test says so and is none."""
    real = [one for one in tests if one["outcome"] != "scrapped" and not one.get("check_of") and not one.get("check_test")
            and not one.get("comparison") and one.get("verdict") != "invalid"]
    found = []
    seen: dict[tuple[str, str, str, str], Test] = {}
    for day, one in with_days(real):
        if sample := one.get("sample"):
            before = seen.setdefault((day, "test", str(sample), one["test"]), one)
            if before is not one:
                found.append(f'Tests {before["id"]} and {one["id"]} are both {one["title"].lower()} of sample {sample}: '
                             "is one sample id wrong?")
        for key, other in (("sample", "ticket"), ("ticket", "truck"), ("ticket", "sample")):
            if not (one.get(key) and one.get(other)):
                continue
            before = seen.setdefault((day, other, key, str(one[key])), one)
            if before[other] != one[other]:
                found.append(f'Tests {before["id"]} and {one["id"]} both carry {key} {one[key]}, but {other} {before[other]} '
                             f"and {one[other]}: are the ids swapped?")
    return found


def result_in_other_units(result: Mapping[str, Any], rule: str) -> str:
    """A result in the other unit system, from its unrounded value; empty where there is none (a percentage)."""
    found = registry.in_other_units(Result(*(result[key] for key in ("name", "value", "unit", "rounded", "standing"))), rule)
    return f"{found.rounded:f} {found.unit}" if found else ""


def reading_in_other_units(reading: Mapping[str, Any], rule: str) -> str:
    """The same of a reading, in the step in which a result has that unit: what is both says one thing."""
    found = registry.reading_in_other_units(reading["value"], reading["unit"], rule) if isinstance(reading["value"], Decimal) else None
    return f"{found[0]:f} {found[1]}" if found else ""


def uncertainty_in_words(test: Test) -> list[str]:
    """Each figure of how far a result may be off."""
    return [f"{capital(Uncertainty(**one).words)}." for one in test.get("uncertainty", ())]


def result_name(name: str) -> str:
    return title(name)


def reading_name(ident: str) -> str:
    return capital(spoken_id(ident))


def limits_in_words(limits: Sequence[Decimal | None]) -> str:
    low, high = limits
    if low is not None and high is not None:
        return f"{low:f} to {high:f}"
    return "" if low is None and high is None else f"min {low:f}" if low is not None else f"max {high:f}"


def inside(result: Mapping[str, Any], rule: str) -> str:
    """``within``, ``OUTSIDE``, ``preliminary``, ``no limit`` or ``no value``: one result against its own limits, as the rule has
    it."""
    if result["value"] is None:
        return "no value"
    if all(side is None for side in result["limits"]):
        return "no limit"
    if result.get("remark"):
        return "preliminary"
    spec = registry.RESULTS.get(result["name"])
    value = spec.measured(result["value"]) if spec else result["value"]
    return "within" if judge(value, tuple(result["limits"]), rule) else "OUTSIDE"


def clock(wall: str) -> str:
    """``2031-05-17T10:31:07.250+02:00`` -> ``10:31``; empty stays empty."""
    return wall[11:16]


def corrections(test: Test) -> list[str]:
    """Every reading that was withdrawn, with what counts instead."""
    now = {one["id"]: one for one in test["readings"] if not one["withdrawn"]}
    return [f'{reading_name(one["id"])}: {shown(one["value"])} {one["unit"]} ({clock(one["taken"])}, {one["source"]}) withdrawn, '
            f'{one["withdrawn"]}; ' + (f'{shown(now[one["id"]]["value"])} {now[one["id"]]["unit"]} counts'
                                       if one["id"] in now else "nothing counts instead")
            for one in test["readings"] if one["withdrawn"]]


def sample_of(test: Test) -> str:
    """What a chart calls it: its sample, else its number."""
    return f"{test.get('sample') or 'test {}'.format(test['id'])}{', check' if test.get('check_of') else ''}"


def ids_of(test: Test) -> str:
    """Sample and ticket, as far as they are known."""
    known = " / ".join(str(test[key]) for key in ("sample", "ticket") if test.get(key))
    return f"{known}{', check' if test.get('check_of') else ''}"


def title_of(test: Test) -> str:
    """Its title, and whether it is a check test or only compares two technicians."""
    more = "check test" if test.get("check_of") else f"by {test.get('technician') or 'another technician'} to compare" if test.get("comparison") else ""
    return f"{test['title']}, {more}" if more else str(test["title"])


def marks(tests: Iterable[Test]) -> list[str]:
    """What must stand on every page that shows these tests, so that nobody takes them for what they are not."""
    tests = list(tests)
    found = []
    if any(one.get("practice") for one in tests):
        found.append("PRACTICE on a simulated meter: nothing here counts.")
    if any(one.get("invented") or "(invented)" in f'{one.get("job", "")} {one.get("producer", "")}' for one in tests):
        found.append("INVENTED DEMONSTRATION: no such job exists and nothing here was measured.")
    return found


def shown(value: Any) -> str:
    return f"{value:f}" if isinstance(value, Decimal) else str(value)
