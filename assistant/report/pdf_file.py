"""The report as PDF: a page for each round (or single test), and a day's summary. Plain, black on white, to be filed."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from io import BytesIO
from typing import Any, BinaryIO
from xml.sax.saxutils import escape

from assistant.core.phrases import capital
from assistant.job import Job, Levels
from assistant.meters import Meter
from assistant.report import drawings, form
from assistant.report.paper import BOLD, WIDTH, Paper, blank_lines, grid, image, table
from assistant.report.rows import (Round, Test, clock, corrections, doubts, inside, limits_in_words, marks, reading_in_other_units,
                                   reading_name, result_in_other_units, result_name, rounds, shown)

CHARTED = ("air_content", "system_air_metric", "slump", "density")
PLACES = ((1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3))
PLACED = tuple(f"{kind}.{run}.{step}" for kind in ("charge", "equilibrium") for run, step in PLACES)


def write(tests: Sequence[Test], target: BinaryIO, made: str, job: Job | None = None, meters: Mapping[str, Meter] = {},
          summary: bool = True) -> None:
    """The pages. ``job`` fills in fields and gives the charts their lines; ``meters`` the calibration dates."""
    paper = Paper(made)
    groups = rounds(tests)
    for group in groups:
        paper.new_page(_title(group), marks(group.tests))
        _round_page(paper, group, job if form.belongs(job, group.tests[0]) else None, meters)
    if summary:
        for day in dict.fromkeys(group.day for group in groups):
            of_day = [one for group in groups if group.day == day for one in group.tests]
            paper.new_page(f"Day's summary, {day}", marks(of_day))
            _day_page(paper, of_day, [group for group in groups if group.day == day], job)
    paper.write(target, "Fresh concrete report")


def _title(one: Round) -> str:
    ids = ", ".join(str(each["id"]) for each in one.tests)
    return f"Fresh concrete report, {one.day}, " + (f"round {one.name}, " if one.name else "") + f"test{'s' * (len(one.tests) > 1)} {ids}"


# --- a round ---------------------------------------------------------------------------------------------------------

def _round_page(paper: Paper, one: Round, job: Job | None, meters: Mapping[str, Meter]) -> None:
    paper.add(grid(form.fields(one, job), columns=4))
    paper.head("Results")
    paper.add(table(["Test", "Result", "Reported", "Other units", "Limits", "Against limits", "Rounding"],
                    [row for test in one.tests for row in _result_rows(test)], [1.55, 1.35, 0.95, 0.95, 0.95, 1.0, 0.75]))
    for test in one.tests:
        verdict = "NO VERDICT" if test["verdict"] == "none" else test["verdict"].upper()
        bold = BOLD.format(escape(f"Test {test['id']}, {test['title']}: {verdict}."))
        paper.text(f"{bold} {escape(capital(test['why']))}." + ("" if test["outcome"] == "done" else f" This test is {test['outcome']}."))
    _readings(paper, one.tests)
    _drawn(paper, one.tests)
    told = [f"Test {test['id']}: {words}" for test in one.tests
            for words in (*(f"corrected: {each}" for each in corrections(test)), *(f"warning: {each}" for each in test["warnings"]),
                          *(f"{each['id']}: {each['text']}" for each in test["notes"]))]
    paper.head("Corrections, warnings and remarks")
    for words in [*told, *doubts(one.tests)] or ["None recorded."]:
        paper.text(escape(words))
    paper.add(blank_lines(["Check test, who was told and when", "Remarks"]))
    paper.small(_device(one, meters))
    paper.small("Where the rules come from: " + "; ".join(dict.fromkeys(
        f"{result_name(each['name'])}: {each['standing']}" for test in one.tests for each in test["results"])) + ".")
    for words in dict.fromkeys(test["editions"] for test in one.tests if test["editions"]):
        paper.small(words)
    _signatures(paper, one.label("technician"), form.text(one.label("certification")) or form.of_job(job, "certification"),
                form.text(one.label("certification_expires")) or form.of_job(job, "certification_expires"))


def _result_rows(test: Test) -> list[list[str]]:
    rows = []
    for each in test["results"]:
        if each["rounded"] is None:
            reported, other = "no valid value", ""
        else:
            reported, other = f"{each['rounded']:f} {each['unit']}".strip(), result_in_other_units(each, test["rounding"])
        rows.append([f"{test['id']}  {test['title']}" if not rows else "", result_name(each["name"]), reported, other,
                     limits_in_words(each["limits"]), inside(each, test["rounding"]), test["rounding"]])
    return rows or [[f"{test['id']}  {test['title']}", "none", "", "", "", "", ""]]


def _readings(paper: Paper, tests: Sequence[Test]) -> None:
    """Every reading: the six pressures as a grid for each test, all others together. What was withdrawn is struck through."""
    told = [_Told(test) for test in tests]
    six = [[str(one.test["id"]), name, *(one.cell(f"{kind}.{run}.{step}") for run, step in PLACES)]
           for one in told if any(ident in one.ids for ident in PLACED)
           for kind, name in (("charge", "Start pressure"), ("equilibrium", "Equilibrium"))]
    if six:
        paper.head("Pressures, psi")
        paper.add(table(["Test", "", *(f"Run {run}, step {step}" for run, step in PLACES)], six, [0.35, 1.15, *[1.0] * 6], escaped=True))
    rest = [one.row(ident) for one in told for ident in one.ids if ident not in PLACED]
    if rest:
        half = (len(rest) + 1) // 2
        pairs = [rest[at] + (rest[at + half] if at + half < len(rest) else [""] * 5) for at in range(half)]
        paper.head("Other readings")
        paper.add(table(["Test", "Reading", "Value", "Other units", "Taken"] * 2, pairs, [0.35, 1.4, 0.95, 0.75, 0.45] * 2, escaped=True))


class _Told:
    """The readings of one test as cells."""

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

    def row(self, ident: str) -> list[str]:
        now = self.taken.get(ident)
        return [str(self.test["id"]), escape(reading_name(ident)), self.cell(ident, unit=True),
                reading_in_other_units(now, self.test["rounding"]) if now else "", clock(now["taken"]) if now else ""]


def _drawn(paper: Paper, tests: Sequence[Test]) -> None:
    found = [image(each, WIDTH / 2) for test in tests for each in (drawings.pressure_steps(test), drawings.leak_curve(test))
             if each is not None]
    for at in range(0, len(found), 2):
        paper.beside(found[at:at + 2])


def _device(one: Round, meters: Mapping[str, Meter]) -> str:
    meter = meters.get(str(one.label("meter")))
    calibrated = f"calibrated {meter.calibrations[-1].on}" if meter and meter.calibrations else "calibration date: ______________"
    settings = one.tests[-1]["settings"]
    return (f"Meter {one.label('meter') or '____________'}, {calibrated}, chamber ratio {settings.get('chamber_ratio', '')}, "
            f"aggregate correction {settings.get('aggregate_correction_pct', '')} %.")


# --- a day -----------------------------------------------------------------------------------------------------------

def _day_page(paper: Paper, tests: Sequence[Test], groups: Sequence[Round], job: Job | None) -> None:
    def of_all(key: str) -> str:
        return ", ".join(dict.fromkeys(form.text(test.get(key)) for test in tests if test.get(key)))
    paper.add(grid([(name, of_all(key)) for key, name in (("job", "Project"), ("mix", "Mix"), ("producer", "Producer"),
                                                         ("station", "Station"), ("technician", "Technician"), ("meter", "Meter"),
                                                         ("weather", "Weather"), ("", "Placed today, yd3"))], columns=4))
    counted = {word: sum(one["verdict"] == word for one in tests) for word in ("pass", "fail", "invalid", "none")}
    paper.text(f"{len(tests)} tests in {len(groups)} rounds: {counted['pass']} pass, {counted['fail']} fail, "
               f"{counted['invalid']} invalid, {counted['none']} without a verdict.")
    paper.head("Tests")
    paper.add(table(["No.", "Time", "Sample / ticket", "Test", "Results", "Verdict"], [_day_row(one) for one in tests],
                    [0.4, 0.5, 1.1, 1.5, 2.9, 1.1]))
    for name in CHARTED:
        _chart(paper, name, tests, job)
    more = doubts(tests) + [f"Test {one['id']}: {each}" for one in tests for each in corrections(one)]
    paper.head("Corrections, and ids to look at")
    for words in more or ["None."]:
        paper.text(escape(words))
    paper.add(blank_lines(["Remarks"]))
    _signatures(paper, of_all("technician"), "", "")


def _day_row(one: Test) -> list[str]:
    results = "; ".join(f"{result_name(each['name'])} {each['rounded']:f} {each['unit']}".strip() for each in one["results"]
                        if each["rounded"] is not None)
    ids = " / ".join(form.text(one.get(key)) for key in ("sample", "ticket") if one.get(key))
    verdict = one["verdict"].upper() if one["verdict"] != "none" else "no verdict"
    return [str(one["id"]), clock(one["started"]), ids, one["title"], results or "none", verdict if one["outcome"] == "done"
            else f"{verdict}, {one['outcome']}"]


def _chart(paper: Paper, name: str, tests: Sequence[Test], job: Job | None) -> None:
    """A control chart where two results or more have the same unit; the newest test's limits are drawn."""
    found: dict[str, list[tuple[Test, Mapping[str, Any]]]] = {}
    for one in tests:
        for each in one["results"]:
            if each["name"] == name and each["rounded"] is not None:
                found.setdefault(each["unit"], []).append((one, each))
    for unit, rows in found.items():
        if len(rows) < 2:
            continue
        levels = job.levels.get(name, Levels()) if job and form.belongs(job, rows[-1][0]) else Levels()
        points = [drawings.Point((form.text(one.get("sample")) or f"test {one['id']}") + (", check" if one.get("check_of") else ""),
                                 each["rounded"]) for one, each in rows]
        paper.head(f"Control chart: {result_name(name)}")
        paper.add(image(drawings.control_chart(result_name(name), unit, points, levels, tuple(rows[-1][1]["limits"])), WIDTH))


def _signatures(paper: Paper, technician: Any, certification: str, expires: str) -> None:
    paper.add(grid([("Technician", form.text(technician)), ("Certification no.", certification), ("Expires", expires),
                    ("Signature, date", ""), ("Checked by", ""), ("Title", ""), ("Signature, date", ""), ("Received", "")],
                   columns=4, tall=True))


def as_bytes(tests: Sequence[Test], made: str, **named: Any) -> bytes:
    target = BytesIO()
    write(tests, target, made, **named)
    return target.getvalue()
