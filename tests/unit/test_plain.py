"""Free text neither steers a terminal nor is computed by a spreadsheet, wherever it came in. (CSV: OWASP, from memory.)"""
from __future__ import annotations

import csv
import io
import json
import sqlite3
import sys
from pathlib import Path

import pytest

from assistant.files import plain
from assistant.files.jsonline import dumps
from tests.command import HEADER, bowlside, script

ESCAPES = "T-02\x1b[2J\x1b]0;owned\x07\x9b31m\u202etxt"
FORMULAS = {"=cmd|'/c calc'!A0": "'=cmd|'/c calc'!A0", "+1+1": "'+1+1", "-2+3": "'-2+3", "@SUM(A1)": "'@SUM(A1)",
            " =1+1": " '=1+1", "T-02;=1+1": "T-02;'=1+1", "\uff1d1+1": "'\uff1d1+1", "\t=1": "\\u0009=1", "\r@x": "\\u000d@x"}


# --- the two rules ------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("text", FORMULAS)
def test_a_formula_becomes_a_text(text: str) -> None:
    assert plain.cell(text) == FORMULAS[text]


@pytest.mark.parametrize("text", ["-0.35", "+1.5", "12", "", "TH-40A", "a - b", "Pier 2, span = 3", "T-07; east", "S-1 / 40117"])
def test_numbers_and_plain_words_stay_as_they_are(text: str) -> None:
    assert plain.cell(text) == text


def test_what_cannot_be_printed_is_written_out_and_is_still_json() -> None:
    assert plain.tamed(ESCAPES) == "T-02\\u001b[2J\\u001b]0;owned\\u0007\\u009b31m\\u202etxt"
    assert plain.tamed("ö° 🙂") == "ö° 🙂" and plain.tamed("a\nb\tc", "\n") == "a\nb\\u0009c"
    for text in (ESCAPES, "\U000e0001", "\ud800"):
        assert dumps({text: text}).isprintable() and json.loads(dumps({text: text})) == {text: text}


# --- coming in ----------------------------------------------------------------------------------------------------------

@pytest.fixture
def meter(tmp_path: Path) -> Path:
    assert bowlside("meter", "add", "M-3", "--journal", tmp_path).code == 0
    return tmp_path


@pytest.mark.parametrize("option", ["--by", "--how"])
@pytest.mark.parametrize("text", [ESCAPES, "two\nlines", "x" * 501])
def test_a_calibration_takes_no_escape_sequence(meter: Path, option: str, text: str) -> None:
    bowlside("meter", "calibrated", "M-3", "--ratio", "0.06", option, text, "--journal", meter).is_one_sentence(
        2, option, "a text on one line, at most 500 characters")


@pytest.mark.parametrize("arguments", [("meter", "add", ESCAPES), ("meter", "remark", "M-3", ESCAPES),
                                       ("meter", "retire", "M-3", "--why", ESCAPES),
                                       ("meter", "factor", "M-3", "--pct", "0.3", "--source", ESCAPES),
                                       ("run", "slump", "--override", ESCAPES),
                                       ("round", "--label", f"ticket={ESCAPES}")])
def test_nor_does_any_other_command(meter: Path, arguments: tuple[str, ...]) -> None:
    done = bowlside(*arguments, "--journal", meter)
    done.is_one_sentence(2, "a text on one line")
    assert "\x1b" not in done.err and "\x9b" not in done.err


def test_nor_a_scripts_header() -> None:
    text = json.dumps({"test": "slump", "ticket": ESCAPES})
    bowlside("rehearse", "-", stdin=text).is_one_sentence(2, '"ticket" must be a text')


# --- going out, of a record from before ---------------------------------------------------------------------------------

def test_a_register_that_holds_them_is_listed_tame(meter: Path) -> None:
    with sqlite3.connect(meter / "meters.db") as db:
        db.execute("INSERT INTO entries (wall, meter, kind, body) VALUES (?, ?, ?, ?)",
                   ("2031-05-17T10:00:00+02:00", "M-3", "calibrated",
                    json.dumps({"on": "2031-05-17", "chamber_ratio": "0.06", "by": ESCAPES})))
    db.close()
    for more in ((), ("--json",)):
        done = bowlside("meter", "show", "M-3", *more, "--journal", meter)
        assert done.code == 0 and "\\u001b[2J" in done.out
        assert done.out.replace("\n", "").isprintable()


def test_formulas_of_the_record_do_not_reach_the_spreadsheet(tmp_path: Path) -> None:
    labels = {"ticket": "=cmd|'/c calc'!A0", "technician": "@SUM(A1)", "weather": "-2+3", "truck": "-12"}
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=script(header={**HEADER, **labels})).code == 0
    out = tmp_path / "day.csv"
    assert bowlside("log", "export", "--csv", out, "--journal", tmp_path).code == 0
    (row,) = csv.DictReader(io.StringIO(out.read_text(encoding="utf-8-sig")))
    assert {key: row[key] for key in labels} == {"ticket": "'=cmd|'/c calc'!A0", "technician": "'@SUM(A1)",
                                               "weather": "'-2+3", "truck": "-12"}
    assert not [value for value in row.values() if value[:1] in ("=", "+", "@")]


def test_a_sentence_on_a_narrow_terminal_breaks_between_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """"Th|e chamber and the bowl may still be unde|r pressure" was read at 40 columns. What goes into a file stays one line."""
    text = "Its record is in /home/tech/.local/share/bowlside/practice-of-today. The bowl may still be under pressure.\nBleed it."
    assert plain.for_terminal(text) == text
    monkeypatch.setattr(sys, "stdout", type("Terminal", (), {"isatty": lambda self: True})())
    monkeypatch.setenv("COLUMNS", "40")
    lines = plain.for_terminal(text).split("\n")
    assert " ".join(lines) == text.replace("\n", " ") and len(lines) == 4 and lines[-1] == "Bleed it."
    assert [line for line in lines if len(line) > 40] == ["/home/tech/.local/share/bowlside/practice-of-today."]
