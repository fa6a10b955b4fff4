"""``bowlside cylinders``: every set of cylinders in the record, where it lies, what its box showed, when it is to be picked up and
who took it; and a sheet of labels. All of it is derived from tests of the record: the set is what joins them.
"""
from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from string import ascii_uppercase
from typing import Any

from reportlab.lib.pagesizes import LETTER
from reportlab.lib.units import inch
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from assistant.core.methods.initial_cure import CURE_H, HOURS
from assistant.files.jsonline import dumps
from assistant.files.refusal import Refusal
from assistant.record import log
from assistant.record.derived import Derived
from assistant.record.journal import Journal
from assistant.report.axes import FONT, fonts, printable
from assistant.report.rows import marks

SET, COUNT, BOX, GONE, HIGHEST, LOWEST = "cylinder.set", "cylinder.count", "cylinder.box", "picked.count", "cure.max", "cure.min"
"""Readings by which a test of the record tells of a set."""
SIZE = 7
"""Points of a label's print; a longer line is printed smaller, so that none is cut off."""
COLUMNS, ROWS = 3, 10
"""Labels on a sheet of letter paper, 2 5/8 by 1 in., the usual one (common practice, no source)."""


@dataclass
class CylinderSet:
    made: datetime
    record: Mapping[str, Any]
    """The test in which it was made."""
    number: int
    count: int
    box: str = ""
    highest: Decimal | None = None
    lowest: Decimal | None = None
    unit: str = ""
    gone: list[tuple[datetime, int, str]] = field(default_factory=list)
    """When, how many, who took them."""

    @property
    def id(self) -> str:
        """Month and day, and the number that stands on the moulds: 0517-1."""
        return f"{self.made:%m%d}-{self.number}"

    @property
    def cylinders(self) -> list[str]:
        return [f"{self.id}{letter}" for letter in ascii_uppercase[:self.count]]

    @property
    def due(self) -> datetime:
        """The end of the initial cure: the job's highest ``cure_hours``, else 48 h (C31, from memory)."""
        most = self.record["settings"].get("limits", {}).get(HOURS.name, (None, None))[1]
        return self.made + timedelta(hours=float(CURE_H if most is None else Decimal(most)))

    @property
    def here(self) -> int:
        return max(0, self.count - sum(count for _, count, _ in self.gone))

    def where(self, now: datetime) -> str:
        if not self.here:
            return "picked up"
        late = "" if now <= self.due else ", OVERDUE"
        return f"{f'box {self.box}' if self.box else 'site'}, to be picked up by {self.due:%Y-%m-%d %H:%M}{late}"


def made(record: Mapping[str, Any]) -> CylinderSet | None:
    """The set that was made in this test."""
    values = _values(record)
    if SET not in values or COUNT not in values:
        return None
    box = f"{values[BOX]['value']:f}" if BOX in values else ""
    return CylinderSet(datetime.fromisoformat(record["started"]), record, int(values[SET]["value"]), int(values[COUNT]["value"]), box)


def _values(record: Mapping[str, Any]) -> dict[str, Any]:
    return {one["id"]: one for one in record["readings"] if not one["withdrawn"]}


def sets(found: Derived) -> list[CylinderSet]:
    """Oldest first."""
    return joined(_told(found))


def joined(tests: Iterable[Mapping[str, Any]]) -> list[CylinderSet]:
    """``tests``: those of one record that tell of a set, oldest first. A curing log and a pick-up belong to the newest set of that
    number that was made before."""
    its: list[CylinderSet] = []
    for record in tests:
        if new := made(record):
            its.append(new)
            continue
        values = _values(record)
        number, at = int(values[SET]["value"]), datetime.fromisoformat(record["started"])
        same = [one for one in its if one.number == number and bool(one.record.get("practice")) == bool(record.get("practice"))]
        if not same:
            continue
        if GONE in values:
            code = f"{values['picked.by']['value']:f}" if "picked.by" in values else ""
            same[-1].gone.append((at, int(values[GONE]["value"]), str(record.get("taken_by") or code)))
        if HIGHEST in values and LOWEST in values:
            one, high, low = same[-1], values[HIGHEST], values[LOWEST]
            one.highest = high["value"] if one.highest is None else max(one.highest, high["value"])
            one.lowest = low["value"] if one.lowest is None else min(one.lowest, low["value"])
            one.unit = high["unit"]
    return its


def _told(found: Derived) -> Iterator[Mapping[str, Any]]:
    """The finished tests that tell of a set."""
    for brief in found.briefs:
        if brief["outcome"] == "done":
            whole = found.whole(brief["id"])
            if any(one["id"] == SET and not one["withdrawn"] for one in whole["readings"]):
                yield whole


def run(args: argparse.Namespace) -> int:
    """Exit code: 1 where something is overdue for its pick-up."""
    folder, now = args.journal or log.default_folder(), datetime.now().astimezone()
    with Journal(folder, write=False) as journal:
        its = sets(Derived(journal))
    shown = [one for one in its if args.all or one.here]
    for one in shown:
        print(dumps(_as_object(one, now)) if args.json else _line(one, now))
    if not shown and not args.json:
        print("No cylinders are waiting.")
    if args.labels:
        labels(shown, args.labels)
    twice = {one.id for one in shown if sum(each.id == one.id for each in shown) > 1}
    if twice and not args.json:
        print(f"But: more than one set is called {', '.join(sorted(twice))}: give each set of a day its own number.")
    return 1 if any(one.here and now > one.due and not one.record.get("practice") for one in shown) else 0


def _line(one: CylinderSet, now: datetime) -> str:
    cure = "" if one.highest is None else f", box {one.lowest:f} to {one.highest:f} {one.unit}"
    gone = "".join(f", {count} taken {at:%Y-%m-%d %H:%M}{f' by {who}' if who else ''}" for at, count, who in one.gone)
    practice = "  PRACTICE" if one.record.get("practice") else ""
    return (f"{one.id:<8} {one.here} of {one.count}  made {one.made:%Y-%m-%d %H:%M}  {one.where(now)}{cure}{gone}"
            f"  sample {one.record.get('sample') or 'unknown'}{practice}")


def _as_object(one: CylinderSet, now: datetime) -> dict[str, Any]:
    return {"set": one.id, "test": one.record["id"], "cylinders": one.cylinders, "made": one.made.isoformat(), "here": one.here,
            "box": one.box or None, "highest": one.highest, "lowest": one.lowest, "unit": one.unit or None,
            "due": one.due.isoformat(), "overdue": bool(one.here) and now > one.due,
            "taken": [{"at": at.isoformat(), "count": count, "by": who} for at, count, who in one.gone],
            **{key: one.record.get(key) for key in ("job", "mix", "sample", "ticket", "practice")}}


def labels(its: Sequence[CylinderSet], target: Path) -> None:
    """A sheet of labels, one a cylinder. Raises Refusal: it can't be written."""
    fonts()
    try:
        canvas = Canvas(str(target), pagesize=LETTER)
        canvas.setTitle("Labels of cylinders")
        wide, high = 2.625 * inch, inch
        each = [(one, name) for one in its for name in one.cylinders]
        for place, (one, name) in enumerate(each):
            at = place % (COLUMNS * ROWS)
            if place and not at:
                canvas.showPage()
            left, top = 0.1875 * inch + at % COLUMNS * 2.75 * inch, LETTER[1] - 0.5 * inch - at // COLUMNS * high
            _label(canvas, one, name, left, top, wide)
        canvas.save()
    except OSError as error:
        raise Refusal(f"The labels can't be written to {target}: {error.strerror or error}. Name another file.") from None


def _label(canvas: Canvas, one: CylinderSet, name: str, left: float, top: float, wide: float) -> None:
    record = one.record
    lines = [str(record.get("job") or ""), f"Mix {record.get('mix') or '________'}   Sample {record.get('sample') or '________'}",
             f"Made {one.made:%Y-%m-%d %H:%M}   by {record.get('technician') or '______'}", "Test at ______ days, on __________"]
    marked = "PRACTICE" if record.get("practice") else "INVENTED" if marks([record]) else ""
    canvas.setFont(f"{FONT}-Bold", 14)
    canvas.drawString(left + 6, top - 19, name)
    canvas.setFont(FONT, SIZE)
    canvas.drawRightString(left + wide - 6, top - 17, marked)
    for row, text in enumerate(lines):
        text = printable(text)
        size = min(SIZE, SIZE * (wide - 12) / max(1, stringWidth(text, FONT, SIZE)))
        canvas.setFont(FONT, size)
        canvas.drawString(left + 6, top - 32 - row * 10.5, text)
