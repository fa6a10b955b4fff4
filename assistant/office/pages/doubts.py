"""What somebody should look at: gaps, damage, two histories, invalid tests, what was refused; and what is due."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from assistant.board.markup import Html, el, join
from assistant.office.pages import frame
from assistant.office.pages.frame import Row, words
from assistant.report.cylinders import CylinderSet

KINDS = ("gaps", "damaged", "histories", "invalid", "refused")
KEYS: Mapping[str, tuple[str, ...]] = {
    "gaps": ("received_at", "record", "piece"), "damaged": ("received_at", "record", "piece"),
    "histories": ("started", "record", "piece"), "invalid": ("started", "record", "piece"), "refused": ("at", "station", "hash")}
"""By what each list goes on."""


def page(found: Mapping[str, Sequence[Row]], most: int, reader: str = "") -> Html:
    """``found``: of each of KINDS that is asked for, newest first."""
    drawn = {"gaps": _gap, "damaged": _damaged, "histories": _test, "invalid": _test, "refused": _refused}
    return frame.page("/doubts", words("doubts"), *(frame.region(kind, el("section", [
        el("h2", words(f"doubt_{kind}")), el("p", words(f"doubt_{kind}_told"), class_="note"),
        frame.rows([drawn[kind](each) for each in its], words("doubt_none")),
        frame.more("/doubts", its, most, KEYS[kind], words("more_of", kind=words(f"doubt_{kind}")), what=kind)]))
        for kind, its in found.items()), reader=reader)


def _station(row: Row) -> Html:
    return el("a", row["station_name"], href=f"/station/{row['station']}")


def _gap(row: Row) -> Html:
    return frame.row(_station(row), [(words("before_test"), row["number"]), (words("record_id"), el("code", str(row["record"]))),
                                     (words("received"), f"{row['received_at']:%Y-%m-%d %H:%M}")], level="h3")


def _damaged(row: Row) -> Html:
    return frame.row(join(_station(row), " ", words("number", number=row["number"])), [
        (words("events_from"), f"{row['first']} to {row['last']}"), (words("record_id"), el("code", str(row["record"]))),
        (words("received"), f"{row['received_at']:%Y-%m-%d %H:%M}")], [words(f"is_{row['kind']}")], level="h3")


def _test(row: Row) -> Html:
    return frame.row_of_test(row, [(words("station"), row["station_name"]), (words("job"), row["job"]), (words("at"), frame.wall(row))])


def _refused(row: Row) -> Html:
    return frame.row(_station(row), [(words("refused_at"), f"{row['at']:%Y-%m-%d %H:%M}"), (words("times"), row["times"])],
                     [row["why"]], level="h3")


# --- due dates ----------------------------------------------------------------------------------------------------------------

def due(sets: Sequence[tuple[Row, CylinderSet]], certificates: Sequence[Row], now: datetime, most: int, reader: str = "") -> Html:
    """``sets``: cylinders that lie somewhere, with the test that made each, the first due first. ``certificates``: of technicians, as
    their newest tests name them, the first to run out first."""
    return frame.page("/due", words("due"), frame.region("sets", el("section", [
        el("h2", words("due_sets")), el("p", words("due_sets_told"), class_="note"),
        frame.rows([_set(row, each, now) for row, each in sets], words("due_none"))])),
        frame.region("certificates", el("section", [
            el("h2", words("due_certificates")), el("p", words("due_certificates_told"), class_="note"),
            frame.rows([_certificate(each, now.date()) for each in certificates], words("due_none")),
            frame.more("/due", certificates, most, ("expires", "technician"))])), reader=reader)


def _set(row: Row, each: CylinderSet, now: datetime) -> Html:
    late = now > each.due
    return frame.row(words("set", id=each.id, station=row["station_name"]), [
        (words("due_by"), f"{each.due:%Y-%m-%d %H:%M}"), (words("cylinders"), each.here), (words("box"), each.box),
        (words("job"), row["job"]), (words("made_in"), frame.test_link(row))],
        [words("overdue") if late else "", *frame.test_marks(row)], "alarm" if late else "", level="h3")


def _certificate(row: Row, today: date) -> Html:
    late = today > date.fromisoformat(str(row["expires"]))
    return frame.row(row["technician"], [(words("runs_out"), row["expires"]), (words("seen_in"), frame.test_link(row)),
                                         (words("station"), row["station_name"])],
                     [words("overdue") if late else ""], "alarm" if late else "", level="h3")


def of(given: Any) -> tuple[str, ...]:
    """Which of KINDS are asked for; all, where none is."""
    return (given,) if given in KINDS else KINDS
