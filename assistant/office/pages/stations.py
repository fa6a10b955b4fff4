"""All stations now, and one of them."""
from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from assistant.board.markup import Html, el, join
from assistant.office.pages import frame
from assistant.office.pages.frame import Row, words

HEARD_S = 900
"""A station that sends is heard at least each few minutes: after so long it has no signal, or is off. Ours."""


def now(stations: Sequence[Row], at: datetime, reader: str = "") -> Html:
    """``stations``: by name, each with its newest test, as far as this reader may see one."""
    # By when it arrived: a clock that is years ahead would be the newest for years.
    newest = max((each for each in stations if each.get("piece")), key=lambda each: each["received_at"], default=None)
    said = words("newest", station=newest["name"], test=frame.test_name(newest), verdict=_said(newest)) if newest else ""
    listed = [_station(each, at) for each in stations]
    return frame.page("/", words("stations"), frame.region(
        "stations", el("ul", listed, class_="rows stations") if listed else el("p", words("no_stations")),
        frame.more("/", stations, ("name",))), reader=reader, said=said)


def _said(row: Row) -> str:
    return ". ".join(filter(None, [frame.record_page.verdict(str(row["verdict"])), frame.why(row)]))


def _station(each: Row, at: datetime) -> Html:
    heading = el("h2", el("a", each["name"], href=f"/station/{each['id']}"))
    last = [frame.verdict_line(each, frame.test_link(each), " "), frame.mark_lines(each)] if each.get("piece") \
        else el("p", words("no_test"))
    return el("li", [heading, frame.pairs(state(each, at)), last,
                     [el("p", told, class_="note") for told in troubles(each, at)]],
              class_="practice" if each["trial"] else "alarm" if troubles(each, at) else None)


def state(each: Row, at: datetime) -> list[tuple[str, object]]:
    return [(words("heard"), frame.ago(each["heard_at"], at)), (words("waiting"), each["waiting"]),
            (words("clock"), frame.clock(each["clock_off_s"])), (words("gaps"), each["gaps"] or words("none")),
            (words("job"), each.get("job"))]


def troubles(each: Row, at: datetime) -> list[str]:
    """What somebody should look at, a sentence each."""
    heard = each["heard_at"]
    silent = heard is not None and (at - heard).total_seconds() > HEARD_S
    wrong = each["clock_off_s"] is not None and abs(each["clock_off_s"]) >= frame.CLOCK_S
    return [words(name) for name, true in (
        ("trial", each["trial"]), ("is_revoked", each["revoked_at"]), ("never_heard", heard is None),
        ("is_silent", silent and not each["revoked_at"]),
        ("clock_wrong", wrong), ("has_gaps", each["gaps"])) if true]


def station(each: Row, records: Sequence[Row], tests: Sequence[Row], results: Mapping[Any, Iterable[Row]], at: datetime,
            reader: str = "") -> Html:
    """One station: its records, and its tests, newest first."""
    known = [(words("program"), each["program"]), (words("enrolled"), f"{each['enrolled_at']:%Y-%m-%d}")]
    listed = [frame.test_row(test, results.get(frame.key(test), ()), with_station=False) for test in tests]
    return frame.page("/", each["name"], frame.region(
        "state", frame.notices(troubles(each, at)), frame.pairs([*state(each, at), *known])),
        frame.section(words("records"), el("p", words("records_told")), frame.lines(_record(one) for one in records)),
        frame.region("tests", frame.section(words("tests"), join(
            frame.rows(listed, words("no_test")),
            frame.more(f"/station/{each['id']}", tests, ("started", "record", "piece"))))),
        reader=reader)


def _record(one: Row) -> Html:
    return join(el("code", str(one["id"])), " ", words("since", day=f"{one['first_seen']:%Y-%m-%d}"))
