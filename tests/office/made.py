"""Real journals with finished tests, made quickly: scripts through the real machine and the real journal, on a clock that jumps.

Jobs, people and values are invented. They say so in the job's name, not by the label ``invented``, which would keep them here.
"""
from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from random import Random
from typing import Any
from uuid import UUID

from assistant.core import prompts
from assistant.record.header import Header
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from assistant.rehearsal.whole_round import RoundRehearsal
from assistant.round.drive import Round
from assistant.round.plan import plan_of
from assistant.send.piece import LOST, TEST, WITHHELD, Piece, of_rows

DAY = datetime(2031, 5, 17, 8, 0, tzinfo=timezone(timedelta(hours=-5)))
PRESSURES = (("7.25 18.63 31.81", "7.32 18.77 31.97"),
             ("7.31 18.73 31.91", "7.36 18.83 32.06"),
             ("7.15 18.47 31.62", "7.21 18.60 31.80"))
"""The equilibria of both runs, psi: those of the invented day (assistant/report/demo.py)."""
LIMITS = {"slump": [3, 5], "air_content": [4.5, 7.5], "temperature": [50, 90]}
TESTS = ("sequential", "slump", "temperature")
ROUND = ("temperature", "slump", "pressure-air", "cylinders")
"""With the sampling before them and the initial cure after them: six tests."""


def journal(folder: Path, tests: int = 3, practice: bool = False, seed: int = 0, day: datetime = DAY, gap_s: float = 600) -> Path:
    """``folder`` with so many more finished tests: sequential, slump, temperature by turns. What was there goes on.

    seed   the job, the people and the values
    day    when the first of them begins, by the wall clock that labels its events; each begins ``gap_s`` after the one before
    """
    random = Random(seed)
    with Journal(folder) as written:
        for number in range(tests):
            test = TESTS[number % len(TESTS)]
            _Made(test, _header(random, practice), random, written, day).run()
            day = written.wall() + timedelta(seconds=gap_s)
    return folder


def whole_round(folder: Path, practice: bool = False, seed: int = 0, day: datetime = DAY) -> Path:
    """``folder`` with one round more: sampling, temperature, slump, air, cylinders."""
    random = Random(seed)
    with Journal(folder) as written:
        _MadeRound("round", {**_header(random, practice), "tests": list(ROUND)}, random, written, day).run()
    return folder


def begun(folder: Path, seed: int = 0, day: datetime = DAY) -> Path:
    """``folder`` with one slump test more that is not over: its technician was called away before the slump was read."""
    random = Random(seed)
    with Journal(folder) as written:
        _Made("slump", _header(random, False), random, written, day, leave_out="slump").run()
    return folder


def go_on(folder: Path, seed: int = 0, day: datetime = DAY + timedelta(hours=2)) -> Path:
    """``folder`` with its slump test that was not over, ended after a restart."""
    random = Random(seed)
    with Journal(folder) as written:
        _Made("slump", _header(random, False), random, written, day).run()
    return folder


def pieces(folder: Path, whole: bool = False) -> list[Piece]:
    """What of a journal whose tests are all over leaves it, written down as plainly as can be: one piece a test.

    whole  also practice
    """
    with Journal(folder, write=False) as written:
        several = [list(written.between(span.first, span.last)) for span in written.spans()]
    return [of_rows(LOST if rows[0].test < 0 else WITHHELD if not whole and '"practice":true' in rows[0].body else TEST, rows,
                    str(rows[0].before)) for rows in several]


def record(folder: Path) -> UUID:
    with Journal(folder, write=False) as written:
        return written.identity


class _Made(Rehearsal):
    def __init__(self, test: str, header: dict[str, Any], random: Random, written: Journal, day: datetime,
                 leave_out: str = "") -> None:
        self.day = day
        lines = [{"test": test, **header}, *(line for line in _answers(random) if line["on"] != leave_out)]
        asked = _prompts(test, header)
        script = read((json.dumps(line) for line in lines if "test" in line or line["on"] in asked), "made", Path())
        super().__init__(script, written, lambda line: None, answer_rest=True, boot=f"boot of {day:%Y-%m-%d}")

    def begin(self, header: Header, journal: Journal, boot: str) -> None:
        super().begin(header, journal, boot)
        journal.wall = lambda: self.day + timedelta(seconds=self.now)


class _MadeRound(_Made, RoundRehearsal):
    def begin(self, header: Header, journal: Journal, boot: str) -> None:
        journal.wall = lambda: self.day + timedelta(seconds=self.now)
        self.round = Round(journal, self.whole, boot, self._one, lambda: self.now, journal.wall)


def _prompts(test: str, header: dict[str, Any]) -> set[str]:
    """What a script of this test may answer."""
    script = read([json.dumps({"test": test, **header})], "made", Path())
    if script.round is not None:
        return set(plan_of(script.round, "made").prompts())
    return {prompt.id for prompt in prompts.prompts(script.header.procedure)}


def _header(random: Random, practice: bool) -> dict[str, Any]:
    its = random.randrange(1, 6)
    return {"job": f"Made job {its} (invented)", "mix": random.choice(("MX-30", "MX-40A")), "producer": "Quarry Bend (invented)",
            "station": f"Bay {random.randrange(1, 9)}", "technician": f"T-{random.randrange(1, 30):02}", "meter": f"M-{its}",
            "chamber_ratio": 0.06, "aggregate_correction_pct": 0.3, "limits": LIMITS, **({"practice": True} if practice else {})}


def _answers(random: Random) -> Iterator[dict[str, Any]]:
    """Keyed, prompt by prompt; a script takes those that its test asks."""
    values: dict[str, str] = {"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16",
                              "temperature": str(random.randrange(48, 93)), "slump": f"{random.randrange(10, 23) / 4:.2f}",
                              "air.reading": f"{random.randrange(42, 80) / 10:.1f}",
                              "cylinder.set": str(random.randrange(1, 90)), "cylinder.count": "4", "cylinder.box": "1"}
    for run, three in enumerate(random.choice(PRESSURES), 1):
        for step, (charge, psi) in enumerate(zip(("14.50", "30.00", "45.00"), three.split()), 1):
            values |= {f"charge.{run}.{step}": charge, f"equilibrium.{run}.{step}": psi}
    for ident, value in values.items():
        line = {"on": ident, "key": " ".join([*value.replace(".", "*"), "#"])}
        yield from (line, {**line, "on": f"{ident}.again"}, line)   # once more for a check test
