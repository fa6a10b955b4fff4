"""What is answered to whom, over real tables: a reader sees his job and no other, an address that is none is one sentence, and
the report is the station's own.

Outside source: pypdf, which reads the reports back.
"""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from http.client import HTTPConnection
from pathlib import Path

import psycopg
import pytest
from pypdf import PdfReader

from assistant.board import http_answers
from assistant.cli import main
from assistant.office import readers
from assistant.office.pages import stations
from assistant.office.postgres import Cluster
from assistant.report import demo
from tests.office import made
from tests.office.conftest import _database
from tests.office.pieces import derive, pieces_of, put
from tests.office.served import Served

JOB = "Tern Hollow footbridge (invented)"


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("day")
    demo.build(folder, day=date(2031, 5, 17))
    return folder


@pytest.fixture(scope="module")
def office(cluster: Cluster, template: str, day: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with contextmanager(_database)(cluster, template) as url, Served(url) as served:
        served.add(day, "Pier station")
        served.add(made.whole_round(made.journal(tmp_path_factory.mktemp("rig"), 3, seed=3), seed=4), "Rig 2")
        yield served


@pytest.fixture
def contractor(office: Served) -> Iterator[Served]:
    """The office as a reader of one job sees it."""
    if not office.owner.execute("SELECT FROM office.readers WHERE name = 'Contractor'").fetchone():
        readers.add(office.owner, "Contractor", "contractor", [JOB])
    everyone, office.reader = office.reader, office.named("Contractor")
    yield office
    office.reader = everyone


def words(data: bytes) -> list[str]:
    """Of a report, but for the moment at which it was made."""
    text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    return [line for line in text.splitlines() if not re.search(r"20\d\d-\d\d-\d\dT\d\d:\d\d", line)]


def test_the_report_is_the_stations_own(office: Served, tmp_path: Path, day: Path) -> None:
    """Of a record without a register of meters, which stays at its station, and of a job whose file neither has."""
    folder = tmp_path / "alone"
    made.journal(folder, 3, seed=11)
    record = office.add(folder, "Alone")
    for number in (1, 2, 3):
        assert main(["log", "export", str(number), "--journal", str(folder), "--pdf", str(tmp_path / "its.pdf")]) == 0
        status, headers, body = office.ask(f"{office.test(record, number)}.pdf")
        assert status == 200 and headers["content-type"] == "application/pdf" and "content-security-policy" not in headers
        assert words(body) == words((tmp_path / "its.pdf").read_bytes()) and len(words(body)) > 30


def test_a_reader_sees_his_job_and_no_other(contractor: Served) -> None:
    text = contractor.text("/")
    assert "Pier station" in text and "Rig 2" not in text
    others = contractor.owner.execute("SELECT record, encode(piece, 'hex') FROM office.tests WHERE job <> %s LIMIT 1",
                                      (JOB,)).fetchone()
    assert others is not None
    station = contractor.owner.execute("SELECT id FROM office.stations WHERE name = 'Rig 2'").fetchone()
    assert station is not None
    for path in (f"/test/{others[0]}/{others[1]}", f"/test/{others[0]}/{others[1]}.pdf", f"/test/{others[0]}/{others[1]}/events",
                 f"/station/{station[0]}"):
        status, _, body = contractor.ask(path)
        assert status == 404 and b"There is no such page, or it is not for you." in body, path
    assert "No test has arrived." in contractor.text("/job", name="Made job 1 (invented)")
    assert "does not let the office compare people" in contractor.text("/job/people", name=JOB)


def test_people_are_compared_once_the_job_allows_it(office: Served) -> None:
    job = office.owner.execute("SELECT job, technician FROM office.tests "
                               "WHERE job LIKE 'Made%%' AND method = 'slump' AND outcome = 'done'").fetchone()
    assert job is not None
    assert "does not let the office compare people" in office.text("/job/people", name=job[0], since="2000-01-01")
    office.owner.execute("INSERT INTO office.job_rules (job, compare_people) VALUES (%s, true)", (job[0],))
    assert job[1] in office.text("/job/people", name=job[0], since="2000-01-01")


@pytest.mark.parametrize("path", [
    "/?after=x", "/?after=%5B%5D", "/?after=%5B1%5D", "/job?name=a&after=%5B%22a%22%2C%22b%22%2C%22c%22%5D", "/job?name=%00",
    "/job/people?name=a&since=yesterday", "/doubts?what=invalid&after=%5B%22a%22%2C%22b%22%2C%22c%22%5D",
    f"/round/{'0' * 32}?name=R-1&day=never", "/job?name=a&after=" + "%5B" * 5000])
def test_an_address_that_is_none_is_one_sentence(office: Served, path: str) -> None:
    status, headers, body = office.ask(path)
    assert status == 400 and b"This address is not whole." in body and "default-src 'none'" in headers["content-security-policy"]


@pytest.mark.parametrize("path", [
    "/station/none", f"/station/{'0' * 32}", "/test/none/none", f"/test/{'0' * 32}/{'0' * 64}",
    f"/test/{'0' * 32}/{'0' * 64}.pdf",
    f"/round/{'0' * 32}?name=R-1&day=2031-05-17", f"/round/{'0' * 32}.pdf?name=R-1&day=2031-05-17&history=7", "/static/none",
    "/none"])
def test_what_is_not_there_is_told(office: Served, path: str) -> None:
    status, _, body = office.ask(path)
    assert status == 404 and b"There is no such page" in body


@pytest.mark.parametrize("path", ["/", "/none", "/static/office.js", "/jobs?after=nonsense"])
def test_every_answer_shuts_the_browser_once(office: Served, path: str) -> None:
    link = HTTPConnection("127.0.0.1", office.port, timeout=60)
    link.request("GET", path)
    told = [(name, value) for name, value in link.getresponse().getheaders() if name in http_answers.HEADERS]
    link.close()
    assert sorted(told) == sorted(http_answers.HEADERS.items())


def test_pages_go_on_until_the_end_and_tell_each_test_once(office: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    from assistant.office.pages import frame, queries
    monkeypatch.setattr(queries, "MOST", 4)
    monkeypatch.setattr(frame, "MOST", 4)
    path, told = "/job?name=Tern+Hollow+footbridge+%28invented%29", []
    while path:
        text = office.text(path)
        told += re.findall(r'<h3><a href="(/test/[^"]+)"', text)
        path = next(iter(re.findall(r'<p class="more"><a href="([^"]+)"', text)), "").replace("&amp;", "&")
    count = office.owner.execute("SELECT count(*) FROM office.tests WHERE job = %s", (JOB,)).fetchone()
    assert count is not None and len(told) == len(set(told)) == count[0] > 20


def test_two_histories_are_two_on_every_page(office: Served, tmp_path: Path) -> None:
    """A backup was restored after the first test and went on: test 2 is there twice."""
    folder, copy = made.journal(tmp_path / "one", 1, seed=21), tmp_path / "two"
    shutil.copytree(folder, copy)
    for each, seed in ((folder, 22), (copy, 23)):
        made.journal(each, 1, seed=seed)
    record = office.add(folder, "Restored")
    first, second = pieces_of(folder), pieces_of(copy)
    assert first[0] == second[0] and first[1].before == second[1].before and first[1].hash != second[1].hash
    put(office.owner, second[1:], record, "Restored")
    derive(office.owner)
    rows = office.owner.execute("SELECT encode(piece, 'hex') FROM office.tests WHERE record = %s AND number = 2 ORDER BY 1",
                                (record,)).fetchall()
    assert len(rows) == 2
    for (here,), (there,) in (rows, rows[::-1]):
        text = office.text(f"/test/{record}/{here}")
        assert "This record has another history" in text and f"/test/{record}/{there}" in text
    assert "two histories" in office.text("/doubts")
    station = office.owner.execute("SELECT id FROM office.stations WHERE name = 'Restored'").fetchone()
    assert station is not None and office.text(f"/station/{station[0]}").count("One of two histories of this record") == 2


def test_labels_with_markup_stay_text_all_the_way(office: Served) -> None:
    nasty = "<img src=x onerror=alert(1)>"
    office.owner.execute("INSERT INTO office.stations (name, key_hash) VALUES (%s, sha256('n'))", (nasty,))
    assert nasty not in (text := office.text("/")) and "&lt;img src=x onerror=alert(1)&gt;" in text


def test_one_page_that_fails_is_one_sentence(office: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise KeyError("round.to_none")
    monkeypatch.setattr(stations, "now", fails)
    status, headers, body = office.ask("/")
    assert status == 500 and b"The office failed at this page" in body and "default-src 'none'" in headers["content-security-policy"]
    assert "Jobs" in office.text("/jobs")


def test_a_database_that_is_away_is_one_sentence(office: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*_: object) -> None:
        raise psycopg.OperationalError("gone")
    monkeypatch.setattr(stations, "now", away)
    status, headers, body = office.ask("/")
    assert status == 503 and headers["retry-after"] == "5" and b"database does not answer" in body
