"""The result of a test on one page. The station's screen and `bowlside log show` have its words from here alone."""
from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from assistant.core.assessment import FAIL, INVALID, NONE, PASS, title
from assistant.core.effects import Record
from assistant.core.language import CURRENT, sentence
from assistant.core.machine import step
from assistant.core.methods import registry
from assistant.core.methods.registry import RESULTS
from assistant.core.phrases import capital, spoken_id
from assistant.core.state import State
from assistant.record.journal import Journal
from assistant.record.summary import figures

COLUMN = 7
"""Characters of a column of the table."""


@dataclass(frozen=True)
class Page:
    verdict: str
    """"PASS", or what there is, in capitals."""
    passed: bool | None
    """Whether it is a pass, or a fail or invalid; None: neither."""
    why: str
    results: tuple[tuple[str, str], ...]
    """Name and figures of those that the test is done for."""
    more: tuple[tuple[str, str], ...]
    """The other results."""
    table: tuple[str, ...]
    """Readings that have a run and a step: a head, and rows of the kind that decides."""
    other_rows: tuple[str, ...]
    """Rows of the other kinds."""
    readings: tuple[tuple[str, str], ...]
    """All others that count: name and figures."""
    doubts: tuple[str, ...]
    """What was doubted, denied or used out of its band, and what the rules warn of."""

    def lines(self) -> list[str]:
        named = [f"{name:<28} {value:>14}" for name, value in (*self.results, *self.more)]
        read = [f"{name:<28} {value:>14}" for name, value in self.readings]
        doubts = [sentence("page.doubt", text=one) for one in self.doubts]
        parts = [[f"{self.verdict}: {self.why}."], named, [*self.table, *self.other_rows], read, doubts]
        return [line for part in parts if part for line in ("", *part)][1:]


def of(found: Mapping[str, Any]) -> Page:
    """``found``: a test as ``summary.of`` gives it."""
    counting = [one for one in found["readings"] if not one["withdrawn"]]
    known = {one["id"] for one in counting}
    results, more = told(found["results"])
    doubts = [one for one in found["warnings"] if one not in found["why"]]
    for note in found["notes"]:
        text = note["text"].rstrip(".")
        if note["id"] in known and not any(text.rpartition(": ")[2] in said for said in doubts):
            doubts.append(f"{spoken_id(note['id'])}: {text}")
    rest = [(capital(spoken_id(one["id"])), f"{one['value']} {one['unit']}".strip()) for one in counting if not _place(one["id"])]
    return Page(verdict(found["verdict"]), passed(found["verdict"]), found["why"].rstrip("."), results, more,
                *table((one["id"], f"{one['value']}") for one in counting), tuple(rest), tuple(dict.fromkeys(doubts)))


def gone_by(journal: Journal, test: int) -> list[str]:
    """What was entered and not taken, with why (so also two entries that differ), and where a test was given up. A line each."""
    walls = {json.loads(row.body)["at"]: row.wall[11:19] for row in journal.rows(test)}
    state, lines = State(), []
    for event in journal.events(test):
        before = state
        state, effects = step(state, event)
        at = walls.get(event.at, "")
        lines += [sentence("page.refused", at=at, reading=spoken_id(before.step.id), value=registry.figures(before.step.id, effect.fields["value"]),
                           why=str(effect.fields["why"]).rstrip("."))
                  for effect in effects if isinstance(effect, Record) and effect.kind == "refused" and before.procedure is not None
                  and effect.fields.get("value") is not None]
        if state.outcome not in ("", "done", before.outcome):
            lines.append(sentence(f"page.{state.outcome}_at", at=at, stage=state.step.stage, step=state.step.id))
    return [f"  {line}" for line in lines]


def verdict(word: str) -> str:
    """In capitals; where there is none, that."""
    return (sentence("page.no_verdict") if word == NONE else sentence(f"log.{word}")).upper()


def passed(word: str) -> bool | None:
    """Whether this verdict is a pass, or a fail or invalid; None: neither."""
    return {PASS: True, FAIL: False, INVALID: False}.get(word)


def told(results: Sequence[Mapping[str, Any]]) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    """Name and figures of the results that the test is done for, and of the others."""
    whole = [one for one in results if not _on_the_way(one, results)]
    first, rest = ([(title(one["name"]), figures(one)) for one in results if (one in whole) is so] for so in (True, False))
    return tuple(first), tuple(rest)


def _on_the_way(one: Mapping[str, Any], results: Sequence[Mapping[str, Any]]) -> bool:
    """What is judged by the method's own limits (a chamber's leak) leads to the others, where there are any."""
    spec = RESULTS.get(one["name"])
    own = spec is not None and spec.own_limits is not None
    return own and any((each := RESULTS.get(other["name"])) is not None and each.own_limits is None for other in results)


def table(readings: Iterable[tuple[str, str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What was read at each step: a head and a row for each run, of the kind that is read last; and the rows of the others."""
    rows: dict[str, dict[str, dict[str, str]]] = {}
    for ident, value in readings:
        if place := _place(ident):
            kind, run, step = place
            rows.setdefault(kind, {}).setdefault(run, {})[step] = value
    steps = sorted({step for runs in rows.values() for row in runs.values() for step in row})
    if not steps:
        return (), ()
    named = {(kind, run): capital(sentence(f"name.{kind}", place=run)) for kind in reversed(rows) for run in sorted(rows[kind])}
    wide = max(map(len, named.values()))
    head = " " * wide + "".join(sentence("page.step", step=step).rjust(COLUMN) for step in steps)
    lines = [f"{name:<{wide}}" + "".join(rows[kind][run].get(step, "-").rjust(COLUMN) for step in steps)
             for (kind, run), name in named.items()]
    deciding = len(rows[list(rows)[-1]])
    return (head, *lines[:deciding]), tuple(lines[deciding:])


def _place(ident: str) -> tuple[str, str, str] | None:
    """Kind, run and step of a reading that has them and a name for them."""
    kind, _, place = ident.partition(".")
    run, _, step = place.partition(".")
    return (kind, run, step) if run.isdigit() and step.isdigit() and f"name.{kind}" in CURRENT.sentences else None
