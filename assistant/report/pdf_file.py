"""The report as PDF: a page for each round (or single test), and a day's summary. Plain, black on white, to be filed."""
from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from typing import BinaryIO
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Drawing

from assistant.core.assessment import CORRECTED, REPEATED, VERDICTS
from assistant.core.methods.registry import METHODS
from assistant.core.phrases import capital
from assistant.job import Job
from assistant.meters.register import Meter
from assistant.record.summary import figures
from assistant.report import cylinders, drawings, findings, form, lots, series
from assistant.report.acceptance import LOT, SOURCE
from assistant.report.paper import Page, Paper
from assistant.report.rows import (
    Round,
    Test,
    clock,
    corrections,
    doubts,
    ids_of,
    inside,
    limits_in_words,
    marks,
    placed,
    reading_in_other_units,
    reading_name,
    result_in_other_units,
    result_name,
    rounds,
    sample_of,
    shown,
    title_of,
    uncertainty_in_words,
    with_days,
)
from assistant.round.record import judged

LOAD = "load"
"""Under this the clock of the load notes how old it is (assistant/core/batch_clock.py)."""
Chart = tuple[str, Drawing, list[findings.Told]]
PLACES = ((1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3))
PLACED = tuple(f"{kind}.{run}.{step}" for kind in ("charge", "equilibrium") for run, step in PLACES)


def write(tests: Sequence[Test], target: BinaryIO, made: str, job: Job | None = None, meters: Mapping[str, Meter] = {},
          summary: bool = True, history: Sequence[Test] = ()) -> None:
    """The pages. ``job`` fills in fields and gives the charts their lines; ``meters`` the calibration dates; ``history``: these
    tests and those before them, in short."""
    paper, groups = Paper(made), rounds(tests)
    rules = dict.fromkeys(_rules(tests))
    rules |= dict.fromkeys((ALL, "The load, and what follows a failure", each.standing) for group in groups
                           for each in findings.of_round(group.tests))
    for group in groups:
        own = job if form.belongs(job, group.tests[0]) else None
        drawn = [one for test in group.tests for one in (drawings.pressure_steps(test), drawings.leak_curve(test)) if one]
        paper.page(_title(group), marks(group.tests), partial(_round_page, group, own, meters, drawn))
    dated = list(with_days(history or tests))
    for day in dict.fromkeys(group.day for group in groups) if summary else ():
        of_day = [group for group in groups if group.day == day]
        its = [test for group in of_day for test in group.tests]
        named = sum(bool(group.name) for group in of_day)
        until = [one for its_day, one in dated if its_day <= day]
        charts, accepted = _charts(until, day, job), lots.of(until, job, day)
        paper.page(f"Day's summary, {day}", marks(its), partial(_day_page, its, named, charts, accepted))
        rules |= dict.fromkeys((ALL, title, each.standing) for title, _, told in charts for each in told)
        rules |= dict.fromkeys((ALL, "Acceptance over days", str(each)) for each in (SOURCE, LOT) if accepted)
    if rules:
        paper.page("Appendix: where each rule comes from", marks(tests), partial(_appendix, list(rules)))
    days = list(dict.fromkeys(group.day for group in groups))
    paper.write(target, f"Fresh concrete report, {' to '.join(dict.fromkeys((days[0], days[-1])))}")


def _title(one: Round) -> str:
    ids = ", ".join(str(each["id"]) for each in one.tests)
    named = f"round {one.name}, " if one.name else ""
    return f"Fresh concrete report, {one.day}, {named}test{'s' if len(one.tests) > 1 else ''} {ids}"


def _begun(test: Test) -> str:
    """When the work on the concrete began, or was completed, for a test of a round."""
    if (after := test.get("after_last_portion_s")) is None:
        return ""
    return f" {'Completed' if test.get('completed') else 'Begun'} {after // 60} min {after % 60:02} s after the last portion."


# --- a round ---------------------------------------------------------------------------------------------------------

def _round_page(one: Round, job: Job | None, meters: Mapping[str, Meter], drawn: Sequence[Drawing], page: Page) -> None:
    sets = [made for test in one.tests if test["outcome"] == "done" and (made := cylinders.made(test)) and made.cylinders]
    ids = "; ".join(" to ".join(dict.fromkeys((made.cylinders[0], made.cylinders[-1]))) for made in sets)
    page.fields([(name, value or ids if name == form.CYLINDERS else value) for name, value in form.fields(one, job)])
    page.head("Results")
    page.table(["Test", "Result", "Reported", "Other units", "Limits", "Against limits", "Rounding"],
               [row for test in one.tests for row in _result_rows(test)], [1.75, 1.35, 0.9, 0.9, 0.9, 0.9, 0.8])
    for test in one.tests:
        verdict = "NO VERDICT" if test["verdict"] == "none" else test["verdict"].upper()
        page.text(_sentence(test["why"]) + ("" if test["outcome"] == "done" else f" This test is {test['outcome']}.")
                  + _begun(test),
                  bold=f"Test {test['id']}, {title_of(test)}: {verdict}.")
        if test["deviations"]:
            page.text(" ".join(test["deviations"]), bold=f"Test {test['id']}, deviations from the method:")
    for words in (*(each.words for each in findings.of_round(one.tests)), *dict.fromkeys(
            " ".join(uncertainty_in_words(test)) for test in one.tests if test.get("uncertainty"))):
        page.text(words)
    _readings(page, one.tests)
    page.drawings(drawn)
    page.head("Corrections, warnings and remarks")
    for words in [*_remarks(one.tests), *doubts(one.tests)] or ["None recorded."]:
        page.text(words)
    page.lines(["Check test, who was told and when", "Remarks"])
    if any(METHODS[test["test"]].on_meter for test in one.tests if test["test"] in METHODS):
        page.small(_device(one, meters))
    page.small("Where each rule comes from is told in the appendix, on the last page.")
    _signatures(page, *(form.text(one.label(key)) or form.of_job(job, key)
                        for key in ("technician", "certification", "certification_expires")))


def _result_rows(test: Test) -> list[list[str]]:
    rows: list[list[str]] = []
    for each in test["results"]:
        reported, other = figures(each), result_in_other_units(each, test["rounding"])
        rows.append([f"{test['id']}  {title_of(test)}" if not rows else "", result_name(each["name"]), reported, other,
                     limits_in_words(each["limits"]), inside(each, test["rounding"]), test["rounding"]])
    return rows or [[f"{test['id']}  {test['title']}", "none", "", "", "", "", ""]]


def _readings(page: Page, tests: Sequence[Test]) -> None:
    """Every reading: the six pressures as a grid for each test, all others together. What was withdrawn is struck through."""
    told = [_Told(test) for test in tests]
    six = [[str(one.test["id"]), name, *(cell(f"{kind}.{run}.{step}") for run, step in PLACES)]
           for one in told if any(ident in one.ids for ident in PLACED)
           for kind, name, cell in (("charge", "Start pressure", one.cell), ("equilibrium", "Equilibrium", one.cell),
                                    ("equilibrium", "taken at", one.time))]
    if six:
        page.head("Pressures, psi")
        page.table(["Test", "", *(f"Run {run}, step {step}" for run, step in PLACES)], six, [0.35, 1.15, *[1.0] * 6],
                   marked_up=True)
    rest = [one.row(ident) for one in told for ident in one.ids if ident not in PLACED]
    if rest:
        half = (len(rest) + 1) // 2
        pairs = [rest[at] + (rest[at + half] if at + half < len(rest) else [""] * 5) for at in range(half)]
        page.head("Other readings")
        page.table(["Test", "Reading", "Value", "Other units", "Taken"] * 2, pairs, [0.35, 1.4, 0.95, 0.75, 0.45] * 2,
                   marked_up=True)


class _Told:
    """The readings of one test as marked-up cells."""

    def __init__(self, test: Test) -> None:
        self.test = test
        self.ids = list(dict.fromkeys(one["id"] for one in test["readings"]))
        self.taken = {one["id"]: one for one in test["readings"] if not one["withdrawn"]}

    def cell(self, ident: str, unit: bool = False) -> str:
        gone = [f"<strike>{escape(shown(one['value']))}</strike>" for one in self.test["readings"]
                if one["id"] == ident and one["withdrawn"]]
        now = self.taken.get(ident)
        counts = [escape(shown(now["value"]) + (f" {now['unit']}" if unit and now["unit"] else ""))] if now else []
        return " ".join(gone + counts)

    def time(self, ident: str) -> str:
        """To the second: the tapping and the wait before it are to be seen."""
        return self.taken[ident]["taken"][11:19] if ident in self.taken else ""

    def row(self, ident: str) -> list[str]:
        now = self.taken.get(ident)
        return [str(self.test["id"]), escape(reading_name(ident)), self.cell(ident, unit=True),
                reading_in_other_units(now, self.test["rounding"]) if now else "", clock(now["taken"]) if now else ""]


def _remarks(tests: Sequence[Test]) -> Iterator[str]:
    """What is noted of the load in each of its tests (how old it is by then) stands once on the page, as it was first."""
    of_load: set[str] = set()
    for test in tests:
        told = [f"corrected: {each}" for each in corrections(test)] + [f"warning: {each}" for each in test["warnings"]]
        for each in test["notes"]:
            without_figures = re.sub(r"\d+", "", each["text"]) if each["id"] == LOAD else ""
            if without_figures not in of_load:
                told.append(f"{_place(each['id'], test)}: {each['text']}")
            of_load |= {without_figures} - {""}
        yield from (f"Test {test['id']}: {words}" for words in told)


def _place(ident: str, test: Test) -> str:
    """Where in the test a note was made: a reading by its name, any other prompt by its id."""
    known = any(each["id"] == ident for each in test["readings"])
    return reading_name(ident) if known else capital(ident.replace(".", " "))


def _device(one: Round, meters: Mapping[str, Meter]) -> str:
    meter = meters.get(str(one.label("meter")))
    done = meter.calibration(date.fromisoformat(one.day)) if meter else None  # not one of after the test
    calibrated = f"calibrated {done.on}" if done else "calibration date: ______________"
    settings = one.tests[-1]["settings"]
    ratio, correction = settings.get("chamber_ratio"), settings.get("aggregate_correction_pct")
    return (f"Meter {one.label('meter') or '____________'}, {calibrated}, chamber ratio {ratio or 'not calibrated'}, "
            f"aggregate correction {f'{correction} %' if correction else 'not given'}.")


# --- where each rule comes from -----------------------------------------------------------------------------------------

Rule = tuple[str, str, str]
"""Test, what its rule is about, and where that comes from."""
ALL = "All tests"


def _rules(tests: Sequence[Test]) -> Iterator[Rule]:
    for test in tests:
        title = str(test["title"])
        if test["editions"]:
            yield title, "Edition", test["editions"]
        for each in test["results"]:
            yield title, result_name(each["name"]), each["standing"]
        for each in test.get("uncertainty", ()):
            yield title, f"{result_name(each['of'])} ±, {each['name']}", each["standing"]


def _appendix(rules: Sequence[Rule], page: Page) -> None:
    page.text("The agency's own edition governs. Published: the text was seen. Second-hand: as others tell it. Common practice: no "
              "source is known. From memory: nobody looked it up for this; how sure it is stands beside it. Derived: computed.")
    rows = [[title if not at else "", *rule] for title in dict.fromkeys(title for title, *_ in rules)
            for at, rule in enumerate(one[1:] for one in rules if one[0] == title)]
    page.table(["Test", "Rule", "Where it comes from"], rows, [1.5, 1.6, 4.4])


# --- a day -----------------------------------------------------------------------------------------------------------

def _day_page(tests: Sequence[Test], count: int, charts: Sequence[Chart],
              accepted: Sequence[lots.Accepted], page: Page) -> None:
    """``count``: rounds among them; a test by itself is none."""
    def of_all(key: str) -> str:
        if key == "placed":
            return placed(tests)
        return "; ".join(dict.fromkeys(form.text(test.get(key)) for test in tests if test.get(key)))
    page.fields([(name, of_all(key)) for key, name in (
        ("job", "Project"), ("mix", "Mix"), ("producer", "Producer"), ("station", "Station"), ("technician", "Technician"),
        ("meter", "Meter"), ("weather", "Weather"), ("placed", "Placed, by the tickets"))])
    counted = {word: sum(one["verdict"] == word for one in tests) for word in VERDICTS}
    known = sum(counted[word] for word in (REPEATED, CORRECTED))
    whole = f", {count} round{'s' if count > 1 else ''}" if count else ""
    page.text(f"{len(tests)} test{'s' if len(tests) > 1 else ''}{whole}: {counted['pass']} pass, {counted['fail']} fail, "
              f"{counted['invalid']} invalid, {counted['none']} without a verdict"
              + (f", {known} changed after the result was known." if known else "."))
    page.head("Tests")
    page.table(["No.", "Time", "Sample / ticket", "Test", "Results", "Verdict"], [_day_row(one) for one in tests],
               [0.35, 0.45, 1.0, 1.7, 3.2, 0.8])
    for one in rounds(tests):
        if one.name and (its_load := judged(one.tests).load):
            page.text(_sentence(its_load.why), bold=f"Round {one.name}:")
    for title, drawn, found in charts:
        page.head(title, drawn=True)
        page.drawing(drawn)
        for each in found:
            page.text(each.words)
    if accepted:
        page.head("Acceptance over days")
        page.table(lots.HEAD, lots.table(accepted), lots.WIDTHS)
        for words in lots.sentences(accepted):
            page.text(words)
        page.small("A test and its check test are one sample, by their mean. Age: days since the newest sample of the lot.")
    page.head("Corrections, and ids to look at")
    for words in doubts(tests) + [f"Test {one['id']}: {each}" for one in tests for each in corrections(one)] or ["None."]:
        page.text(words)
    page.lines(["Remarks"])
    _signatures(page, of_all("technician"), "", "")


def _day_row(one: Test) -> list[str]:
    results = "; ".join(f"{result_name(each['name'])} {figures(each)}" for each in one["results"] if each["rounded"] is not None)
    verdict = one["verdict"].upper() if one["verdict"] != "none" else "no verdict"
    return [str(one["id"]), clock(one["started"]), ids_of(one), title_of(one), results or "none",
            verdict if one["outcome"] == "done" else f"{verdict}, {one['outcome']}"]


def _charts(history: Sequence[Test], day: str, job: Job | None) -> list[Chart]:
    """Title, drawing and findings of each control chart of ``day``, the last POINTS of its samples."""
    charts = []
    for one in series.charts(history, day, job):
        points = [each.point(label) for each, label in zip(one.samples, _labels([each.tests[0] for each in one.samples]))]
        charts.append((one.title, drawings.control_chart(result_name(one.key.name), one.key.unit, points[-series.POINTS:], one.levels,
                                                         one.limits),
                       findings.of_chart(one.samples, points, one.key, one.levels, day)))
    return charts


LETTERS = 130
"""As many fit under a control chart. (Ours.)"""


def _labels(tests: Sequence[Test]) -> list[str]:
    """Their samples, and where those would run into one another their numbers, which the table of the day explains; where even
    those would, only every so many."""
    for name in (sample_of, lambda one: str(one["id"])):
        found = [name(one) for one in tests]
        longest = max(map(len, found)) + 2
        if longest * len(found) <= LETTERS:
            return found
    every = -(-longest * len(found) // LETTERS)
    return [label if not at % every else "" for at, label in enumerate(found)]


def _signatures(page: Page, technician: str, certification: str, expires: str) -> None:
    page.fields([("Technician", technician), ("Certification no.", certification), ("Expires", expires), ("Signature, date", ""),
                 ("Checked by", ""), ("Title", ""), ("Signature, date", ""), ("Received", "")], tall=True)


def _sentence(words: str) -> str:
    return capital(words.rstrip(".")) + "."
