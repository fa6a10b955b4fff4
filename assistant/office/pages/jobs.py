"""Jobs: all of them, one with its rounds and tests, and who and what it was tested with, compared."""
from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from assistant.board.markup import Html, el, join
from assistant.office.pages import frame
from assistant.office.pages.frame import Row, words
from assistant.report.rows import result_name


def listed(jobs: Sequence[Row], reader: str = "") -> Html:
    """By name, each with its newest test."""
    made = [el("li", [el("h2", frame.link("/job", _named(each["name"]), name=each["name"])),
                      _newest(each) if each.get("piece") else None],
               class_="practice" if each.get("practice") else None) for each in jobs]
    return frame.page("/jobs", words("jobs"), frame.region(
        "jobs", frame.rows(made, words("no_jobs")), frame.more("/jobs", jobs, ("name",))), reader=reader)


def _newest(each: Row) -> Html:
    return join(frame.verdict_line(each, frame.test_link(each), " "),
                frame.pairs([(words("at"), frame.wall(each)), (words("station"), each["station_name"])]), frame.mark_lines(each))


def _named(job: str) -> str:
    return job or words("no_job")


def one(job: str, tests: Sequence[Row], results: Mapping[Any, Iterable[Row]], reader: str = "") -> Html:
    """Its tests, newest first, those of one round together."""
    ways = [("/job/charts", "charts"), ("/job/people", "people")]
    newest = tests[0] if tests else None
    said = words("newest", station=newest["station_name"], test=frame.test_name(newest),
                 verdict=frame.record_page.verdict(str(newest["verdict"]))) if newest else ""
    return frame.page("/jobs", _named(job), el("ul", [el("li", frame.link(path, words(name), name=job)) for path, name in ways],
                                               class_="links"),
                      frame.region("tests", join(*(_round(list(its), results) for _, its in groupby(_together(tests), _round_of)))
                                   if tests else el("p", words("no_test")),
                                   frame.more("/job", tests, ("started", "record", "piece"), words("older"), name=job)),
                      reader=reader, said=said)


def _round_of(test: Row) -> tuple[Any, ...]:
    """What the tests of one round share; a test of no round is by itself."""
    return (test["record"], str(test["round"]), test["day"]) if test["round"] else (test["record"], bytes(test["piece"]))


def _together(tests: Sequence[Row]) -> list[Row]:
    """Those of one round one after the other, where the newest of them stands: stations work side by side."""
    places: dict[tuple[Any, ...], list[Row]] = {}
    for test in tests:
        places.setdefault(_round_of(test), []).append(test)
    return [test for its in places.values() for test in its]


def _round(tests: Sequence[Row], results: Mapping[Any, Iterable[Row]]) -> Html:
    first = tests[0]
    title = words("round", name=first["round"], station=first["station_name"], day=first["day"]) if first["round"] \
        else words("single", station=first["station_name"], day=first["day"])
    known = dict.fromkeys((words(name), test[name]) for test in tests for name in ("sample", "ticket", "mix") if test[name])
    return el("section", [
        el("h2", frame.link(f"/round/{first['record']}", title, name=first["round"], day=first["day"])
           if first["round"] else title),
        frame.pairs(known),
        el("ul", [frame.row_of_test(test, frame.of_results(results.get(frame.key(test), ()))) for test in tests], class_="rows")])


def people(job: str, allowed: bool, technicians: Sequence[Row], meters: Sequence[Row], since: str, reader: str = "") -> Html:
    """Technicians and meters side by side, where the job allows that. Each row: who, result, unit, mix, count, mean and standard
    deviation; each other's concrete differs too, and the page says so."""
    title = words("people_of", job=_named(job))
    back = el("p", frame.link("/job", words("back_to_job"), name=job))
    if not allowed:
        return frame.page("/jobs", title, back, el("p", words("people_shut")), reader=reader, live=False)
    return frame.page("/jobs", title, back, el("p", words("people_told", since=since)),
                      _compared(words("technicians"), words("technician"), technicians),
                      _compared(words("meters"), words("meter"), meters), reader=reader, live=False)


def _compared(title: str, who: str, found: Sequence[Row]) -> Html:
    """A table for each result of one mix, so that what stands in one column may be compared."""
    parts = []
    for (name, unit, mix), its in groupby(found, key=lambda row: (row["name"], row["unit"], row["mix"])):
        told = ", ".join(filter(None, [result_name(name), unit, mix]))
        parts += [el("h3", told), frame.table(
            f"{title}: {told}", [who, words("count"), words("mean"), words("deviation"), words("failed"), words("checks")],
            [(row["who"] or words("unnamed"), *(row[cell] for cell in ("count", "mean", "deviation", "failed", "checks")))
             for row in its])]
    return el("section", [el("h2", title), parts or el("p", words("nothing_to_compare"))])
