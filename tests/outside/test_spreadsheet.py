"""The CSV in a real spreadsheet program: nothing in it is computed, and every number is that of the JSON.

Outside source: LibreOffice Calc, headless. Debian: apt-get install libreoffice-calc. Where it is not installed, it is skipped.
"""
from __future__ import annotations

import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from assistant.files.jsonline import loads
from tests.command import HEADER, bowlside, script

SOFFICE = shutil.which("soffice")
pytestmark = pytest.mark.skipif(SOFFICE is None, reason="no LibreOffice Calc here: apt-get install libreoffice-calc")

AS_CSV = "Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1,true"
"""Commas, double quotes, UTF-8; special numbers are detected and formulas computed: all that can be asked of an import."""
OFFICE, TABLE = ("{urn:oasis:names:tc:opendocument:xmlns:%s:1.0}" % name for name in ("office", "table"))
HOSTILE = {
    "job": "=1+1", "mix": "+2+3", "producer": "-4+5", "station": "@SUM(1,2)", "technician": " =6*7", "plant": '=cmd|"/c calc"!A1',
    "ticket": '=HYPERLINK("http://example.invalid/","x")', "location": "ä;=9*9", "weather": "\uff1d1+1", "truck": "'=1",
    "owner": '"=2+2"', "contractor": '=DDE("soffice","x","y")', "sample_point": "a,=5+5", "added_by": '=WEBSERVICE("http://a.invalid")',
    "contract_item": "=INFO(\"system\")", "admixture_added": "--1", "arrived_at": "=", "sample": "=\"a\"&\"b\""}
Cell = tuple[str, str, str]
"""Its kind, its text, its formula."""


def cells(folder: Path, *written: Path) -> list[list[dict[str, Cell]]]:
    """The rows of each file as the program has them, by the names in its first row."""
    done = subprocess.run([str(SOFFICE), f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--headless", f"--infilter={AS_CSV}",
                           "--convert-to", "ods", "--outdir", str(folder / "converted"), *map(str, written)],
                          capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return [_rows(folder / "converted" / f"{path.stem}.ods") for path in written]


def _rows(path: Path) -> list[dict[str, Cell]]:
    with zipfile.ZipFile(path) as parts:
        content = parts.read("content.xml")
    rows = []
    for row in ElementTree.fromstring(content).iter(f"{TABLE}table-row"):
        found: list[Cell] = []
        for each in row.iter(f"{TABLE}table-cell"):
            words = "".join(each.itertext())
            kind = each.get(f"{OFFICE}value-type", "")
            one = (kind, each.get(f"{OFFICE}value", words) if kind == "float" else words, each.get(f"{TABLE}formula", ""))
            found += [one] * min(int(each.get(f"{TABLE}number-columns-repeated", 1)), 500)
        rows.append(found)
    head, *others = [row for row in rows if any(words for _, words, _ in row)]
    return [dict(zip((name for _, name, _ in head if name), row)) for row in others]


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict[str, Cell]], list[dict[str, Any]], list[dict[str, Cell]]]:
    """What the program has of the export, the JSON of the same tests, and what it has of the same labels as they are."""
    folder = tmp_path_factory.mktemp("sheet")
    off = {f"{kind}.{number}": value for number, value in enumerate(("14.50", "30.00", "45.00"), 1) for kind in ("reference", "gauge")}
    checked = off | {"zero.reading": "0.00", "gauge.1": "14.42"}
    for text in (script(header=HEADER | HOSTILE), script(checked, {"test": "gauge-check", **HOSTILE}),
                 script(header=HEADER | {"job": "-1.5", "truck": "-12"})):
        assert bowlside("rehearse", "-", "--answer-rest", "--journal", folder / "j", stdin=text).code in (0, 1)
    export, raw = folder / "day.csv", folder / "raw.csv"
    assert bowlside("log", "export", "--csv", export, "--json", folder / "day.json", "--journal", folder / "j").code == 0
    quoted = ('"{}"'.format(text.replace('"', '""')) for text in HOSTILE.values())
    raw.write_text(f"{','.join(HOSTILE)}\n{','.join(quoted)}\n", encoding="utf-8-sig")
    found, as_they_are = cells(folder, export, raw)
    return found, loads((folder / "day.json").read_text())["tests"], as_they_are


def test_nothing_is_computed(opened) -> None:
    rows, _, as_they_are = opened
    assert not [one for row in rows for one in row.values() if one[2]], "a formula"
    for row in rows[:2]:
        for name, text in HOSTILE.items():
            kind, words, _ = row[name]
            assert kind == "string" and words.replace("'", "") == text.replace("'", "").lstrip(), (name, words)
    formulas = [one[2] for row in as_they_are for one in row.values() if one[2]]
    assert len(formulas) >= 5, f"the same labels without our care are formulas, so this test can fail: {formulas}"


def test_the_numbers_are_those_of_the_json(opened) -> None:
    rows, tests, _ = opened
    assert [row["id"][1] for row in rows] == [str(one["id"]) for one in tests] == ["1", "2", "3"]
    compared = 0
    for row, one in zip(rows, tests):
        numbers = {f"{each['id']} [{each['unit']}]": each["value"] for each in one["readings"] if not each["withdrawn"]}
        for each in one["results"]:
            numbers |= {f"{each['name']} [{each['unit']}]": each["rounded"], f"{each['name']} unrounded [{each['unit']}]": each["value"]}
            numbers |= {f"{each['name']} limit {side} [{each['unit']}]": limit for side, limit in zip(("low", "high"), each["limits"])}
        for name, value in numbers.items():
            kind, words, _ = row[name]
            assert (kind, words) == ("", "") if value is None else kind == "float" and float(words) == float(value), (name, value, words)
            compared += value is not None
    assert compared > 40
    assert float(rows[1]["gauge_error [psi]"][1]) == -0.08, "a negative number stays one"
    assert rows[2]["job"][:2] == ("float", "-1.5") and rows[2]["truck"][:2] == ("float", "-12")


def test_words_arrive_whole(opened, tmp_path: Path) -> None:
    rows, tests, _ = opened
    for row, one in zip(rows, tests):
        for key in ("test", "started", "outcome", "verdict", "why", "rounding"):
            assert row[key][1] == one[key], key
    assert "ä" in rows[0]["location"][1]
