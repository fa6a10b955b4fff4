"""What every page of the office has: its head and foot, and the parts that several pages are made of.

A page that goes on by itself has regions, each with an id of its own: the script asks for the page anew and fills in those that
changed. So nothing stands in a region that changes by the second.
"""
from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from assistant.board.markup import Html, el, join
from assistant.board.pages import head_of
from assistant.core.language import CURRENT, sentence
from assistant.core.phrases import capital
from assistant.record import page as record_page

Row = Mapping[str, Any]
MENU = (("/", "stations"), ("/jobs", "jobs"), ("/doubts", "doubts"), ("/due", "due"), ("/export", "export"))
"""READERS makes the last of them."""
MOST = 50
"""Rows on a page."""
SILENT_S = 12
"""Without an answer from the office for so long, what is shown counts as old. Ours."""
CLOCK_S = 60.0
"""A station's clock that is off by more is told of as wrong: a round's tests are timed to the minute. Ours."""


def words(ident: str, **fields: object) -> str:
    return sentence(f"office_page.{ident}", **fields)


def page(path: str, title: str, *inside: Any, reader: str = "", said: str = "", live: bool = True) -> Html:
    """``path``: the place in the menu that it belongs to. ``inside``: what changes stands in ``region``s. ``said``: the
    newest of it in a sentence, which a screen reader says when it changes. ``live``: it goes on by itself."""
    menu = MENU if reader else MENU[:1]     # who is not signed in is led to the door by any of them
    links = [el("a", words(name), href=to, aria_current="page" if to == path else None) for to, name in menu]
    signed_in = el("a", words("signed_in", reader=reader), href="/sign-in") if reader else None
    nav = el("nav", [links, signed_in], aria_label=words("title"))
    head = head_of(f"{title} - {words('title')}", ["board.css", "office.css"], "office.js" if live else "")
    status = [el("p", id="silent", hidden=True), el("p", said, id="said", role="status", class_="unseen")] if live else None
    body = el("body", [
        el("a", words("skip"), href="#main", class_="skip"), nav,
        el("main", [el("h1", title), status, *inside], id="main"),
        el("footer", [el("noscript", el("p", words("reload"))) if live else None, el("p", words("governs"))])],
        class_="office", **{"data_silent": words("silent", seconds="{s}"), "data_after": SILENT_S} if live else {})
    return join(Html("<!doctype html>"), el("html", [head, body], lang=CURRENT.name))


def plain(title: str, *inside: Any, reader: str = "") -> Html:
    """A page beside the menu's, that stands still: a form."""
    return page("", title, *inside, reader=reader, live=False)


def only(told: str) -> Html:
    """A page that says one thing."""
    return plain(words("title"), el("p", told))


def region(name: str, *inside: Any) -> Html:
    """What the script may fill anew."""
    return el("div", inside, id=name, class_="region")


def notices(sentences: Iterable[str]) -> Html:
    return join([el("p", each, class_="notice") for each in sentences if each])


def pairs(given: Iterable[tuple[object, object]]) -> Html:
    """Names and values; what has no value is left out."""
    lines = [el("div", [el("dt", name), el("dd", value)]) for name, value in given if value not in (None, "")]
    return el("dl", lines) if lines else Html("")


def table(told: str, heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> Html:
    """A table that may be wider than a phone: then it is scrolled by itself, by keys too. The first cell names its row."""
    body = [el("tr", [el("th", row[0], scope="row"), [el("td", cell) for cell in row[1:]]]) for row in rows]
    head = el("tr", [el("th", each, scope="col") for each in heads])
    whole = el("table", [el("caption", told, class_="unseen"), el("thead", head), el("tbody", body)])
    return el("div", whole, class_="wide", role="region", aria_label=told, tabindex="0")


def section(title: str, *inside: Any) -> Html:
    """Empty where there is nothing in it."""
    whole = join(*inside)
    return el("section", [el("h2", title), whole]) if whole else Html("")


def lines(sentences: Iterable[Any]) -> Html:
    made = [el("li", each) for each in sentences]
    return el("ul", made) if made else Html("")


def rows(made: Sequence[Html], nothing: str) -> Html:
    return el("ul", made, class_="rows") if made else el("p", nothing)


def row(name: Any, given: Iterable[tuple[object, object]], notes: Iterable[Any] = (), kind: str = "", level: str = "h2") -> Html:
    """One of a list: its name, its values, and what else is to be said of it."""
    said = [el("p", each, class_="note") for each in notes if each]
    return el("li", [el(level, name), pairs(given), said], class_=kind or None)


def link(path: str, text: object, **asked: object) -> Html:
    return el("a", text, href=to(path, **asked))


def to(path: str, **asked: object) -> str:
    """``asked``: what stands behind the question mark, where it has a value."""
    query = urlencode({name: str(value) for name, value in asked.items() if value not in (None, "")})
    return f"{path}?{query}" if query else path


def more(path: str, there: Sequence[Row], key: Sequence[str], text: str = "", pages: int = 1, **asked: object) -> Html:
    """The way to the rows after these, where there may be any: by the key of the last, so that a page far back costs no more."""
    if len(there) < pages * MOST:
        return Html("")
    after = json.dumps([str(there[-1][name].hex() if isinstance(there[-1][name], bytes) else there[-1][name]) for name in key])
    return el("p", link(path, text or words("more"), **asked, after=after), class_="more")


# --- words for what stands in a row -----------------------------------------------------------------------------------------

def ago(then: datetime | None, now: datetime) -> str:
    """How long ago, so coarse that it seldom changes."""
    if then is None:
        return words("never")
    return words("ago", time=_span(seconds)) if (seconds := (now - then).total_seconds()) >= 60 else words("just_now")


def _span(seconds: float) -> str:
    for size, name in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size or name == "minutes":
            return words(name, count=int(seconds // size))
    raise AssertionError("minutes are the least")


def clock(off_s: float | None) -> str:
    """How far a station's clock is from the office's; ahead is more than nothing."""
    if off_s is None:
        return ""
    if abs(off_s) < CLOCK_S:
        return words("clock_right")
    return words("clock_ahead" if off_s > 0 else "clock_behind", time=_span(abs(off_s)))


def verdict(row: Row) -> Html:
    """In a word, never by colour alone."""
    word = record_page.verdict(str(row["verdict"]))
    kind = {True: "good", False: "bad", None: "other"}[record_page.passed(str(row["verdict"]))]
    return el("strong", word, class_=f"word {kind}")


def outcome(row: Row) -> str:
    """What became of a test that was not done to its end."""
    return "" if row["outcome"] == "done" else str(row["outcome"])


def why(row: Row) -> str:
    return capital(str(row.get("why") or "").rstrip(".")) + "." if row.get("why") else ""


def wall(row: Row) -> str:
    """When a test was begun, by its station's clock."""
    return str(row["wall"])[:16].replace("T", " ")


def key(row: Row) -> tuple[Any, bytes]:
    """By which a test is known: its record and its hash."""
    return row["record"], bytes(row["piece"])


def test_path(row: Row) -> str:
    return f"/test/{row['record']}/{bytes(row['piece']).hex()}"


def test_name(row: Row) -> str:
    return words("test", number=row["number"], title=row["title"])


def test_link(row: Row) -> Html:
    return el("a", test_name(row), href=test_path(row))


def test_marks(row: Row) -> list[str]:
    """What must stand beside a test wherever it is listed."""
    return [words(name) for name, true in (("practice", row.get("practice")), ("two_histories", row.get("another_history")),
                                           ("check_test", row.get("check_of"))) if true]


def test_row(row: Row, results: Iterable[Row], with_station: bool = True) -> Html:
    """One test of a list, with its results."""
    about = [(words("at"), wall(row)), (words("station"), row.get("station_name") if with_station else None),
             (words("sample"), row.get("sample")), (words("ticket"), row.get("ticket")), (words("mix"), row.get("mix"))]
    return row_of_test(row, [*of_results(results), *about])


def of_results(results: Iterable[Row]) -> tuple[tuple[str, str], ...]:
    """Name and figures of those that the test is done for."""
    return record_page.told(list(results))[0]


def row_of_test(row: Row, given: Iterable[tuple[object, object]]) -> Html:
    return el("li", [el("h3", test_link(row)), verdict_line(row), pairs(given), mark_lines(row)],
              class_="practice" if row.get("practice") else None)


def verdict_line(row: Row, *before: Any) -> Html:
    return el("p", [*before, verdict(row), " ", outcome(row), " ", why(row)])


def mark_lines(row: Row) -> Html:
    return join([el("p", mark, class_="mark-line") for mark in test_marks(row)])
