"""The pages: what is published, as regions of HTML. A page and its live updates are made of the same regions.

A clock stands as its end on the boot clock (``data-ends``); the script counts down to it. Without script the page has what was
left when it was loaded.
"""
from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from assistant.board import drawings
from assistant.board.markup import Html, el, join
from assistant.board.published import Snapshot
from assistant.core.language import CURRENT, sentence

Fields = Mapping[str, Any]
Regions = dict[str, Html]
SILENT_S = 12
"""Without a word from the station for so long, what is shown counts as old: two signs of life were missed. Ours."""


def words(ident: str, **fields: object) -> str:
    return sentence(f"board_page.{ident}", **fields)


def now(shown: Snapshot, at: float | None = None) -> Regions:
    """What happens now. ``at``: the boot clock, for a page that is read without script; None: the script fills in the clocks."""
    told = shown.now
    caution, verdict, clock = str(told.get("caution") or ""), told.get("verdict"), told.get("clock")
    return {
        "notice": _notice(shown),
        "verdict": verdict_of(verdict),
        "clock": el("p", _left(clock.get("left_s"), shown.at, at, "big"),
                    el("span", words("left", name=clock["name"]), class_="of")) if clock else Html(""),
        "do": join(el("h2", told.get("title", "")),
                   el("p", words("caution", words=caution), class_="caution") if caution else None,
                   el("p", told.get("do", ""), class_="do"),
                   el("p", words("next", words=told["next"]), class_="next") if told.get("next") else None),
        "round": _round(told.get("round") or [], shown.at, at),
        "curve": _curve(told.get("curve")),
        "readings": _readings(told.get("readings") or []) if told.get("steps") else Html(""),
        "steps": _steps(told),
        "day-link": el("a", _tests_of(shown), href="/day"),
        "office": el("p", told["office"], class_="of") if told.get("office") else Html(""),
        "said": join(el("p", shown.step_words), el("p", _verdict_words(verdict)) if verdict else None),
        "warned": el("p", words("caution", words=caution)) if caution else Html(""),
    }


def day(shown: Snapshot, at: float | None = None) -> Regions:
    tests = shown.day.get("tests") or []
    return {
        "notice": join(_notice(shown), [el("p", mark, class_="notice") for mark in shown.day.get("marks") or []]),
        "date": el("p", _tests_of(shown), class_="of"),
        "tests": el("ol", [_line_of(each) for each in reversed(tests)], class_="tests") if tests else el("p", words("no_tests")),
        "charts": join(*[el("h2", words("charts")), *map(chart_of, shown.day["charts"])] if shown.day.get("charts") else []),
    }


def _tests_of(shown: Snapshot) -> str:
    """With the date: before the first test of a day they are still those of the last."""
    return words("tests_of", date=shown.day["date"], count=len(shown.day.get("tests") or [])) if shown.day.get("date") else words("day")


def test(told: Fields, listed: Fields) -> Html:
    """The page of one test that is over, which the day lists as ``listed``."""
    number = int(told["number"])
    title = f"{words('test', number=number)}: {told.get('title', '')}"
    return _page("test", title, el("article", [
        el("h1", title), [el("p", mark, class_="notice") for mark in told.get("marks") or []],
        el("p", words("started", at=told["started"])) if told.get("started") else None,
        verdict_of({**told, "word": told["verdict"], "results": [*(told.get("results") or []), *(told.get("more") or [])]}),
        _report(number) if listed.get("pdf") else None,
        _lines("doubts", told.get("doubts") or []), _readings(told.get("readings") or []),
        _lines("notes", told.get("notes") or []),
        el("section", [el("h2", words("of_what")), _pairs(told.get("labels") or [])])]))


def live(page: str, shown: Snapshot, at: float, station: str) -> Html:
    """A page that goes on by itself: each region in a place of its own, which the script fills anew."""
    regions = LIVE[page](shown, at)
    title = words("name", station=station) if station else words("title")
    heading = {"now": title, "day": words("day")}[page]
    quiet = {name: el("div", inside, id=name, role=role, class_="unseen")
             for name, inside in regions.items() if (role := {"said": "status", "warned": "alert"}.get(name))}
    silence = at - shown.at if shown.now else 0.0
    stale = silence >= SILENT_S     # said without script too
    told = words("silent", seconds=int(silence)) if stale else ""
    return _page(page, title, join(
        el("h1", heading), el("p", told, id="silent", hidden=not stale), *quiet.values(),
        el("div", [el("div", inside, id=name) for name, inside in regions.items() if name not in quiet], class_=f"of-{page}")),
        class_="stale" if stale else None, data_sent=f"{at:.3f}", data_at=f"{shown.at:.3f}", data_after=SILENT_S)


def pair(told: str = "", shut: bool = False) -> Html:
    field = el("input", id="code", name="code", inputmode="numeric", autocomplete="one-time-code", pattern="[0-9]{4}",
               maxlength=4, required=True, autofocus=True, aria_describedby="told" if told else None)
    form = el("form", [el("label", words("code"), for_="code"), field, el("button", words("pair_now"), type="submit")],
              method="post", action="/pair")
    return _page("pair", words("pair"), join(
        el("h1", words("pair")), el("p", words("pair_how")),
        el("p", told, id="told", class_="caution") if told else None,
        None if shut else form,
        el("p", el("a", words("paired"), href="/"))))


def only(told: str) -> Html:
    """A page that says one thing."""
    return _page("told", words("title"), join(el("h1", words("title")), el("p", told)))


LIVE = {"now": now, "day": day}


def _page(name: str, title: str, inside: Html, **data: Any) -> Html:
    shows, live_too = name in ("now", "day", "test"), name in LIVE
    links = [el("a", words(text), href=path, aria_current="page" if name == page else None)
             for page, path, text in (("now", "/", "back_now"), ("day", "/day", "day"))]
    head = head_of(title, ["board.css"], "board.js" if live_too else "")
    footer = el("footer", [[el("p", id="screen"), el("noscript", el("p", words("reload")))] if live_too else None,
                           el("p", words("only"))])
    nav = el("nav", links, aria_label=words("title"))
    body = el("body", [nav if shows else None, el("main", inside), footer if shows else None],
              data_page=name, **_told_by_script() if live_too else {}, **data)
    return join(Html("<!doctype html>"), el("html", [head, body], lang=CURRENT.name))


def head_of(title: str, styles: Iterable[str], script: str) -> Html:
    """``script``: of a page that goes on by itself, which without script is loaded again and again."""
    return el("head", [
        el("meta", charset="utf-8"), el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"), el("title", title),
        el("link", rel="icon", href="/static/icon.svg", type="image/svg+xml"),
        [el("link", rel="stylesheet", href=f"/static/{name}") for name in styles],
        [el("script", src=f"/static/{script}", defer=True),
         el("noscript", el("meta", http_equiv="refresh", content="5"))] if script else None])


def _told_by_script() -> dict[str, str]:
    return {"data_silent": words("silent", seconds="{s}"),
            **{f"data_{name}": words(name) for name in ("asking", "awake", "sleeps")}}


def _notice(shown: Snapshot) -> Html:
    told = shown.now
    holds = {"no_station": not told, "unreadable": shown.trouble, "off": told.get("state") == "off",
             "practice": told.get("practice")}
    return join(*(el("p", words(ident), class_="notice") for ident, true in holds.items() if true))


def _verdict_words(verdict: Fields) -> str:
    return ". ".join(filter(None, [words("verdict", word=verdict["word"]), verdict.get("of"), verdict.get("why")]))


def verdict_of(verdict: Fields | None) -> Html:
    """What is told at the end of a test, with its results."""
    if not verdict:
        return Html("")
    kind = {"PASS": "good", "FAIL": "bad"}.get(str(verdict["word"]).upper(), "other")
    return el("section", [el("h2", words("verdict", word=verdict["word"])), el("p", verdict.get("of")) if verdict.get("of") else None,
                          el("p", verdict.get("why", "")),
                          _results(verdict.get("results") or [])], class_=f"verdict {kind}")


def _results(results: Iterable[Fields]) -> Html:
    return _pairs((result["name"], _value(result)) for result in results)


def _pairs(pairs: Iterable[Iterable[object]]) -> Html:
    lines = [el("div", [el("dt", name), el("dd", value)]) for name, value in pairs]
    return el("dl", lines) if lines else Html("")


def _report(number: int) -> Html:
    return el("p", el("a", words("report", test=words("test", number=number)), href=f"/test/{number}.pdf"))


def _left(left_s: float | None, since: float, at: float | None, look: str) -> Html:
    if left_s is None:
        return el("span", words("to_do"), class_=look)
    ends = since + float(left_s)
    return el("span", "" if at is None else clock_words(ends - at), class_=look, data_ends=f"{ends:.1f}", role="timer",
              aria_live="off")


def clock_words(left_s: float) -> str:
    """What is left, rounded up: a clock that shows nothing is over. The script says the same."""
    whole = max(0, int(-(-left_s // 1)))
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours}:{minutes:02}:{whole % 60:02}" if hours else f"{minutes}:{whole % 60:02}"


def _round(clocks: Iterable[Fields], since: float, at: float | None) -> Html:
    lines = []
    for clock in clocks:
        state = "late" if clock.get("late") else "done" if clock.get("done") else None
        told = state or ("in_hand" if clock.get("now") and clock.get("left_s") is None else None)
        left = el("span", words(told), class_="left") if told else _left(clock.get("left_s"), since, at, "left")
        lines.append(el("li", [el("span", clock["name"], class_="name"), left], class_=state))
    return el("section", [el("h2", words("round")), el("ul", lines, class_="clocks")]) if lines else Html("")


def _curve(curve: Fields | None) -> Html:
    points = [(float(s), float(value)) for s, value in (curve or {}).get("points") or []]
    if curve is None or len(points) < 2:
        return Html("")
    unit = curve.get("unit", "")
    told = words("curve_told", first=f"{points[0][1]:g}", last=f"{points[-1][1]:g}", unit=unit,
                 seconds=f"{points[-1][0] - points[0][0]:.0f}")
    return el("section", [el("h2", curve.get("name") or words("curve")),
                          el("figure", [drawings.curve(points, told), el("figcaption", words("curve_axes", unit=unit))])])


def _steps(told: Fields) -> Html:
    if not told.get("steps"):
        return Html("")
    stages = []
    for stage in told.get("stages") or []:
        state = "done" if stage.get("done") else "now" if stage.get("now") else None
        mark = el("span", words({"done": "done", "now": "in_hand"}[state]), class_="mark") if state else None
        stages.append(el("li", [stage["name"], " ", mark], class_=state, aria_current="step" if state == "now" else None))
    count = words("step", step=told.get("step", 0), steps=told["steps"])
    return el("section", [el("h2", words("stages")),
                          el("p", [count, el("progress", max=told["steps"], value=told.get("step", 0), aria_label=count)]),
                          el("ol", stages, class_="stages") if stages else None])


def _readings(readings: Iterable[Fields]) -> Html:
    lines = [el("div", [el("dt", reading["name"]), el("dd", _value(reading)), el("dd", reading.get("how", ""), class_="how")])
             for reading in readings]
    return el("section", [el("h2", words("readings")), el("dl", lines) if lines else el("p", words("none_taken"))])


def _table(heads: Iterable[str], rows: list[Html]) -> Html:
    return el("table", [el("thead", el("tr", [el("th", words(head), scope="col") for head in heads])), el("tbody", rows)])


def _value(told: Fields) -> str:
    return f"{told['value']} {told.get('unit') or ''}".rstrip()


def _line_of(test: Fields) -> Html:
    number = int(test["number"])
    name = f"{words('test', number=number)}: {test.get('title', '')}"
    ticket = words("ticket", ticket=test["ticket"]) if test.get("ticket") else ""
    about = ", ".join(filter(None, [str(test.get("at") or ""), ticket, words("check_test") if test.get("check_test") else "",
                                    words("practice_test") if test.get("practice") else ""]))
    outcome = words("withheld") if test.get("withheld") else ". ".join(filter(None, [test.get("verdict"), test.get("why")]))
    return el("li", [el("h2", el("a", name, href=f"/test/{number}") if test.get("page") else name),
                     el("p", about) if about else None, el("p", outcome, class_="outcome"),
                     _results(test.get("results") or []), _report(number) if test.get("pdf") else None])


def chart_of(chart: Fields, heading: str = "h3") -> Html:
    """One control chart, as a drawing and as a table."""
    title, unit = str(chart["title"]), str(chart.get("unit") or "")
    points = [(str(label), float(value)) for label, value in chart.get("points") or []]
    if not points:
        return Html("")
    levels = [(float(chart[name]), words(name, value=chart[name])) for name in ("lower", "target", "upper")
              if chart.get(name) is not None]
    label, last = points[-1]
    told = words("chart_told", title=title, count=len(points), label=label, value=f"{last:g}", unit=unit)
    rows = [el("tr", [el("th", label, scope="row"), el("td", f"{value:g} {unit}".rstrip())]) for label, value in points]
    return el("section", [
        el(heading, f"{title}, {unit}" if unit else title), el("figure", drawings.chart(points, levels, told)),
        el("details", [el("summary", words("chart_values", title=title)), _table(("sample", "value"), rows)])])


def _lines(heading: str, lines: Iterable[object]) -> Html:
    items = [el("li", line) for line in lines]
    return el("section", [el("h2", words(heading)), el("ul", items)]) if items else Html("")
