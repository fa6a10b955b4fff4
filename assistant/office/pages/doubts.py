"""What somebody should look at: gaps, damage, two histories, invalid tests, what was refused; and what is due."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from assistant.board.markup import Html, el, join
from assistant.core.phrases import capital
from assistant.office.pages import frame
from assistant.office.pages.frame import Row, words
from assistant.report.cylinders import CylinderSet

KINDS = ("gaps", "invalid", "refused")
KEYS: Mapping[str, tuple[str, ...]] = {
    "gaps": ("found_at", "record", "piece", "kind"), "invalid": ("started", "record", "piece"),
    "refused": ("at", "station", "hash", "why")}
"""By what each list goes on."""


def page(found: Mapping[str, Sequence[Row]], reader: str = "") -> Html:
    """``found``: of each of KINDS that is asked for, newest first."""
    drawn = {"gaps": _gap, "invalid": _test, "refused": _refused}
    return frame.page("/doubts", words("doubts"), *(frame.region(kind, el("section", [
        el("h2", words(f"doubt_{kind}")), el("p", words(f"doubt_{kind}_told"), class_="note"),
        frame.rows([drawn[kind](each) for each in its], words("doubt_none")),
        frame.more("/doubts", its, KEYS[kind], words("more_of", kind=words(f"doubt_{kind}")), what=kind)]))
        for kind, its in found.items()), reader=reader)


def _station(row: Row) -> Html:
    return el("a", row["station_name"], href=f"/station/{row['station']}")


def _gap(row: Row) -> Html:
    return frame.row(join(_station(row), ": ", words(f"gap_{row['kind'].replace(' ', '_')}")), [
        (words("number"), row["number"]), (words("events_from"), f"{row['first']} to {row['last']}"),
        (words("record_id"), el("code", str(row["record"]))), (words("found"), f"{row['found_at']:%Y-%m-%d %H:%M}")],
        [row["why"]], level="h3")


def _test(row: Row) -> Html:
    return frame.row_of_test(row, [(words("station"), row["station_name"]), (words("job"), row["job"]),
                                   (words("at"), frame.wall(row))])


def _refused(row: Row) -> Html:
    return frame.row(_station(row), [(words("refused_at"), f"{row['first_at']:%Y-%m-%d %H:%M}"), (words("times"), row["times"])],
                     [row["why"]], level="h3")


# --- due dates ----------------------------------------------------------------------------------------------------------------

def due(sets: Sequence[tuple[Row, CylinderSet]], running_out: Sequence[Row], meters: Sequence[Row] | None, now: datetime,
        reader: str = "") -> Html:
    """``sets``: cylinders that lie somewhere, with the test that made each, the first due first. ``running_out``: equipment and
    certificates as the newest test with each says, the first to run out first. ``meters``: by name; None: only who runs the
    office is shown them, since a meter is no job's."""
    today = now.date()
    return frame.page("/due", words("due"), *(frame.region(name, el("section", [
        el("h2", words(f"due_{name}")), el("p", words(f"due_{name}_told"), class_="note"),
        frame.rows(made, words("due_none")), more]))
        for name, made, more in (
            ("sets", [_set(row, each, now) for row, each in sets], None),
            ("gear", [_gear(each, today) for each in running_out],
             frame.more("/due", running_out, ("good_until", "kind", "name"), what="gear")),
            *([("meters", [_meter(each, today) for each in meters], frame.more("/due", meters, ("name",), what="meters"))]
              if meters is not None else []))), reader=reader)


def _set(row: Row, each: CylinderSet, now: datetime) -> Html:
    late = now > each.due
    return frame.row(words("set", id=each.id, station=row["station_name"]), [
        (words("due_by"), f"{each.due:%Y-%m-%d %H:%M}"), (words("cylinders"), each.here), (words("box"), each.box),
        (words("job"), row["job"]), (words("made_in"), frame.test_link(row))],
        [words("overdue") if late else "", *frame.test_marks(row)], "alarm" if late else "", level="h3")


def _gear(row: Row, today: date) -> Html:
    late = today > row["good_until"]
    return frame.row(f"{capital(row['kind'])} {row['name']}", [
        (words("runs_out"), row["good_until"]), (words("seen_in"), el("a", words("its_test"), href=frame.test_path(row))),
        (words("station"), row["station_name"])],
        [words("overdue") if late else "", row["told"]], "alarm" if late else "", level="h3")


def _meter(row: Row, today: date) -> Html:
    """A leak hold is good for its day: that it ran out is no alarm, that it failed is one."""
    late, failed = row["calibration_good_until"] is not None and today > row["calibration_good_until"], row["leak_verdict"] == "fail"
    return frame.row(row["name"], [
        (words("calibrated_until"), row["calibration_good_until"]), (words("held_on"), row["leak_hold_on"]),
        (words("held"), row["leak_verdict"]), (words("station"), row["station_name"])],
        [words("overdue") if late else "", words("leaks") if failed else ""], "alarm" if late or failed else "", level="h3")


def of(given: Any) -> tuple[str, ...]:
    """Which of KINDS are asked for; all, where none is."""
    return (given,) if given in KINDS else KINDS
