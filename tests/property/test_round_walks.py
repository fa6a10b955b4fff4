"""Random walks over whole rounds: pass only if a certified technician could defend it, by the data of defensible.toml.

A seed is a walk: another plan, other limits and values, delays of up to a quarter of an hour, wrong answers, scrapped tests,
restarts, stops. 16 walks by default, 1,000 with --all; `python -m tests.property.test_round_walks FIRST LAST` walks others.
"""
from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from assistant.core import load_judged, quality, round_clock
from assistant.core.quality import Finding
from assistant.round import record
from tests.property.round_walk import ORACLE, Story, judged, walk

WALKS = 16


def walked(seed: int, folder: Path, slips: float | None = None) -> Story:
    place = folder / str(seed)
    place.mkdir()
    return walk(seed, place, slips)


def wrong(seeds: Iterable[int], folder: Path, slips: float | None = None) -> list[str]:
    return [f"seed {seed}: {words}" for seed in seeds for words in judged(walked(seed, folder, slips))]


def test_nothing_is_claimed_that_nobody_could_defend(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    found = wrong(range(1000 if request.config.getoption("--all") else WALKS), tmp_path)
    assert not found, "\n".join(found)


def test_the_walks_get_about(tmp_path: Path) -> None:
    """Ends of each kind, passes and failures: else they would show nothing."""
    seen: Counter[str] = Counter()
    for seed in (0, 1, 2, 3, 5, 8, 11, 13, 21, 30):
        story = walked(seed, tmp_path)
        seen.update(one["verdict"] for one in story.records)
        if story.over:
            load = record.judged(story.records).load
            seen[load.verdict if load else "no load"] += 1
    assert seen["pass"] and seen["fail"] and seen["accepted"] and seen["open"], seen


def test_every_need_names_its_source() -> None:
    tables = [ORACLE[name] for name in ("in_time", "accepts", "rejects", "rule")]
    needs = [need for name in ("valid", "accepted", "rejected", "compared") for need in ORACLE[name]]
    assert all(one["source"] for one in (*tables, *needs)) and all("fact" in need for need in needs)


MUTANTS = {
    "every load is accepted": lambda put: put(load_judged, "load", lambda *_args, **_more: Finding("accepted", "the load is accepted", "x")),
    "what is late is in time": lambda put: put(round_clock, "LATE", round_clock.IN_TIME),
    "a failure passes": lambda put: put(record, "judge", lambda *_: True),
    "a check test accepts the load": lambda put: put(quality, "after", _talkative(quality.after)),
    "a failed check test is forgotten": lambda put: put(quality, "after", _forgetful(quality.after)),
    "ages are not looked at": lambda put: put(load_judged, "TOLD", round_clock.LATE),
    "a sample is always composite": lambda put: put(load_judged, "load", _sampled(load_judged.load)),
}


RARE = ("a sample is always composite",)
"""Found only after dozens of walks."""


def _talkative(after):  # type: ignore[no-untyped-def]
    def found(*args, **more):  # type: ignore[no-untyped-def]
        told = after(*args, **more)
        return replace(told, why="the load is accepted") if told.verdict == quality.ACCEPTED else told
    return found


def _forgetful(after):  # type: ignore[no-untyped-def]
    return lambda name, verdicts, *more: after(name, [*verdicts[:1], *("pass" for _ in verdicts[1:])], *more)


def _sampled(load):  # type: ignore[no-untyped-def]
    return lambda plan, done, _sampled=True, *more: load(plan, done, True, *more)


@pytest.mark.parametrize("mutant", [pytest.param(name, marks=[pytest.mark.long] if name in RARE else []) for name in MUTANTS])
def test_the_oracle_finds_what_is_wrong(mutant: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On one of the first hundred walks with many slips, most on one of the first five."""
    MUTANTS[mutant](monkeypatch.setattr)
    assert any(wrong([seed], tmp_path, 0.08) for seed in range(100)), mutant


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        print("\n".join(wrong(range(int(sys.argv[1]), int(sys.argv[2])), Path(place))) or "nothing")
