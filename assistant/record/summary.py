"""A test of the journal as the office wants it: derived from its events, so it can always be rebuilt."""
from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from assistant.core import deviations
from assistant.core.assessment import with_unit
from assistant.core.flow import whole_results, whole_verdict
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.methods.registry import RESULTS
from assistant.core.state import Phase, Reading, State
from assistant.record.chain import Row
from assistant.record.journal import Journal, JournalError
from assistant.record.session import Station, fold


def of(journal: Journal, test: int) -> dict[str, Any]:
    """Everything worth keeping of one test. Raises JournalError if it can't be replayed."""
    state = Station(journal, test).state
    rows = list(journal.rows(test))
    if not rows:  # the index names a test that no event belongs to
        raise JournalError(f"Test {test} in {journal.path} has no events: the file is damaged. Run log verify.")
    return _of(test, rows, [json.loads(row.body)["at"] for row in rows], state)


def of_rows(test: int, rows: Sequence[Row]) -> dict[str, Any]:
    """The same of the rows of one test alone, at least one, checked by whoever has them; what a replay raises is let through."""
    events = [row.event() for row in rows]
    return _of(test, rows, [event.at for event in events], fold(events))


def _of(test: int, rows: Sequence[Row], at: Sequence[float], state: State) -> dict[str, Any]:
    verdict, results = whole_verdict(state), whole_results(state)
    walls = {moment: row.wall for moment, row in zip(at, rows)}
    return {
        "id": test,
        "test": state.procedure.test if state.procedure else "",
        "title": state.procedure.title if state.procedure else "",
        "started": rows[0].wall,
        "outcome": state.outcome if state.phase is Phase.OVER else "not over",
        **{key: value for key, value in (state.header or {}).items()},
        "readings": [_reading(reading, walls) for reading in state.readings],
        "results": [{"name": result.name, "value": result.value, "unit": result.unit, "rounded": result.rounded,
                     "standing": result.standing, "remark": result.remark, "verdict": judged.verdict or "none", "limits": _limits(result.name, state)}
                    for judged, result in results],
        "uncertainty": [vars(uncertainty) for _, judged in state.judged for uncertainty in judged.uncertainty
                        if any(each.name == uncertainty.of and each.value is not None for _, each in results)],
        "warnings": [words for _, judged in state.judged for words in judged.warnings],
        "notes": [{"id": note.id, "text": note.text} for note in state.notes],
        "verdict": verdict[0], "why": verdict[1],
        "rounding": state.settings.rounding,
        "settings": state.settings.to_mapping(),
        "deviations": deviations.recorded(state.header or {}, state.settings, state.procedure.test if state.procedure else ""),
        **_begun(state),
        "leak_curve": [[round(s, 2), value] for s, value in getattr(state, "curve", ())],
        "editions": state.procedure.editions if state.procedure else "",
    }


def figures(result: Mapping[str, Any]) -> str:
    """A result as every page shows it: "5.7 %", with what stands beside it, or that there is none."""
    if result["rounded"] is None:
        return sentence("log.no_value")
    return f"{result['rounded']:f} {with_unit(result['unit'], result.get('remark', ''))}".strip()


def _begun(state: State) -> dict[str, Any]:
    """In a round: how long after the last portion of the sample the work on the concrete began, or was completed; and whether
    that was in time."""
    known = {"timing": state.timing} if state.timing else {}
    if state.sampled_at is None or state.timed_at is None:
        return known
    completed = state.procedure is not None and state.procedure.timed_by_end
    return {**known, "after_last_portion_s": round(state.timed_at - state.sampled_at), **({"completed": True} if completed else {})}


def exit_code(state: State) -> int:
    """0: done, and no limit was missed; 1: not over, scrapped, failed or invalid."""
    done = state.phase is Phase.OVER and state.outcome == "done"
    return 0 if done and whole_verdict(state)[0] in ("pass", "none") else 1


def _limits(name: str, state: State) -> list[Decimal | None]:
    """Lowest and highest as the result was judged by; some have a limit even where the job sets none."""
    spec = RESULTS.get(name)
    return list(spec.limits(state.settings) if spec else state.settings.limits.get(name, (None, None)))


def _reading(reading: Reading, walls: Mapping[float, str]) -> dict[str, Any]:
    """``at`` is on the boot clock, ``taken`` the wall's label of the event that took it. A time of day is a text: 09:11."""
    def its(value: Decimal) -> Decimal | str:
        return registry.figures(reading.id, value) if registry.is_time(reading.id) else value
    return {"id": reading.id, "value": its(reading.value), "unit": reading.unit, "at": round(reading.at, 3),
            "taken": walls.get(reading.at, ""), "source": reading.source,
            "entries": [{"source": each.source, "form": each.form, "verbatim": each.text, "value": its(each.value)}
                        for each in reading.entries],
            "withdrawn": reading.withdrawn}
