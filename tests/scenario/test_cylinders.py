"""Cylinders after they were made: listed from the record alone. 48 hours of initial cure are from memory (C31), as its method says."""
from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from reportlab.pdfbase.pdfmetrics import stringWidth

from assistant.record.derived import Derived
from assistant.record.journal import Journal
from assistant.report import cylinders
from assistant.report.axes import FONT
from tests.command import bowlside

pytestmark = pytest.mark.dates


def play(folder: Path, test: str, values: dict[str, str], **header: Any) -> None:
    lines = [{"test": test, **header}, *({"on": name, "key": " ".join([*value, "#"])} for name, value in values.items())]
    done = bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin="".join(json.dumps(one) + "\n" for one in lines))
    assert done.code == 0, done.err


def made(folder: Path, number: str = "1", count: str = "3", **more: str) -> None:
    play(folder, "cylinders", {"cylinder.set": number, "cylinder.count": count, **{f"cylinder.{key}": each for key, each in more.items()}},
         job="Tern Hollow footbridge (invented)", mix="TH-40A", sample="S-1", invented=True, technician="T-07")


def its(folder: Path) -> list[cylinders.CylinderSet]:
    with Journal(folder, write=False) as journal:
        return cylinders.sets(Derived(journal))


def test_a_set_has_ids_a_time_a_place_and_a_day_on_which_it_is_due(tmp_path: Path) -> None:
    made(tmp_path, box="2")
    (one,) = its(tmp_path)
    day = f"{datetime.now():%m%d}"
    assert one.cylinders == [f"{day}-1A", f"{day}-1B", f"{day}-1C"] and one.here == 3
    assert one.due - one.made == timedelta(hours=48)
    assert one.where(one.made) == f"box 2, to be picked up by {one.due:%Y-%m-%d %H:%M}"
    assert one.where(one.due + timedelta(seconds=1)).endswith("OVERDUE")


def test_the_box_and_the_pick_up_belong_to_the_newest_set_of_that_number(tmp_path: Path) -> None:
    made(tmp_path)
    made(tmp_path)
    made(tmp_path, "2")
    play(tmp_path, "initial-cure", {"cylinder.set": "1", "cure.max": "78", "cure.min": "63", "cure.hours": "24"})
    play(tmp_path, "initial-cure", {"cylinder.set": "1", "cure.max": "75", "cure.min": "61", "cure.hours": "40"})
    play(tmp_path, "pick-up", {"cylinder.set": "1", "picked.count": "2", "picked.by": "17"})
    older, newer, other = its(tmp_path)
    assert (older.highest, older.here) == (None, 3) and (other.highest, other.here) == (None, 3)
    assert (newer.highest, newer.lowest, newer.here) == (78, 61, 1) and newer.gone[0][1:] == (2, "17")
    play(tmp_path, "pick-up", {"cylinder.set": "1", "picked.count": "1"}, taken_by="A. Courier (invented)")
    newer = its(tmp_path)[1]
    assert newer.here == 0 and newer.where(newer.made) == "picked up" and newer.gone[1][2] == "A. Courier (invented)"


def test_by_command(tmp_path: Path) -> None:
    made(tmp_path)
    play(tmp_path, "pick-up", {"cylinder.set": "1", "picked.count": "3"})
    made(tmp_path, "2")
    done = bowlside("cylinders", "--journal", tmp_path)
    assert done.code == 0 and len(done.out.splitlines()) == 1 and "-2 " in done.out and "3 of 3" in done.out
    (line,) = bowlside("cylinders", "--json", "--journal", tmp_path).lines()
    assert line["here"] == 3 and len(line["cylinders"]) == 3 and line["overdue"] is False
    assert len(bowlside("cylinders", "--all", "--journal", tmp_path).out.splitlines()) == 2


def test_where_no_record_is_nothing_is_said_of_cylinders(tmp_path: Path) -> None:
    """"No cylinders are waiting" was said of a folder that is not there."""
    for folder in (tmp_path / "none", tmp_path):
        bowlside("cylinders", "--journal", folder).is_one_sentence(1, "no journal", str(folder))
    made(tmp_path)
    assert bowlside("cylinders", "--journal", tmp_path).out.startswith(f"{datetime.now():%m%d}-1")


def test_two_sets_of_one_name_are_told(tmp_path: Path) -> None:
    made(tmp_path)
    made(tmp_path)
    assert "give each set of a day its own number" in bowlside("cylinders", "--journal", tmp_path).out


def test_a_sheet_of_labels(tmp_path: Path) -> None:
    for number in range(1, 12):
        made(tmp_path / "record", str(number))
    sheet = tmp_path / "labels.pdf"
    assert bowlside("cylinders", "--labels", sheet, "--journal", tmp_path / "record").code == 0
    text = sheet.read_bytes()
    assert text.startswith(b"%PDF") and text.count(b"/Type /Page\n") + text.count(b"/Type /Page ") >= 2  # 33 labels, 30 on a page
    assert bowlside("cylinders", "--labels", tmp_path / "none" / "x.pdf", "--journal", tmp_path / "record").code == 2


def test_a_label_says_all_of_a_name(tmp_path: Path) -> None:
    """In the place of a letter that the font lacks stands its number; a long name is printed smaller, not cut off."""
    name = "Łęg 混 bridge, west abutment and the long ramp behind it, second contract"
    play(tmp_path / "record", "cylinders", {"cylinder.set": "1", "cylinder.count": "1"}, job=name)
    assert bowlside("cylinders", "--labels", tmp_path / "x.pdf", "--journal", tmp_path / "record").code == 0
    page, = PdfReader(tmp_path / "x.pdf").pages
    assert name.replace("混", "[U+6DF7]") in page.extract_text()
    wide = max(stringWidth(line, FONT, cylinders.SIZE) for line in page.extract_text().splitlines())
    sizes: list[float] = []
    page.extract_text(visitor_text=lambda text, _cm, _tm, _font, size: sizes.append(size) if "abutment" in text else None)
    assert wide > 2.625 * 72 - 12 >= stringWidth(name.replace("混", "[U+6DF7]"), FONT, sizes[0]) - 0.01


def test_an_old_record_without_a_box_is_listed(tmp_path: Path) -> None:
    made(tmp_path)
    assert its(tmp_path)[0].box == "" and its(tmp_path)[0].where(its(tmp_path)[0].made).startswith("site")
