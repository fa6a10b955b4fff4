"""The office's pages as HTML: every text is shown, none is markup; practice, two histories and what is wrong are said."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant import job
from assistant.board.markup import Html
from assistant.core.language import CURRENT
from assistant.core.phrases import capital
from assistant.job.commands import EXAMPLE
from assistant.office import job_history
from assistant.office.pages import charts, doubts, frame, jobs, one_test, stations
from assistant.record import log
from assistant.record import page as record_page
from assistant.report import cylinders
from tests.board.test_pages import NASTY, Parsed
from tests.office import listed
from tests.office.listed import AT, RECORD, STATION

PAGES = Path(frame.__file__).parent
KEPT = ("method", "outcome", "verdict", "wall", "kind", "unit", "started", "id", "test", "round_tests")
"""Texts that the program itself gives its meaning; the station's own record of them is checked when it arrives."""


def marked(data: Any) -> Any:
    """Every text of it with markup in it, but for those above and times."""
    if isinstance(data, dict):
        return {key: value if key in KEPT else marked(value) for key, value in data.items()}
    if isinstance(data, list):
        return [marked(value) for value in data]
    return data + NASTY if isinstance(data, str) else data


@pytest.fixture(autouse=True)
def each_list_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frame, "MOST", 1)


def every(nasty: bool) -> Iterator[tuple[str, Html]]:
    def its(data: Any) -> Any:
        return marked(data) if nasty else data
    whole = list(listed.whole())
    tests = [its({**test, "settings": test["settings"]}) if not nasty else {**its(test), **{
        key: test[key] for key in ("settings", "results", "uncertainty", "started", "rounding", "leak_curve")}} for test in whole]
    rows = [its(listed.row(test)) for test in whole]
    reader = f"Reader{NASTY}" if nasty else "Reader"
    yield "stations", stations.now([its(listed.station()), its(listed.station(piece=None, heard_at=None))], AT, reader)
    yield "station", stations.station(its(listed.station()), [{"id": RECORD, "first_seen": AT}], rows,
                                         listed.results(*whole), AT, reader)
    yield "jobs", jobs.listed([{"name": "Pier", **rows[0]}, {"name": f"{NASTY if nasty else ''}", "piece": None}], reader)
    yield "job", jobs.one(f"Pier{NASTY if nasty else ''}", rows[::-1], listed.results(*whole), reader)
    compared = its({"name": "slump", "unit": "in.", "mix": "MX", "who": "T-07", "count": 3, "mean": "4.00", "deviation": "0.25",
                    "failed": 0, "checks": 1}) | {"name": "slump"}
    yield "people", jobs.people("Pier", True, [compared], [compared], "2031-01-01", reader)
    yield "people shut", jobs.people("Pier", False, [], [], "2031-01-01", reader)
    yield "test", one_test.whole({**rows[0], "another_history": True}, tests[0], [rows[1]], reader)
    yield "round", one_test.round_of("R-4", "2031-05-17", [(rows[3:], tests[3:])] * 2, reader)
    event = its({"seq": 1, "wall": "2031", "boot": "b", "body": "{}", "hash": b"\1" * 32})
    yield "events", one_test.events(rows[0], [event] * 4, reader)
    yield "doubts", doubts.page({
        "gaps": [its({"found_at": AT, "record": RECORD, "piece": b"\1" * 32, "why": "A why.", "number": 3, "first": 5,
                      "last": 9, "station": STATION, "station_name": "Pier"}) | {"kind": kind}
                 for kind in ("missing", "damaged", "lost", "two histories", "unreadable")],
        "invalid": [rows[0]],
        "refused": [its({"at": AT, "first_at": AT, "station": STATION, "hash": b"\1" * 32, "why": "A why.",
                         "times": 2, "station_name": "P"})]},
        reader)
    made = cylinders.made(whole[-1])
    assert made is not None
    yield "due", doubts.due([(rows[-1], made)], [its({
        "name": "T-07", "good_until": date(2031, 1, 1), "told": "", "record": RECORD, "piece": b"\1" * 32, "station": STATION,
        "station_name": "P"}) | {"kind": "certificate"}], [its({
            "name": "M-1", "calibration_good_until": date(2031, 1, 1), "leak_hold_on": None, "leak_verdict": "fail",
            "station_name": "P"})], AT, reader)
    history = [{**each, **its({key: each[key] for key in ("job", "mix")})} for each in job_history.one_history(
        {**row, "brief": test} for row, test in zip(rows * 2, tests * 2))]
    yield "charts", charts.of("Pier", None, history, "2031-05-17", 7, reader)
    yield "told", frame.only(reader)


@pytest.mark.parametrize("nasty", [False, True])
def test_every_text_is_shown_and_none_is_markup(nasty: bool) -> None:
    for name, html in every(nasty):
        parsed = Parsed(html)
        assert parsed.open == [], name
        for tag, attributes in parsed.tags:
            assert tag != "style" and not any(key.startswith("on") or key == "style" for key in attributes), (name, tag)
            assert tag != "b" or not attributes, (name, "a label became markup")
            assert tag != "script" or attributes == {"src": "/static/office.js", "defer": None}, name
            for key in ("src", "href", "action"):
                to = attributes.get(key) or "/"
                assert (to.startswith("/") and not to.startswith("//")) or to == "#main", (name, to)
        assert not nasty or NASTY in parsed.text, name


def test_ids_are_unique_and_each_page_has_one_heading() -> None:
    for name, html in every(False):
        tags = Parsed(html).tags
        ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
        assert len(ids) == len(set(ids)), name
        assert [tag for tag, _ in tags].count("h1") == 1, name


def test_every_sentence_is_used_and_every_used_one_is_there() -> None:
    """A sentence that no page says is one to translate for nothing."""
    code = "".join(path.read_text(encoding="utf-8") for path in PAGES.glob("*.py"))
    made = {
        f"{start}_{kind}{end}" for start, kinds in (("doubt", doubts.KINDS), ("due", ("sets", "gear", "meters")))
        for kind in kinds for end in ("", "_told")} | {
        f"gap_{kind}" for kind in ("missing", "damaged", "lost", "two_histories", "unreadable")}
    for ident in (key.partition(".")[2] for key in CURRENT.sentences if key.startswith("office_page.")):
        assert ident in made or f'"{ident}"' in code, ident


def test_a_test_is_told_in_the_words_of_log_show() -> None:
    test = listed.whole()[0]
    text = Parsed(one_test.whole(listed.row(test), test, [])).text
    its = record_page.of(test)
    for words in (its.verdict, capital(its.why), *(value for _, value in (*its.results, *its.more)), *its.table, *its.other_rows,
                  *(value for _, value in log.labels(test)), *map(capital, log.remarks(test)), test["editions"],
                  *(each["standing"] for each in test["results"]), *(str(each["value"]) for each in test["readings"])):
        assert words in text, words
    assert 'keypad "31.62" + keypad "31.62"' in text, "how it was earned"


def test_what_was_withdrawn_is_struck_out_and_said_so() -> None:
    test = listed.whole()[0]
    first = {**test["readings"][0], "withdrawn": "misread"}
    html = one_test.whole(listed.row(test), {**test, "readings": [first, *test["readings"]]}, [])
    assert re.search(r"<s>08:00:28 .*?</s> WITHDRAWN: misread", html)


def test_practice_is_marked_wherever_a_test_is_listed() -> None:
    test = {**listed.whole()[0], "practice": True}
    row = listed.row(test)
    for html in (stations.now([listed.station(practice=True, trial=True)], AT), jobs.one("Pier", [row], {}),
                 doubts.page({"invalid": [row]}), one_test.whole(row, test, []),
                 one_test.round_of("R", "2031", [([row], [test])])):
        assert "PRACTICE" in html
    assert "A trial: only practice comes from it" in stations.now([listed.station(trial=True)], AT)


def test_two_histories_are_shown_as_two() -> None:
    test = listed.whole()[0]
    here, there = listed.row(test, another_history=True), listed.row(test, piece=b"\x0f" * 32, another_history=True)
    assert "One of two histories" in jobs.one("Pier", [here], {})
    html = one_test.whole(here, test, [there])
    assert "has another history" in html and frame.test_path(there) in html and frame.test_path(here) in html


def test_what_is_wrong_with_a_station_is_a_sentence() -> None:
    told = {name: stations.troubles(listed.station(**changes), AT) for name, changes in {
        "fine": {}, "revoked": {"revoked_at": AT}, "new": {"heard_at": None}, "silent": {"heard_at": AT - timedelta(hours=2)},
        "clock": {"clock_off_s": -31536000.0}, "gaps": {"gaps": 2}}.items()}
    assert told.pop("fine") == [] and all(len(sentences) == 1 for sentences in told.values())
    assert "364 days behind" in stations.now([listed.station(clock_off_s=-364 * 86400.0)], AT)


@pytest.mark.parametrize(("seconds", "words"), [(0, "within the last minute"), (59, "within the last minute"), (61, "1 min ago"),
                                                (7199, "119 min ago"), (7200, "2 h ago"), (86400 * 3, "3 days ago")])
def test_how_long_ago_seldom_changes(seconds: int, words: str) -> None:
    """Else a page that nothing happens to would be sent again every two seconds."""
    assert frame.ago(AT - timedelta(seconds=seconds), AT) == words


def test_people_are_compared_only_where_the_job_allows_it() -> None:
    row = {"name": "slump", "unit": "in.", "mix": "", "who": "T-07", "count": 1, "mean": "4", "deviation": "", "failed": 0,
           "checks": 0}
    shut, told = jobs.people("Pier", False, [row], [row], "2031-01-01"), jobs.people("Pier", True, [row], [row], "2031-01-01")
    assert "T-07" not in shut and "does not let the office compare people" in shut
    assert "T-07" in told and "says nothing by itself" in told


def test_the_way_on_is_by_the_key_of_the_last_row(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [listed.row(test) for test in listed.whole()]
    monkeypatch.setattr(frame, "MOST", len(rows) + 1)
    assert 'class="more"' not in jobs.one("Pier", rows, {}), "all are there"
    monkeypatch.setattr(frame, "MOST", len(rows))
    assert 'class="more"' in jobs.one("Pier", rows, {})
    assert "OFFSET" not in (PAGES / "queries.py").read_text().upper()


def test_the_same_round_at_two_stations_is_two() -> None:
    """Each station begins with round R-1."""
    test = listed.whole()[4]
    rows = [listed.row(test), listed.row(test, record="another", station_name="Other")]
    html = jobs.one("Pier", rows, {})
    assert "Round R-4, Pier station" in html and "Round R-4, Other" in html
    history = job_history.one_history({**row, "brief": test} for row in rows)
    assert len({each["id"] for each in history}) == len({each["round"] for each in history}) == 2


def test_charts_and_lots_are_those_of_a_station_where_there_is_one(tmp_path: Path) -> None:
    """Ten samples at one station, ten by turns at two: the same points and the same lots, by the arithmetic of the report."""
    path = tmp_path / "job.toml"
    path.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    given = job.load(path)
    name = next(iter(given.acceptance))
    base = next(test for test in listed.whole() if any(each["name"] == name for each in test["results"]))
    result = next(each for each in base["results"] if each["name"] == name)
    tests = [{**base, "id": number, "job": given.labels["job"], "mix": "", "sample": f"S-{number}", "round": f"R-{number}",
              "started": f"2031-05-{number:02}T08:00:00-05:00",
              "results": [{**result, "rounded": result["rounded"] + Decimal(number % 3) / 10}]} for number in range(1, 11)]
    rows = [listed.row(test, station_name=f"Station {test['id'] % 2}") for test in tests]
    history = job_history.one_history({**row, "brief": test} for row, test in zip(rows, tests))
    told = charts.of("Pier", given, history, "2031-05-20")
    from assistant.report import lots
    alone = lots.of(tests, given, "2031-05-20")
    assert alone and lots.table(alone)
    text = Parsed(told).text
    for row in lots.table(alone):
        assert all(cell in text for cell in row), row
    assert "Station 1 S-1" in text and "Station 0 S-2" in text


def test_a_leak_hold_of_yesterday_is_no_alarm_and_one_that_failed_is() -> None:
    row = {"name": "M-1", "calibration_good_until": date(2032, 1, 1), "leak_hold_on": date(2031, 5, 16), "leak_verdict": "pass",
           "station_name": "Pier"}
    told = [doubts.due([], [], [{**row, **changes}], AT) for changes in (
        {}, {"leak_verdict": "fail"}, {"calibration_good_until": date(2031, 5, 16)})]
    assert ['class="alarm"' in html for html in told] == [False, True, True] and "OVERDUE" in told[2]
