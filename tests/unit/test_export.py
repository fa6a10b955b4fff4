"""The record as CSV, JSON and PDF, read back by pandas, jsonschema and pypdf: what is written is what was recorded."""
from __future__ import annotations

import io
import json
import re
import subprocess
import sys
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import jsonschema
import pandas
import pytest
from pypdf import PdfReader
from reportlab.graphics.shapes import Rect
from reportlab.pdfbase.pdfmetrics import getFont, stringWidth

from assistant import job
from assistant.core.rounding import DIGITS
from assistant.core.settings import Settings
from assistant.files.jsonline import dumps, loads
from assistant.meters.register import Calibration, Meter
from assistant.record import identity, summary
from assistant.record.journal import Journal
from assistant.report import axes, csv_file, drawings, findings, json_file, pdf_file, rows
from assistant.report.paper import WIDTH, Page, Paper
from tests.command import HEADER, READINGS, ROOT, bowlside, script

D = Decimal
MADE = "2031-05-17T16:00:00+02:00"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "day"
    done = bowlside("log", "export", "--demo", folder)
    assert done.code == 0 and done.err == "", done
    return folder


@pytest.fixture(scope="module")
def tests(demo: Path) -> list[dict]:
    with Journal(demo, write=False) as journal:
        return [summary.of(journal, test) for test in journal.tests()]


@pytest.fixture(scope="module")
def whole(tests: list[dict]) -> dict:
    """A sequential test with a leak hold by wire."""
    return {**kind(tests, "sequential")[0], "leak_curve": kind(tests, "leak")[0]["leak_curve"]}


def kind(tests: list[dict], name: str) -> list[dict]:
    return [one for one in tests if one["test"] == name]


@pytest.fixture(scope="module")
def pages(demo: Path) -> list[str]:
    """Of each round, and of the day, all its pages as one."""
    found: dict[str, str] = {}
    for page in PdfReader(demo / "day.pdf").pages:
        title, words = page.extract_text().splitlines()[0], " ".join(page.extract_text().split())
        found[title] = f"{found[title]} {words}" if title in found else words
    return list(found.values())


def paper(tests: list[dict], **more: object) -> list:
    """The pages of a report on these tests, but for its appendix."""
    target = io.BytesIO()
    pdf_file.write(tests, target, MADE, **more)
    return [page for page in PdfReader(target).pages if not page.extract_text().startswith("Appendix")]


# --- CSV, by pandas ------------------------------------------------------------------------------------------------------

def test_the_csv_is_the_record_to_the_last_digit(demo: Path, tests: list[dict]) -> None:
    table = pandas.read_csv(demo / "day.csv", dtype=str, keep_default_na=False)
    assert list(table["id"]) == [str(one["id"]) for one in tests]
    for row, one in zip(table.to_dict("records"), tests):
        for each in one["results"]:
            column = f"{each['name']} [{each['unit']}]"
            if each["rounded"] is None:
                assert row[column] == row[column.replace(" [", " unrounded [")] == ""
                continue
            assert row[column] == f"{each['rounded']:f}" and D(row[column.replace(" [", " unrounded [")]) == each["value"]
            for side, limit in zip(("low", "high"), each["limits"]):
                assert row[column.replace(" [", f" limit {side} [")] == ("" if limit is None else f"{limit:f}")
        for each in one["readings"]:
            if not each["withdrawn"]:
                assert row[f"{each['id']} [{each['unit']}]" if each["unit"] else each["id"]] == rows.shown(each["value"])
        for key in ("started", "verdict", "why", "job", "sample", "ticket", "round", "rounding"):
            assert row[key] == one.get(key, ""), key
        filled = {column for column, value in row.items() if value and "[" in column}
        assert {column.split()[0] for column in filled} == {each["name"] for each in one["results"]} | {
            each["id"] for each in one["readings"] if each["unit"]}, "a cell of another test is filled"


def test_the_csv_keeps_trailing_zeros_and_numbers_are_numbers(demo: Path) -> None:
    assert ",14.50," in (demo / "day.csv").read_text()
    assert (demo / "day.csv").read_bytes().startswith(b"\xef\xbb\xbfid,test,"), "offices would see a degree sign as two letters"
    table = pandas.read_csv(demo / "day.csv")
    metric = table["system_air_metric [psi]"].dropna()
    assert metric.dtype == float and list(metric) == [0.16, 0.15, 0.18]
    assert pandas.to_datetime(table["started"]).notna().all()


def test_a_correction_is_in_the_csv_and_the_old_value_is_not_taken_for_the_reading(demo: Path) -> None:
    table = pandas.read_csv(demo / "day.csv", dtype=str, keep_default_na=False)
    row = table[table["corrections"] != ""].to_dict("records")
    assert len(row) == 1 and row[0]["equilibrium.1.1 [psi]"] == "7.31"
    assert "7.13 psi" in row[0]["corrections"] and "7.31 psi counts" in row[0]["corrections"]


def test_text_that_could_tear_a_csv(tmp_path: Path) -> None:
    header = HEADER | {"job": 'Tern "Hollow", bridge; ä', "technician": "a,b"}
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path / "j", stdin=script(header=header))
    assert bowlside("log", "export", "--csv", tmp_path / "x.csv", "--journal", tmp_path / "j").code == 0
    row = pandas.read_csv(tmp_path / "x.csv", dtype=str, keep_default_na=False).to_dict("records")[0]
    assert row["job"] == header["job"] and row["technician"] == "a,b" and row["equilibrium.2.3 [psi]"] == "32.01"


def test_every_column_is_documented(tests: list[dict]) -> None:
    told = bowlside("log", "export", "--columns").out
    fixed = [name for name in csv_file.table(tests)[0] if "[" not in name]
    for name in fixed:
        if name not in csv_file.COLUMNS:  # a label of the header, or a reading without a unit
            assert any(name in one or name in (each["id"] for each in one["readings"]) for one in tests), name
    assert all(name in told for name in csv_file.COLUMNS)


# --- JSON, by its schema -------------------------------------------------------------------------------------------------

def test_the_json_fits_its_schema_and_is_the_record(demo: Path, tests: list[dict]) -> None:
    schema = json.loads(json_file.SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    text = (demo / "day.json").read_text()
    jsonschema.validate(json.loads(text), schema, format_checker=jsonschema.FormatChecker())
    found = loads(text)
    written = [each.pop("limits_written") for one in found["tests"] for each in one["results"]]
    assert [None, "0.20"] in written, "most readers of JSON make 0.2 of 0.20, and the last place decides"
    plain = [{key: one[key] for key in one if key not in ("corrections", "record", "before", "hash")} for one in found["tests"]]
    assert plain == [loads(dumps(one)) for one in tests]
    assert [str(each["rounded"]) for one in found["tests"] for each in one["results"]] == [
        str(each["rounded"]) for one in tests for each in one["results"]]
    assert '"value": 14.50' in text, "a trailing zero is lost"


def test_each_test_in_the_json_carries_its_record_and_its_place_in_the_chain(demo: Path) -> None:
    """Whoever has an export and, later, the journal can tell whether one is of the other."""
    found = json.loads((demo / "day.json").read_text())["tests"]
    with Journal(demo, write=False) as journal:
        ends = {span.test: [next(journal.between(seq)) for seq in (span.first, span.last)] for span in journal.spans()}
        record, origin = str(journal.identity), identity.origin(journal.identity)
    assert len(found) > 10 and found[0]["before"] == origin
    assert [(one["record"], one["before"], one["hash"]) for one in found] == [
        (record, ends[one["id"]][0].before, ends[one["id"]][1].hash) for one in found]
    assert [one["before"] for one in found[1:]] == [one["hash"] for one in found[:-1]]


@pytest.mark.parametrize("spoil", [
    lambda one: one.update(hash="f00"), lambda one: one.update(record="x"), lambda one: one.pop("readings"), lambda one: one.update(verdict="good"), lambda one: one["results"][0].update(value="5.7"),
    lambda one: one["results"][0].pop("standing"), lambda one: one.update(started="yesterday"), lambda one: one.update(id=0),
    lambda one: one["readings"][0].update(source="guess"), lambda one: one["results"][0].update(limits=[1]),
    lambda one: one.update(more={"a": 1})])
def test_the_schema_refuses_what_is_none(spoil, demo: Path) -> None:
    found = json.loads((demo / "day.json").read_text())
    spoil(next(one for one in found["tests"] if one["results"] and one["readings"]))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, json.loads(json_file.SCHEMA.read_text()))


def test_unfinished_and_scrapped_tests_fit_the_schema_too(tmp_path: Path) -> None:
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path / "j", stdin=script(dict(list(READINGS.items())[:-1])))
    both = ("--json", tmp_path / "x.json", "--pdf", tmp_path / "x.pdf")
    assert bowlside("log", "export", *both, "--journal", tmp_path / "j").code == 0
    found = json.loads((tmp_path / "x.json").read_text())
    jsonschema.validate(found, json.loads(json_file.SCHEMA.read_text()))
    assert found["tests"][0]["outcome"] == "not over"
    text = PdfReader(tmp_path / "x.pdf").pages[0].extract_text()
    assert "This test is not over." in text and "NO VERDICT" in text and "32.01" not in text


def test_no_number_has_more_figures_than_anybody_can_use(demo: Path, tests: list[dict]) -> None:
    """A quotient has 28; what was keyed and what is rounded keep their own."""
    written = (demo / "day.csv").read_text() + (demo / "day.json").read_text()
    shown = "".join(bowlside("log", "show", one["id"], *more, "--journal", demo).out
                    for one in (kind(tests, "density")[0], kind(tests, "sequential")[0]) for more in ((), ("--json",)))
    printed = "".join(page.extract_text() for page in PdfReader(demo / "day.pdf").pages)
    figures = [found.group().replace(".", "").lstrip("-0") for found in re.finditer(r"-?\d+\.\d+", written + shown + printed)]
    assert max(map(len, figures)) == DIGITS
    assert "141.365461847" in written and "141.365461847" in shown, "(43.00 - 7.80) / 0.249 = 141.36546184738..."


# --- PDF, by pypdf -------------------------------------------------------------------------------------------------------

def test_a_page_for_each_round_and_one_for_the_day(pages: list[str], tests: list[dict]) -> None:
    assert [page.partition(",")[0].partition(" INVENTED")[0] for page in pages] == [
        *["Fresh concrete report"] * 3, "Day's summary", "Appendix: where each rule comes from"]
    count = " ".join(pages).count("Made by Bowlside")
    assert [number for number in range(1, 30) if f"page {number} of {count} " in " ".join(pages) + " "] == list(range(1, count + 1))


def test_every_figure_of_the_record_stands_on_its_page(pages: list[str], tests: list[dict]) -> None:
    named = list(dict.fromkeys(one["round"] for one in tests))
    for one in tests:
        page = pages[named.index(one["round"])]
        for each in one["results"]:
            if each["rounded"] is None:
                assert f"{rows.result_name(each['name'])} no valid value" in page
                continue
            reported = f"{each['rounded']:f} {each['unit']}".strip()
            assert f"{rows.result_name(each['name'])} {reported}" in page and reported in pages[3], each
        for each in one["readings"]:
            assert rows.shown(each["value"]) in page, each
        for key in ("ticket", "truck", "sample", "location", "weather", "job", "mix", "producer"):
            assert str(one.get(key, "")) in page, key
        assert f"Test {one['id']}, {rows.title_of(one)}: {one['verdict'].upper().replace('NONE', 'NO VERDICT')}" in page


def test_how_far_the_metric_may_be_off_stands_wherever_it_does(demo: Path, tests: list[dict], pages: list[str]) -> None:
    told = ("System air metric ± 0.01 psi: what the gauge can tell. System air metric ± 0.08 psi: what repeating the test would "
            "give, two standard deviations.")
    assert all(told in page for page in pages[:3]) and told not in pages[3]
    assert "System air metric ±, gauge derived: ideal gas" in pages[4] and "±, repeat from memory, about 65 % sure" in pages[4]
    table = pandas.read_csv(demo / "day.csv", dtype=str, keep_default_na=False)
    for row, one in zip(table.to_dict("records"), tests):
        assert [row[f"system_air_metric uncertainty {name} [psi]"] for name in ("gauge", "repeat")] == (
            ["0.01", "0.08"] if one["test"] == "sequential" else ["", ""])
    assert [len(one["uncertainty"]) for one in loads((demo / "day.json").read_text())["tests"]] == [
        2 * (one["test"] == "sequential") for one in tests]
    shown = bowlside("log", "show", str(kind(tests, "sequential")[0]["id"]), "--journal", demo).out
    assert "System air metric ± 0.01 psi: what the gauge can tell" in shown and "± 0.08 psi: what repeating" in shown


def test_what_must_be_seen_is_on_the_pages(pages: list[str]) -> None:
    assert all("INVENTED DEMONSTRATION" in page and "no conformance is claimed" in page and "Local codes and licensed practice come first" in page for page in pages)
    for page in pages[:4]:
        for words in ("Signature, date", "Certification no.", "Checked by", "Technician", "T-07"):
            assert words in page
    for page in pages[:3]:
        for _, name in pdf_file.form.FIELDS:
            assert name in page, name
        assert "calibrated 20" in page and "Owner" in page and "Parish of Tern Hollow (invented)" in page
    assert "corrected: Equilibrium, run 1, step 1: 7.13 psi" in pages[1] and "7.13 psi" not in pages[0]
    assert "Slump 5.50 in. 140 mm 3 to 5 OUTSIDE" in pages[2]
    assert "Slump is accepted: the check test passed" in pages[2] and "The check test" not in pages[0]
    assert "Equilibrium, run 1, step 1: entered again" in pages[1] and "Leak hold: 299 samples" in pages[0]
    assert not any("[standing]" in page for page in pages), "that is a table of a file, not of the report"
    assert "Control chart: Air content" in pages[3]
    assert "27 tests, 3 rounds: 13 pass, 1 fail, 1 invalid, 12 without a verdict" in pages[3]


def test_a_page_without_results_and_without_a_meter_says_nothing_of_either(tests: list[dict], whole: dict) -> None:
    none = kind(tests, "slump")[0] | {"results": []}
    page, = paper([none], summary=False)
    assert "chamber ratio" not in page.extract_text()
    assert "chamber ratio 0.0600" in paper([whole], summary=False)[0].extract_text()
    single, = (one for one in paper([none | {"round": None}], summary=True) if "Day's summary" in one.extract_text())
    assert "1 test: 1 pass" in single.extract_text()


@pytest.mark.dates
def test_a_reading_and_its_result_say_one_thing_in_the_other_units(pages: list[str]) -> None:
    """110 mm stood beside 108 and 20.5 °C beside 20.6 (C143: to 5 mm, from memory; C1064-03: to 0.5 °C)."""
    assert "Slump 4.25 in. 110 mm 3 to 5" in pages[0] and "Slump 4.25 in. 110 mm 08:" in pages[0] and "108 mm" not in pages[0]
    assert "Temperature 69 °F 20.5 °C 50" in pages[1] and "Temperature 69 °F 20.5 °C 10:" in pages[1] and "20.6" not in pages[1]
    assert rows.reading_in_other_units({"value": D("105"), "unit": "mm"}, "half-even") == "4.25 in."
    assert rows.reading_in_other_units({"value": D("30"), "unit": "s"}, "half-even") == ""


def test_when_each_of_the_six_pressures_was_taken(pages: list[str], tests: list[dict]) -> None:
    for page, one in zip(pages, kind(tests, "sequential")):
        times = [each["taken"][11:19] for each in one["readings"] if each["id"].startswith("equilibrium") and not each["withdrawn"]]
        assert len(times) == 6 and sorted(times) == times and f"taken at {' '.join(times)}" in page


def test_where_a_rule_comes_from_stands_in_the_appendix_and_over_no_signature(pages: list[str], tests: list[dict]) -> None:
    for page in pages[:4]:
        assert not re.search(r"from memory|second-hand|no source|% sure", page)
        assert "appendix" in page or page is pages[3]
    its = [one["editions"] for one in tests] + [each["standing"] for one in tests for each in (*one["results"], *one["uncertainty"])]
    its += [each.standing for group in rows.rounds(tests) for each in findings.of_round(group.tests)]
    assert all(words in pages[4] for words in its) and len(set(its)) > 20, "nothing of it is lost"
    assert "Technician" not in pages[4] and pages[4].count("Slump test") == 1, "once, however many there were"


def test_the_document_is_dated_and_the_same_record_gives_the_same_bytes(whole: dict) -> None:
    first, second, later = io.BytesIO(), io.BytesIO(), io.BytesIO()
    for target, made in ((first, MADE), (second, MADE), (later, "2031-05-18T07:03:00-05:30")):
        pdf_file.write([whole], target, made)
    assert first.getvalue() == second.getvalue() != later.getvalue()
    for target, made in ((first, MADE), (later, "2031-05-18T07:03:00-05:30")):
        assert PdfReader(target).metadata.creation_date == datetime.fromisoformat(made), "when it was made, as its foot says"
    assert PdfReader(first).metadata.title == f"Fresh concrete report, {whole['started'][:10]}"


def test_a_calibration_of_after_the_test_is_not_told_as_its_own(tests: list[dict], whole: dict) -> None:
    day = date.fromisoformat(tests[0]["started"][:10])
    before, bowl, after = (Calibration(day + timedelta(days=off), ratio and D(ratio))
                           for off, ratio in ((-9, "0.06"), (-3, None), (3, "0.07")))
    for held, words in (((before, bowl, after), f"calibrated {before.on}"), ((after,), "calibration date: ____")):
        page, = paper([whole], meters={"M-3": Meter("M-3", day, calibrations=held)}, summary=False)
        assert words in " ".join(page.extract_text().split())


def test_a_withdrawn_value_is_struck_through(demo: Path, tests: list[dict]) -> None:
    cells = pdf_file._Told(next(one for one in tests if rows.corrections(one)))
    assert cells.cell("equilibrium.1.1") == "<strike>7.13</strike> 7.31"


def test_practice_is_marked_and_a_real_test_is_not(tmp_path: Path) -> None:
    for more, words in (({"practice": True}, "PRACTICE on a simulated meter"), ({}, None)):
        folder = tmp_path / f"j{len(more)}"
        bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script(header=HEADER | {"job": "A job"} | more))
        assert bowlside("log", "export", "1", "--pdf", folder / "x.pdf", "--journal", folder).code == 0
        texts = [page.extract_text() for page in PdfReader(folder / "x.pdf").pages]
        assert len(texts) == 2 and all((words in text if words else "PRACTICE" not in text) and "INVENTED" not in text for text in texts)


def test_a_name_that_latin_letters_do_not_cover(tmp_path: Path) -> None:
    """Any European letter is printed; in the place of any other character stands its number: none vanishes unseen."""
    given = script(header=HEADER | {"producer": "Żwir <Łęg> & Ωmega, Щит, Nguyễn, 混凝土"})
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=given)
    bowlside("log", "export", "--pdf", tmp_path / "x.pdf", "--journal", tmp_path)
    page = " ".join(PdfReader(tmp_path / "x.pdf").pages[0].extract_text().split())
    assert "Żwir <Łęg> & Ωmega, Щит, Nguyễn, [U+6DF7][U+51DD][U+571F]" in page


def test_every_character_of_ours_is_in_both_fonts() -> None:
    ours = {letter for source in (ROOT / "assistant").rglob("*") if source.suffix in (".py", ".toml", ".json", ".jsonl")
            and source.name not in ("screen.py", "layout.py", "big_digits.py", "address.py") for letter in source.read_text(encoding="utf-8")}
    drawn_in_comments = set("►─")
    axes.fonts()
    for font in (axes.FONT, f"{axes.FONT}-Bold"):
        lacking = [letter for letter in ours - drawn_in_comments if letter.isprintable()
                   and ord(letter) not in getFont(font).face.charToGlyph]
        assert not lacking, (font, lacking)


def test_a_job_fills_only_the_pages_of_its_own_tests(demo: Path, tests: list[dict]) -> None:
    its = job.load(demo / "job.toml")
    other = [{**{key: value for key, value in tests[0].items() if key != "owner"}, "job": "another job"}]
    page, = paper(other, job=its, summary=False)
    assert "Parish of Tern Hollow" not in page.extract_text()


def test_the_class_is_that_of_the_mix_that_was_tested(demo: Path, tests: list[dict]) -> None:
    its_job = job.load(demo / "job.toml")
    for mix, found in (("TH-40A", "AE, 3/4 in. aggregate"), ("TH-30B", "AE, 1 1/2 in. aggregate"), ("other", ""),
                       (None, "AE, 3/4 in. aggregate")):
        its = rows.Round("", ({**tests[0], "mix": mix},))
        assert dict(pdf_file.form.fields(its, its_job))["Mix class"] == found


def test_far_too_much_goes_on_on_the_next_page_and_nothing_is_lost(whole: dict) -> None:
    much = dict(whole, notes=[{"id": "n", "text": f"remark number {n:03}"} for n in range(300)])
    found = paper([much], summary=False)
    text = " ".join(page.extract_text() for page in found)
    assert len(found) > 1 and all(f"remark number {n:03}" in text for n in range(300)) and text.count("INVENTED") == len(found)


def test_a_long_title_is_not_cut_off_by_the_edge(tests: list[dict]) -> None:
    """Eight tests of one round with numbers of three digits are nothing unusual."""
    many = [{**tests[0], "id": 120 + number, "round": "R-119"} for number in range(8)]
    written: list[tuple[str, float]] = []
    paper(many, summary=False)[0].extract_text(visitor_text=lambda text, _cm, _tm, _font, size: written.append((text, size)))
    size = next(size for text, size in written if "Fresh concrete report" in text)
    assert stringWidth(pdf_file._title(rows.rounds(many)[0]), "Bowlside-Bold", size) <= WIDTH


def test_the_name_of_a_chart_stands_on_its_page(whole: dict) -> None:
    """However much stands above it."""
    drawn = drawings.pressure_steps(whole)
    for above in range(45, 70, 3):
        target, whole = io.BytesIO(), Paper(MADE)
        def fill(page: Page) -> None:
            for _ in range(above + 40):
                page.text("Above.")
            page.head("Control chart", drawn=True)
            page.drawing(drawn)
        whole.page("Day", [], fill)
        whole.write(target, "")
        pages = [page.extract_text() for page in PdfReader(target).pages]
        assert all(("run 2 over run 1" in words) == ("Control chart" in words) for words in pages), above


@pytest.mark.parametrize("gauge, word", [("14.42", "OUTSIDE"), ("14.55", "within")])
def test_a_gauge_stands_against_the_tolerance_that_judged_it(tmp_path: Path, gauge: str, word: str) -> None:
    three = tuple(enumerate(("14.50", "30.00", "45.00"), 1))
    readings = {f"{kind}.{number}": value for kind in ("reference", "gauge") for number, value in three}
    readings |= {"zero.reading": "0.00", "gauge.1": gauge}
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=script(readings, {"test": "gauge-check"}))
    with Journal(tmp_path, write=False) as journal:
        found = summary.of(journal, 1)
    row, = found["results"]
    assert row["limits"] == [None, D("0.05")] and rows.inside(row, found["rounding"]) == word
    assert found["verdict"] == {"OUTSIDE": "fail", "within": "pass"}[word]


def test_names_under_a_chart_never_run_into_one_another() -> None:
    def labels(sample: str, count: int) -> list[str]:
        return pdf_file._labels([one(100 + number, sample=f"{sample}{number}") for number in range(count)])
    assert labels("S-", 4) == ["S-0", "S-1", "S-2", "S-3"]
    assert labels("TH-40A, pier 2 stem, lift 1, sample ", 4) == ["100", "101", "102", "103"]
    found = labels("S-", 60)
    assert len(found) == 60 and found[0] == "100" and found[1] == "" and len("  ".join(filter(None, found))) <= pdf_file.LETTERS


def test_the_leak_curve_is_drawn_where_the_gauge_recorded_one(tests: list[dict], whole: dict) -> None:
    curved = [one["id"] for one in tests if one["leak_curve"]]
    other = kind(tests, "sequential")[1]
    assert curved == [kind(tests, "leak")[0]["id"]] and drawings.leak_curve(whole) is not None
    assert drawings.leak_curve(other) is None and drawings.pressure_steps(tests[0]) is None
    pages = [page.extract_text() for page in paper([whole, dict(other, round="")], summary=False)]
    assert ["minutes since the hold began" in words for words in pages] == [True, False]
    assert all("run 2 over run 1" in words for words in pages)


def test_a_drawing_shows_every_pressure_and_the_limit(whole: dict) -> None:
    steps, gain = drawings.pressure_axes(whole)
    assert [[psi for _, psi in steps.plotted[f"run {run}"]] for run in (1, 2)] == [
        [0, 14.5, 7.25, 30, 18.63, 45, 31.81], [0, 14.5, 7.32, 30, 18.77, 45, 31.97]]
    assert {"14.50", "7.25", "31.81", "7.32", "31.97", "run 1", "run 2"} <= set(steps.words)
    first, second = ([steps.x(step) for step, _ in steps.plotted[f"run {run}"]] for run in (1, 2))
    assert max(first) + 3 < min(second) and max(second) < steps.box[2], "no mark of one run hides one of the other"
    assert [round(height, 2) for _, height in gain.plotted["bars"]] == [0.07, 0.14, 0.16] and "limit 0.20" in gain.words
    bars = [one for one in gain.drawing.contents if isinstance(one, Rect) and one.fillColor == axes.GREY]
    assert [round(bar.height / bars[0].height, 2) for bar in bars] == [1, 2, 2.29], "as high as their values"


# --- ids, units, findings ------------------------------------------------------------------------------------------------

def one(ident: int, **labels: object) -> dict:
    return {"id": ident, "test": "slump", "title": "Slump test", "started": "2031-05-17T10:00:00+02:00", "outcome": "done",
            **labels}


@pytest.mark.parametrize(("pair", "words"), [
    ((one(1, sample="S-1"), one(2, sample="S-1")), "Tests 1 and 2 are both slump test of sample S-1"),
    ((one(1, sample="S-1", ticket="7"), one(2, sample="S-1", ticket="8", test="density")),
     "both carry sample S-1, but ticket 7 and 8"),
    ((one(1, ticket="7", truck="1"), one(2, ticket="7", truck="2")), "both carry ticket 7, but truck 1 and 2"),
    ((one(1, ticket="7", sample="S-1"), one(2, ticket="7", sample="S-2")), "both carry ticket 7, but sample S-1 and S-2")])
def test_swapped_ids_are_asked_about(pair: tuple[dict, dict], words: str) -> None:
    assert any(words in each for each in rows.doubts(pair)), rows.doubts(pair)
    for harmless in ({"check_of": "test 1"}, {"outcome": "scrapped"}, {"started": "2031-05-18T10:00:00+02:00"}):
        assert rows.doubts((pair[0], pair[1] | harmless)) == []


def test_swapped_ids_are_told_at_the_export(tmp_path: Path, demo: Path, tests: list[dict]) -> None:
    assert rows.doubts(tests) == []
    swapped = [dict(each, check_of=None) for each in tests]
    found = rows.doubts(swapped)
    assert len(found) == 1 and "slump test of sample S-3" in found[0]
    text = " ".join(" ".join(page.extract_text() for page in paper(swapped)).split())
    assert all(" ".join(each.split()) in text for each in found)


def judged(test: str, name: str, value: str, limits: tuple[str, str], **more: object) -> dict:
    low, high = map(D, limits)
    result = {"name": name, "value": D(value), "unit": "", "rounded": D(value), "limits": [low, high]}
    return one(1, rounding="half-even", settings=Settings().to_mapping(), results=[result], **more) | {
        "test": test, "title": test, "verdict": "pass" if low <= D(value) <= high else "fail"}


def slump(value: str, **more: object) -> dict:
    return judged("slump", "slump", value, ("3", "5"), **more)


def air(value: str, kind: str = "pressure-air", **more: object) -> dict:
    return judged(kind, "air_content", value, ("4.5", "7.5"), **more)


def told_of(tests: list[dict]) -> list[str]:
    return [each.words for each in findings.of_round(tests)]


def test_what_follows_a_failure() -> None:
    assert told_of([slump("4")]) == []
    assert "check test at once" in told_of([slump("6")])[0]
    assert told_of([slump("6"), slump("2")]) == [
        "Slump fails: the check test failed too.", "The load fails by slump."], "whatever else was to be done"
    told, = told_of([slump("6"), slump("4")])
    assert "Slump is accepted: the check test passed" in told and "load" not in told
    for pair in (("7.7", "6.0"), ("6.0", "7.7")):  # one of them failed, and no check test was done of it
        told, = told_of([air(pair[0], "sequential"), air(pair[1], "pressure-air")])
        assert "check test at once" in told and ("sequential" if pair[0] == "7.7" else "pressure-air") in told
    assert "check test at once" in told_of([slump("2", preliminary="no")])[0]
    assert "too low in a preliminary" in told_of([slump("2", preliminary="yes")])[0].lower()


def test_the_load_is_on_the_report_and_in_the_exports_once_and_the_same(tmp_path: Path) -> None:
    """Which tests the round was to have is in the record: a round that was left says that it is not judged, and why."""
    whole = {"round": "R-1", "round_tests": "slump, pressure-air"}
    for tests, verdict, words in (
            ([slump("6", **whole), slump("4", check_of="slump", **whole)], "open", "The load is not judged: air has no valid result"),
            ([slump("6", **whole), slump("4", check_of="slump", **whole), air("6", **whole)], "accepted", "The load is accepted"),
            ([slump("6", **whole), slump("4", check_of="slump", **whole), air("8", **whole)], "open", "air content is not accepted")):
        told = [each for each in told_of(tests) if "load" in each]
        assert len(told) == 1 and words in told[0]
        empty = {key: [] for key in ("readings", "warnings", "notes", "uncertainty", "deviations")} | {"why": ""}
        exported = json_file.document([{**each, **empty} for each in tests], "now")["rounds"]
        assert [(each["round"], each["load"]["verdict"]) for each in exported] == [("R-1", verdict)]
        assert {row["load verdict"] for row in csv_file.table([{**each, **empty} for each in tests])} == {verdict}
        assert words.lower() in exported[0]["load"]["why"].lower() and [each["name"] for each in exported[0]["properties"]][:1] == ["slump"]


@pytest.mark.dates
def test_a_round_over_midnight_is_one_round_of_its_first_day() -> None:
    """Else its page would ask for the check test that was done after midnight, and a page of the next day would not know why."""
    walls = [f"2031-05-{wall}:00+02:00" for wall in ("17T23:50", "17T23:58", "18T00:03", "18T09:00", "18T23:00", "19T03:30")]
    named = ["R-1", "R-1", "R-1", None, "R-5", "R-5"]
    told = [one(number, started=wall, round=name) for number, (wall, name) in enumerate(zip(walls, named), 1)]
    assert [[each["id"] for each in group.tests] for group in rows.rounds(told)] == [[1, 2, 3], [4], [5], [6]]
    assert rows.rounds(told)[0].day == "2031-05-17"
    six = type("Six", (), {"briefs": told, "damaged": [], "whole": lambda _, test: told[test - 1]})()
    for day, ids in ((17, [1, 2, 3]), (18, [4, 5]), (19, [6])):
        assert [each["id"] for each in rows.chosen(six, day=date(2031, 5, day))] == ids


@pytest.mark.dates
def test_what_belongs_together_after_midnight_is_told_by_its_age(monkeypatch: pytest.MonkeyPatch) -> None:
    """By dates alone a test at 1:00 belonged to a round of noon the day before, and one at 3:30 not to that of midnight."""
    def days(*walls: str) -> list[list[int]]:
        told = [one(number, started=f"2031-05-{wall}", round="R-1", sample="S-1") | {"test": f"t{number}"}
                for number, wall in enumerate(walls, 1)]
        return [[each["id"] for each in group.tests] for group in rows.rounds(told)]
    assert days("17T12:00:00+02:00", "18T01:00:00+02:00") == [[1], [2]]
    assert days("17T23:50:00+02:00", "18T02:00:00+02:00", "18T03:30:00+02:00") == [[1, 2, 3]]
    assert days("17T12:00:00+02:00", "17T18:00:00+02:00") == [[1, 2]], "of one day"
    assert days("18T10:00:00+02:00", "17T10:20:00+02:00") == [[1, 2]], "the clock was set back"
    assert days("17T23:50:00+02:00", "18T03:30:00+03:00") == [[1, 2]], "2 h 40 min: the clocks went on an hour"
    assert days("17T23:50:00+02:00", "18T02:40:00+01:00") == [[1], [2]], "3 h 50 min: they went back"
    told = [one(1, started="2031-05-17T23:50:00+02:00", round="R-1", sample="S-1"),
            one(2, started="2031-05-18T00:20:00+02:00", round="R-1", sample="S-1")]
    assert "is one sample id wrong?" in " ".join(rows.doubts(told))


# --- the command ---------------------------------------------------------------------------------------------------------

@pytest.mark.dates
def test_only_what_was_asked_for(demo: Path, tmp_path: Path, tests: list[dict]) -> None:
    day = tests[0]["started"][:10]
    every = [str(each["id"]) for each in tests]
    for args, ids in ((["4", "2"], ["2", "4"]), (["--day", day], every), (["8", "--day", day], ["8"])):
        assert bowlside("log", "export", *args, "--csv", tmp_path / "x.csv", "--journal", demo).code == 0
        assert list(pandas.read_csv(tmp_path / "x.csv", dtype=str)["id"]) == ids
    other = bowlside("log", "export", "--day", "2031-05-17", "--csv", tmp_path / "y.csv", "--journal", demo)
    other.is_one_sentence(1, "2031-05-17")
    assert not (tmp_path / "y.csv").exists()


@pytest.mark.parametrize(("args", "code", "part"), [
    ([], 2, "--csv FILE"), (["--csv", "x.csv", "--day", "17.5."], 2, "2031-05-17"), (["99", "--csv", "x.csv"], 1, "no test 99"),
    (["--csv", "none/x.csv"], 2, "no folder"), (["--csv", ""], 2, "is a folder: name a file in it"),
    (["--pdf", "/"], 2, "/ is a folder"), (["--csv", "day", "--json", "./day"], 2, "named twice"),
    (["--pdf", "x.pdf", "--job", "none.toml"], 2, "none.toml")])
def test_bad_use_is_one_sentence(args: list[str], code: int, part: str, demo: Path, tmp_path: Path,
                                 monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    bowlside("log", "export", *args, "--journal", demo).is_one_sentence(code, part)
    assert list(tmp_path.iterdir()) == []


def test_the_demo_never_writes_into_a_folder_in_use(demo: Path) -> None:
    bowlside("log", "export", "--demo", demo).is_one_sentence(2, "not empty")


def test_a_failed_export_leaves_the_old_file(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.csv"
    path.write_text("old")
    def full(tests, target, more):
        target.write("half")
        raise OSError(28, "No space left on device", str(path))
    monkeypatch.setattr(csv_file, "write", full)
    done = bowlside("log", "export", "--csv", path, "--journal", demo)
    assert done.code == 1 and "No space left" in done.err and path.read_text() == "old" and list(tmp_path.iterdir()) == [path]


def test_without_the_packages_for_pdf_it_says_so_and_csv_works(demo: Path, tmp_path: Path) -> None:
    code = ("import sys; sys.modules['reportlab'] = None; from assistant.cli import main; "
            f"sys.exit(main(['log', 'export', '4', '--{{0}}', {str(tmp_path / 'x')!r}, '--journal', {str(demo)!r}]))")
    def done(kind: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-c", code.format(kind)], cwd=ROOT, capture_output=True, text=True, timeout=60)
    refused = done("pdf")
    assert refused.returncode == 2 and "reportlab" in refused.stderr and "network" in refused.stderr
    assert "Traceback" not in refused.stderr
    assert not (tmp_path / "x").exists() and done("csv").returncode == 0 and (tmp_path / "x").exists()


def test_a_start_does_not_wait_for_what_only_the_report_needs() -> None:
    code = "import sys, assistant.cli; print([n for n in sys.modules if n.split('.')[0] in ('reportlab', 'PIL')])"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True).stdout.strip() == "[]"
    code = ("import sys; from assistant.report import pdf_file, axes; axes.fonts(); "
            "print([n for n in sys.modules if n.split('.')[0] in ('numpy',)])")
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True).stdout.strip() == "[]"


def test_read_out_tells_units_of_other_tests(demo: Path, tests: list[dict]) -> None:
    slump_id, density_id = (kind(tests, name)[0]["id"] for name in ("slump", "density"))
    words = {line["id"]: line["words"] for line in bowlside("log", "read", slump_id, "--json", "--journal", demo).lines()}
    assert words["slump"] == "Slump: four, point, two, five inches." and words["verdict"].endswith("slump 4.25 inches.")
    density = bowlside("log", "read", density_id, "--journal", demo).out
    assert "Tare: seven, point, eight, zero pounds." in density and "one, four, one, point, four pounds a cubic foot" in density
