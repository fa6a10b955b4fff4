"""One test with its whole record, and a round's tests together: in the words of `log show`."""
from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from assistant.board import drawings
from assistant.board import pages as board
from assistant.board.markup import Html, el, join
from assistant.core.assessment import Uncertainty
from assistant.core.phrases import capital
from assistant.office.pages import frame
from assistant.office.pages.frame import Row, words
from assistant.record import log
from assistant.record import page as record_page
from assistant.report import findings
from assistant.report.rows import Test, marks, reading_name, result_name, title_of


def whole(row: Row, test: Test, others: Sequence[Row], reader: str = "") -> Html:
    """``row``: how it is listed; ``test``: as ``summary.of`` gives it. ``others``: the same number in another history."""
    its, path = record_page.of(test), frame.test_path(row)
    title = words("test", number=row["number"], title=title_of(test))
    ways = [(f"{path}.pdf", words("pdf")), (f"{path}/events", words("events"))]
    if row["round"]:
        ways.insert(0, (_round_path(row), words("to_round", name=row["round"])))
    return frame.page("/jobs", title, frame.region(
        "test", frame.notices(marks([test])), _histories(others),
        frame.pairs([(words("station"), el("a", row["station_name"], href=f"/station/{row['station']}")),
                     (words("at"), str(test["started"])[:19].replace("T", " ")), (words("outcome"), test["outcome"])]),
        board.verdict_of({"word": its.verdict, "why": frame.why(row), "results": [
            {"name": name, "value": value} for name, value in (*its.results, *its.more)]}),
        el("ul", [el("li", el("a", text, href=to)) for to, text in ways], class_="links"),
        frame.section(words("by_steps"), el("pre", "\n".join([*its.table, *its.other_rows]), tabindex="0", role="region",
                                            aria_label=words("by_steps")) if its.table else None),
        _leak(test),
        frame.section(words("doubts_of_test"), frame.lines(map(capital, its.doubts))),
        frame.section(words("entered"), frame.lines(_reading(each) for each in test["readings"])),
        frame.section(words("remarks"), frame.lines(map(capital, log.remarks(test)))),
        frame.section(words("labels"), frame.pairs(_labels(test))),
        frame.section(words("rules", rounding=test["rounding"]), frame.lines(_rules(test))),
        frame.section(words("record"), el("p", words("record_told")), frame.pairs(
            [(words("record_id"), el("code", str(row["record"]))), (words("hash"), el("code", bytes(row["piece"]).hex())),
             (words("events_from"), f"{row['first']} to {row['last']}"),
             (words("received"), f"{row['received_at']:%Y-%m-%d %H:%M:%S %Z}")]))), reader=reader)


def _labels(test: Test) -> list[tuple[object, object]]:
    """Its round, job and people: each a way on where there is one."""
    return [(name, frame.link("/job", value, name=value) if name == "job" else value) for name, value in log.labels(test)]


def _round_path(row: Row) -> str:
    return frame.to(f"/round/{row['record']}", name=row["round"], day=row["day"])


def _histories(others: Sequence[Row]) -> Html:
    """A restored backup that went on: what stands here is one history, and there is another."""
    return join([el("p", [words("another_history"), " ", frame.test_link(each), " ", frame.verdict(each)], class_="notice-line")
                 for each in others])


def _reading(one: dict[str, Any]) -> Html:
    ways = " + ".join(f'{each["source"]} "{each["verbatim"]}"' for each in one["entries"])
    value = f"{one['value']} {one['unit']}".rstrip()
    told = join(str(one["taken"])[11:19], " ", el("b", reading_name(one["id"])), f" {value} ({ways})")
    return join(el("s", told), " ", words("withdrawn", why=one["withdrawn"])) if one["withdrawn"] else told


def _leak(test: Test) -> Html:
    points = [(float(s), float(psi)) for s, psi in test["leak_curve"]]
    if len(points) < 2:
        return Html("")
    told = board.words("curve_told", first=f"{points[0][1]:g}", last=f"{points[-1][1]:g}", unit="psi",
                       seconds=f"{points[-1][0] - points[0][0]:.0f}")
    return frame.section(board.words("curve"), el("figure", [drawings.curve(points, told),
                                                             el("figcaption", board.words("curve_axes", unit="psi"))]))


def _rules(test: Test) -> list[str]:
    return [*(f"{result_name(each['name'])}: {each['standing']}" for each in test["results"]),
            *(f"{capital(Uncertainty(**each).words)}: {each['standing']}" for each in test["uncertainty"]),
            *([test["editions"]] if test["editions"] else [])]


def round_of(name: str, day: str, histories: Sequence[tuple[Sequence[Row], Sequence[Test]]], reader: str = "") -> Html:
    """Of each history of its record its tests, oldest first, and what follows from them together."""
    first = histories[0][0][0]
    return frame.page("/jobs", words("round", name=name, station=first["station_name"], day=day), frame.region(
        "round", *(_one_round(name, day, at, *each, len(histories) > 1) for at, each in enumerate(histories))),
        el("p", frame.link("/job", words("back_to_job"), name=first["job"])), reader=reader)


def _one_round(name: str, day: str, at: int, rows: Sequence[Row], tests: Sequence[Test], several: bool) -> Html:
    path = frame.to(f"/round/{rows[0]['record']}.pdf", name=name, day=day, history=at or None)
    return el("section", [
        el("h2", words("history", number=at + 1) if several else words("tests_of_round")), frame.notices(marks(tests)),
        frame.lines(each.words for each in findings.of_round(tests)), el("p", el("a", words("pdf_round"), href=path)),
        el("ul", [frame.row_of_test(row, record_page.of(test).results) for row, test in zip(rows, tests)], class_="rows")])


def events(row: Row, rows: Sequence[Row], reader: str = "") -> Html:
    """Its events as the record has them, byte by byte."""
    path = f"{frame.test_path(row)}/events"
    made = [el("li", [el("p", f"{each['seq']}  {each['wall']}  {each['boot']}"), el("pre", each["body"]),
                      el("p", el("code", bytes(each["hash"]).hex()))]) for each in rows]
    return frame.page("/jobs", words("events_of", number=row["number"], title=row["title"]),
                      el("p", el("a", words("back_to_test"), href=frame.test_path(row))), el("p", words("events_told")),
                      el("ul", made, class_="rows events"), frame.more(path, rows, ("seq",), pages=4), reader=reader, live=False)
