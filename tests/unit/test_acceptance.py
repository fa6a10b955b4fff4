"""Lots over days: what belongs to one, when it is whole, what it must reach; in the record's exports and on the page.

The percent itself is checked in tests/outside/test_percent_within.py. Every series is invented; how lots are made up is the job's.
"""
from __future__ import annotations

import io
import json
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import pandas
import pytest
from pypdf import PdfReader

from assistant import job
from assistant.core.quality import Plan
from assistant.core.settings import Settings
from assistant.report import acceptance, json_file, lots, pdf_file
from tests.command import READINGS, bowlside, script

D = Decimal
LIMITS = (D("4.5"), D("7.5"))
FIVE = ("5.6", "6.1", "6.8", "7.2", "5.9")
"""Mean 6.32, standard deviation 0.6611."""
WIDE = ("5.2", "5.4", "6.9", "7.3", "6.6")
"""Mean 6.28, standard deviation 0.9311; by scipy's beta 92.0352 % within 4.5 to 7.5."""


def taken(*values: str, day: int = 1, each: int = 0) -> list[tuple[date, Decimal]]:
    return [(date(2031, 5, day + at * each), D(value)) for at, value in enumerate(values)]


def one_lot(*values: str, plan: Plan = Plan(lot_tests=5, percent_within=D(90)), limits=LIMITS) -> acceptance.Lot:
    return acceptance.lots(taken(*values), plan, limits, date(2031, 5, 3), "half-even")[-1]


def test_a_lot_by_hand() -> None:
    """Mean and deviation by hand, the percent by scipy's beta distribution."""
    lot = one_lot(*FIVE)
    assert (lot.number, lot.count, lot.mean, round(lot.deviation, 4), lot.age_days) == (1, 5, D("6.32"), D("0.6611"), 2)
    assert lot.verdict == "pass" and lot.why.endswith("at least 90 asked")
    wide = one_lot(*WIDE)
    assert round(wide.percent, 4) == D("92.0352") and wide.verdict == "pass"


@pytest.mark.parametrize("values, plan, limits, verdict, words", [
    (FIVE[:4], Plan(lot_tests=5, percent_within=D(90)), LIMITS, "open", "4 of 5 samples so far"),
    (FIVE, Plan(lot_tests=5), LIMITS, "none", "asks for no percent"),
    (FIVE, Plan(lot_tests=5, percent_within=D(90)), (None, None), "none", "no limits"),
    (("4.6", "7.4", "7.5", "4.5", "6.0"), Plan(lot_tests=5, percent_within=D(90)), LIMITS, "fail", "for the agency to say"),
    (("6.0",) * 5, Plan(lot_tests=5, percent_within=D(100)), LIMITS, "pass", "100.0 % within"),
    (("8.0",) * 5, Plan(lot_tests=5, percent_within=D(1)), LIMITS, "fail", "0.0 % within"),
    (FIVE[:2], Plan(lot_days=1, percent_within=D(90)), LIMITS, "none", "fewer than 3"),
    (FIVE[:2], Plan(lot_days=7, percent_within=D(90)), LIMITS, "open", "goes on until 2031-05-08"),
])
def test_what_is_said_of_a_lot(values, plan, limits, verdict, words) -> None:
    lot = one_lot(*values, plan=plan, limits=limits)
    assert lot.verdict == verdict and words in lot.why


def test_compared_at_the_last_place_that_is_asked() -> None:
    """Published: Iowa DOT IM 202."""
    for asked, verdict in (("92", "pass"), ("92.04", "pass"), ("92.05", "fail"), ("92.036", "fail")):
        assert one_lot(*WIDE, plan=Plan(lot_tests=5, percent_within=D(asked))).verdict == verdict, asked


def test_lots_by_samples_and_by_days() -> None:
    by_two = acceptance.lots(taken("5", "6", "7", "6", "6", day=1, each=2), Plan(lot_tests=3), LIMITS, date(2031, 5, 20), "half-even")
    assert [(lot.first, lot.last, lot.since.day, lot.until.day, lot.age_days) for lot in by_two] == [(0, 2, 1, 5, 15), (3, 4, 7, 9, 11)]
    days = acceptance.lots(taken("5", "6", "7", "6", "6", day=1, each=2), Plan(lot_days=4), LIMITS, date(2031, 5, 20), "half-even")
    assert [(lot.first, lot.last) for lot in days] == [(0, 1), (2, 3), (4, 4)] and {lot.verdict for lot in days} == {"none"}
    assert acceptance.lots(taken("5"), Plan(), LIMITS, date(2031, 5, 1), "half-even") == []


def test_the_moving_average_of_three() -> None:
    found = acceptance.moving([D("5.0"), D("6.0"), D("7.0"), D("8.0")], 3)
    assert found == [None, None, D("6.0"), D("7.0")] and acceptance.moving([D(1)] * 3, 0) == [None] * 3


@pytest.mark.parametrize("text, words", [
    ("lot_tests = 5\nlot_days = 3", "lot_tests or lot_days, not both"), ("lot_tests = 2", "fewer than 3 give no percent"),
    ("percent_within = 90", "a percent within limits is of a lot"), ("lot_tests = 5\npercent_within = 101", "at most 100"),
    ("lots = 5", '"lots" is no key here'), ("moving_average = 2.5", "whole number")])
def test_a_job_file_that_contradicts_itself(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(f"[acceptance.air_content]\n{text}\n")
    with pytest.raises(job.JobError) as refused:
        job.load(path)
    assert words in str(refused.value) and " line " in str(refused.value)


# --- from the record -----------------------------------------------------------------------------------------------------

def a_test(ident: int, value: str, day: int, name: str = "air_content", unit: str = "%", limits=LIMITS, **labels: object) -> dict:
    row = {"name": name, "value": D(value), "rounded": D(value), "unit": unit, "limits": list(limits), "standing": "ours"}
    return {"id": ident, "test": "sequential", "title": "Test", "started": f"2031-05-{day:02}T10:00:00+02:00", "outcome": "done",
            "results": [row], "mix": "A", **labels}


@pytest.fixture
def its_job(tmp_path: Path) -> job.Job:
    path = tmp_path / "job.toml"
    path.write_text("[acceptance.air_content]\nlot_tests = 3\nmoving_average = 3\npercent_within = 90\n"
                    "[acceptance.slump]\nlot_days = 7\n")
    return job.load(path)


def test_only_what_counts_is_in_a_lot_and_each_mix_by_itself(its_job: job.Job) -> None:
    tests = [a_test(1, "6.0", 1, round="R-1"), a_test(2, "8.0", 1, round="R-2"), a_test(3, "7.0", 1, round="R-2", check_of="test 2"),
             a_test(4, "6.6", 1, round="R-2", comparison=True), a_test(5, "9.0", 2, preliminary="yes"),
             a_test(6, "9.0", 2, practice=True), a_test(7, "6.3", 2, round="R-3"), a_test(8, "5.0", 3, mix="B"),
             a_test(9, "6.1", 4, round="R-4")]
    first, second = lots.of(tests, its_job, "2031-05-04")
    assert [[each["id"] for each in one.tests] for one in first.samples] == [[1], [2, 3], [7], [9]]
    assert [(lot.count, lot.mean, lot.verdict) for lot in first.lots] == [(3, D("6.6"), "pass"), (1, D("6.1"), "open")]
    assert second.key.mix == "B" and second.lots[0].count == 1
    rows = lots.cells([first, second])
    assert rows[3] == {"air_content lot": "1", "air_content moving average [%]": ""} and 2 not in rows
    assert rows[7]["air_content moving average [%]"] == "6.60" and rows[9]["air_content lot"] == "2"
    assert lots.of(tests, None, "2031-05-04") == []


def test_what_was_no_composite_sample_is_in_no_lot(its_job: job.Job) -> None:
    """C172, from memory: the acceptance sample is a composite one. One that is taken anew counts from then on."""
    def sampling(ident: int, verdict: str, name: str) -> dict[str, Any]:
        return {**a_test(ident, "0", 1, round=name), "test": "sampling", "verdict": verdict, "results": []}
    tests = [sampling(1, "none", "R-1"), a_test(2, "6.0", 1, round="R-1"), sampling(3, "invalid", "R-3"), a_test(4, "9.0", 1, round="R-3"),
             sampling(5, "none", "R-3"), a_test(6, "6.2", 1, round="R-3"), sampling(7, "invalid", "R-7"), a_test(8, "9.0", 1, round="R-7")]
    one, = lots.of(tests, its_job, "2031-05-01")
    assert [each["id"] for sample in one.samples for each in sample.tests] == [2, 6]


def test_what_to_look_at_is_told_and_a_preliminary_number_is_in_no_lot(its_job: job.Job) -> None:
    tests = [a_test(1, "6.0", 1, verdict="repeated"), a_test(2, "6.2", 1), a_test(3, "6.3", 2, limits=(D("4.5"), D("8.0")))]
    tests.append(a_test(4, "9.0", 2))
    tests[-1]["results"][0]["remark"] = "preliminary, chamber ratio not calibrated"
    one, = lots.of(tests, its_job, "2031-05-02")
    assert [each["id"] for sample in one.samples for each in sample.tests] == [1, 2, 3]
    told, = lots.sentences([one])
    assert "Changed after the result was known: test 1." in told and "The limits changed meanwhile" in told
    assert "Changed" not in lots.sentences(lots.of(tests[1:2], its_job, "2031-05-02"))[0]


def test_in_si_and_in_inches(its_job: job.Job) -> None:
    """Each system of units is a series of its own; means are told in both."""
    inches = [a_test(at, value, 1, "slump", "in.", (D(3), D(5))) for at, value in enumerate(("4.00", "4.25", "3.75"), 1)]
    metric = [a_test(at, value, 1, "slump", "mm", (D(75), D(125))) for at, value in enumerate(("100", "110", "95"), 4)]
    first, second = lots.of(inches + metric, its_job, "2031-05-09")
    rows = lots.table([first, second])
    assert [(row[5], row[6]) for row in rows] == [("4.000 in.", "100 mm"), ("101.7 mm", "4.00 in.")]
    assert first.lots[0].percent == 100 and 99 < second.lots[0].percent <= 100


def test_on_the_page_and_in_the_json(its_job: job.Job) -> None:
    tests = [a_test(at, value, at) | {"readings": [], "warnings": [], "notes": [], "verdict": "pass", "why": "in", "deviations": [],
                                      "settings": Settings().to_mapping(), "rounding": "half-even", "editions": "", "leak_curve": []}
             for at, value in enumerate(("5.6", "6.1", "6.8", "7.2", "5.9"), 1)]
    target = io.BytesIO()
    pdf_file.write(tests[-1:], target, "2031-05-05T16:00:00+02:00", its_job, history=tests)
    page, appendix = (" ".join(each.extract_text().split()) for each in PdfReader(target).pages[-2:])
    assert "Acceptance over days" in page and "Table B-5" in appendix and "Table B-5" not in page
    assert "Air content, A 1 3 05-01 to 05-03 2 6.17 %" in page and "Air content, A 2 2 05-04 to 05-05 0 6.55 %" in page
    assert "Lot 2: 2 of 3 samples so far. Moving average of 3: 6.63 %, within." in page
    found = json.loads(json.dumps([lots.document(one) for one in lots.of(tests, its_job, "2031-05-05")], default=float))
    schema = json.loads(json_file.SCHEMA.read_text())
    jsonschema.validate(found, {"$defs": schema["$defs"], "type": "array", "items": {"$ref": "#/$defs/accepted"}})
    assert [(lot["lot"], lot["count"], lot["from"], lot["age_days"], lot["verdict"]) for lot in found[0]["lots"]] == [
        (1, 3, "2031-05-01", 2, "pass"), (2, 2, "2031-05-04", 0, "open")]


def test_log_export_with_a_job_that_has_lots(tmp_path: Path) -> None:
    """The whole way, by the command: two sequential tests of one job and mix."""
    header = {"test": "sequential", "job": "Tern Hollow", "mix": "A", "chamber_ratio": 0.06}
    for _ in range(2):
        assert bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path / "j", stdin=script(READINGS, header)).code == 0
    (tmp_path / "job.toml").write_text('job = "Tern Hollow"\n[acceptance.air_content]\nlot_tests = 3\nmoving_average = 2\n')
    kinds = [part for kind in ("csv", "json", "pdf") for part in (f"--{kind}", tmp_path / f"x.{kind}")]
    assert bowlside("log", "export", *kinds, "--job", tmp_path / "job.toml", "--journal", tmp_path / "j").code == 0
    document = json.loads((tmp_path / "x.json").read_text())
    jsonschema.validate(document, json.loads(json_file.SCHEMA.read_text()))
    assert [(one["name"], one["count"], one["lots"][0]["verdict"]) for one in document["acceptance"]] == [("air_content", 2, "open")]
    table = pandas.read_csv(tmp_path / "x.csv", dtype=str, keep_default_na=False)
    assert list(table["air_content lot"]) == ["1", "1"] and list(table["air_content moving average [%]"]) == ["", "6.00"]
    assert "Acceptance over days" in PdfReader(tmp_path / "x.pdf").pages[-1].extract_text()
    shown = bowlside("job", "show", tmp_path / "job.toml").out
    assert "air content, over days: lot tests 3, moving average 2" in shown
