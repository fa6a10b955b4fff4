"""Control charts and acceptance of one job over all its stations, by the same arithmetic as a station's own report."""
from __future__ import annotations

from collections.abc import Sequence

from assistant.board import pages as board
from assistant.board.markup import Html, el, join
from assistant.office.pages import frame
from assistant.office.pages.frame import words
from assistant.report import findings, lots, series
from assistant.report.rows import Test, result_name, shown


def of(job: str, given: series.Job | None, history: Sequence[Test], today: str, left_out: int = 0, reader: str = "") -> Html:
    """``history``: tests of all stations as ``job_history.history`` gives them, oldest first. ``given``: the job's file, where the office
    has it. ``left_out``: how many there are, where older ones are not among them: then no lot can be counted."""
    drawn = [_chart(chart) for chart in _charts(history, given)]
    return frame.page(
        "/jobs", words("charts_of", job=job or words("no_job")), el("p", frame.link("/job", words("back_to_job"), name=job)),
        frame.notices([words("left_out", count=left_out)] if left_out else []),
        el("p", words("charts_told")), None if given else el("p", words("no_job_file")),
        frame.region("charts", el("div", [_levels(*each) for each in drawn], class_="charts")
                     if drawn else el("p", words("no_charts"))),
        None if left_out else frame.region("acceptance", _acceptance(lots.of(history, given, today), given)), reader=reader)


def _charts(history: Sequence[Test], given: series.Job | None) -> list[series.Chart]:
    """One for each result of one mix that has two samples or more, the newest of any day."""
    found = []
    its = series.of(history, series.CHARTED)
    for key, samples in sorted(its.items(), key=lambda each: (each[0].mix, series.CHARTED.index(each[0].name))):
        if len(samples) > 1:
            title = ", ".join(filter(None, [result_name(key.name), f"{words('mix')} {key.mix}" if key.mix else "",
                                            words("practice") if key.practice else ""]))
            levels = given.levels.get(key.name) if given else None
            found.append(series.Chart(title, key, samples, levels or series.Levels()))
    return found


def _chart(one: series.Chart) -> tuple[dict[str, object], list[str]]:
    low, high = one.limits
    newest = one.samples[-series.POINTS:]
    points = [each.point(str(each.tests[0].get("sample") or each.tests[0]["id"])) for each in one.samples]
    signals = findings.of_chart(one.samples, points, one.key, one.levels, one.samples[-1].day)
    return {"title": one.title, "unit": one.key.unit,
            "points": [[each.label, shown(each.value)] for each in points[-len(newest):]],
            "lower": None if low is None else shown(low), "upper": None if high is None else shown(high),
            "target": None if one.levels.target is None else shown(one.levels.target)}, [each.words for each in signals]


def _levels(chart: dict[str, object], told: Sequence[str]) -> Html:
    return join(board.chart_of(chart, heading="h2"), frame.lines(told))


def _acceptance(accepted: Sequence[lots.Accepted], given: series.Job | None) -> Html:
    if given is None or not given.acceptance:
        return frame.section(words("acceptance"), el("p", words("no_acceptance" if given else "no_job_file")))
    return frame.section(words("acceptance"), join(
        frame.table(words("acceptance"), lots.HEAD, lots.table(accepted)) if accepted else el("p", words("no_lots")),
        frame.lines(lots.sentences(accepted)), el("p", words("acceptance_told"), class_="note")))
