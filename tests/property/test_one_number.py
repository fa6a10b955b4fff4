"""One number: whatever is read, a test's results are the same spoken, stored, shown, listed, read out, exported and by `work`.

Each method is led through the real machine by a technician who answers every prompt, with readings anywhere between possible and
likely. What is said and printed is then held against the record, text against text.
"""
from __future__ import annotations

import csv
import io
import json
import random
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from assistant import work
from assistant.core import spoken
from assistant.core.assessment import title
from assistant.core.effects import Speak
from assistant.core.events import Event
from assistant.core.judgement import SPOKEN_UNITS
from assistant.core.language import sentence
from assistant.core.methods.registry import METHODS
from assistant.core.plausible import likely_range, plausible_range
from assistant.core.state import Phase
from assistant.core.steps import Ask, Choose
from assistant.record import log, reading_out, summary
from assistant.report import csv_file, json_file, pdf_file
from tests.property import evidence
from tests.scenario.dialogue import Dialogue

MADE = "2031-05-17T16:00:00+02:00"
LIMITS = {"air_content": ["4.5", "7.5"], "system_air_metric": [None, "0.20"], "slump": ["3", "5"], "temperature": ["50", "90"],
          "density": ["130", "160"], "aggregate_correction": [None, "0.5"]}
AMOUNTS = {"measure_volume_ft3": "0.250", "bowl_volume_ft3": "0.245"}
METER = st.sampled_from([{"chamber_ratio": "0.06", "aggregate_correction_pct": "0.3"}, {"chamber_ratio": None,
                                                                                         "aggregate_correction_pct": None}])


class Words(Dialogue):
    """Keeps what was said last of each prompt."""

    def __init__(self, *args: Any, **more: Any) -> None:
        self.of: dict[str, str] = {}
        super().__init__(*args, **more)

    def _post(self, event: Event) -> None:
        before = len(self.effects)
        super()._post(event)
        self.of |= {one.id: one.text for one in self.effects[before:] if isinstance(one, Speak) and one.text}

    @property
    def verdict(self) -> str:
        """The words of the last verdict."""
        assert self.state.procedure is not None
        judged = [index for index, one in self.state.judged if one.verdict and not one.partial]
        return self.of.get(self.state.procedure.steps[max(judged)].id, "") if judged else ""


def lived(chance: random.Random) -> dict[str, float]:
    """What a real meter shows: twelve pressures by Boyle's law of a bowl that loses a little air between the runs, and a chamber
    that holds. Air 4 to 9 %, a metric of about -0.05 to 0.35 psi."""
    found = {"leak.charge": 45.25, "leak.initial": 45.21, "leak.final": 45.16}
    air = chance.uniform(0.7, 1.5)
    for run, ratio in ((1, air), (2, air * (1 - chance.uniform(-0.005, 0.035)))):
        before = 0.0
        for step, target in ((1, 14.5), (2, 30.0), (3, 45.0)):
            charge = target + chance.uniform(-0.03, 0.03)
            before = (charge + ratio * before) / (1 + ratio)
            found |= {f"charge.{run}.{step}": charge, f"equilibrium.{run}.{step}": before}
    level = chance.randrange(12, 36)
    return found | {"level.1": level / 4, "level.2": (level - chance.randrange(3)) / 4, "level.3": (level - 3) / 4,
                    "alcohol": chance.choice((2.0, 6.0)), "cups": 1.0}


def led(t: Words, chance: random.Random) -> Words:
    """To the end of the test, or until it is clear that it goes round in circles."""
    real, wild = lived(chance), chance.choice((0.0, 0.02, 0.3))
    for _ in range(400):
        state = t.state
        match state.phase:
            case Phase.OVER:
                return t
            case Phase.ENTRY:
                _read(t, chance, real, wild)
            case Phase.CONFIRM:
                t.hear("yes")
            case Phase.OVERRIDE:
                t.hear("no")
            case Phase.HOLD | Phase.TAPPING:
                t.wait(state.hold.ends - t.now if state.phase is Phase.HOLD and state.hold else 400)
            case Phase.CHOOSE:
                assert isinstance(state.step, Choose)
                likely = "no" if state.step.yes.skips else "yes"
                t.hear(likely if chance.random() >= wild or state.step.grave else {"yes": "no", "no": "yes"}[likely])
            case _:
                t.hear("next")
    return t.hear("scrap the test").hear("yes")


def _read(t: Dialogue, chance: random.Random, real: dict[str, float], wild: float) -> None:
    state = t.state
    step = state.step
    assert isinstance(step, Ask)
    if state.first is not None:
        value = state.first.value
    elif step.id in real and chance.random() >= wild:
        value = Decimal(str(real[step.id]))
    else:
        low, high = plausible_range(step.id, state.taken(), state.settings)
        ends = likely_range(step.id, state.taken(), state.settings) if chance.random() < 0.8 else None
        low, high = ends or (low, max(low, high))
        value = Decimal(str(chance.uniform(float(low), float(high))))
    t.key(" ".join(f"{value.quantize(Decimal(1).scaleb(-step.places)):f}".replace(".", "*")) + " #")


def told(result: dict[str, Any]) -> str:
    """A result as it is said, within a line of its own."""
    if result["rounded"] is None:
        return sentence("log.no_value")
    return ", ".join(filter(None, [f"{spoken.digits(result['rounded'])} {SPOKEN_UNITS.get(result['unit'], result['unit'])}".strip(),
                                   result["remark"]]))


def held_equal(t: Words, test: str) -> None:
    found = summary.of(t.journal, 1)
    results = found["results"]
    whole = [one for one in results if one["name"] != "leak_drop" or test == "leak"]
    if found["outcome"] == "done" and found["verdict"] == "invalid":
        assert all(one["value"] is None and one["rounded"] is None for one in whole), "a number of a test that can't count"
    last = t.verdict
    for one in whole if found["outcome"] == "done" and test != "leak" else ():
        begun, has = f"{title(one['name'])}, ", one["rounded"] is not None
        assert (f"{begun}{told(one)}." in last if has else begun not in last), (one, last)
    page, listed = log._page(found), reading_out.lines(found)
    text = io.StringIO()
    csv_file.write([found], text)
    row = next(csv.DictReader(io.StringIO(text.getvalue())))
    text = io.StringIO()
    json_file.write([found], MADE, text)
    exported = json.loads(text.getvalue(), parse_float=Decimal)["tests"][0]
    paper = io.BytesIO()
    pdf_file.write([found], paper, MADE)
    pdf = "".join("".join(each.extract_text().split()) for each in PdfReader(paper).pages)
    for one, again in zip(results, exported["results"], strict=True):
        figures = summary.figures(one)
        assert f"{figures}" in page
        assert (one["name"], f"{title(one['name'])}: {told(one)}.") in listed
        column = f"{one['name']} [{one['unit']}]"
        assert row[column] == ("" if one["rounded"] is None else f"{one['rounded']:f}")
        assert row.get(f"{one['name']} remark", "") == one["remark"]
        assert [again[key] for key in ("rounded", "value", "remark")] == [one[key] for key in ("rounded", "value", "remark")]
        assert "".join(figures.split()) in pdf
    assert found["verdict"] == row["verdict"] == exported["verdict"] and found["why"] == row["why"] == exported["why"]
    if found["outcome"] == "done":
        _as_work_has_it(found, test)


def _as_work_has_it(found: dict[str, Any], test: str) -> None:
    readings = {one["id"]: one["value"] for one in found["readings"] if not one["withdrawn"]}
    final = evidence.Final(test, found["settings"], "done", found["verdict"], found["why"], 0, (), {"leak_drop": (None, None)})
    marked = found["verdict"] in ("repeated", "corrected") or any(one["id"] in NOTES for one in found["notes"])
    for name, takes in evidence.as_input(final, readings):
        if name != test or marked:
            continue
        worked, _ = work.run(name, json.dumps(takes, default=str).replace('"#', "").replace('#"', ""))
        by_name = {one["name"]: one for one in worked["results"]}
        assert worked["verdict"] == found["verdict"], (worked, found["verdict"], found["why"])
        for one in found["results"]:
            if one["name"] in by_name:
                same = by_name[one["name"]]
                assert [same.get(key, "") for key in ("rounded", "value", "remark")] == [
                    one[key] for key in ("rounded", "value", "remark")]


NOTES = ("scope.stop", "run_2.far", "sheared", "in_time", "leak.stop", "foam.1", "foam.2", "foam.3", "loose", "tight")
"""Answers that `work` is not told."""


@pytest.mark.parametrize("test", sorted(METHODS))
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), meter=METER)
def test_spoken_stored_shown_read_out_exported_and_worked_are_one(test: str, seed: int, meter: dict[str, Any],
                                                                  tmp_path_factory: pytest.TempPathFactory) -> None:
    folder: Path = tmp_path_factory.mktemp("one")
    t = Words(folder, test, limits=LIMITS, **AMOUNTS, **meter)
    held_equal(led(t, random.Random(seed)), test)
    t.journal.close()
