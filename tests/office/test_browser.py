"""The office's pages in Debian's Chromium: a verdict comes by itself; every width, keys alone, dark, axe's rules."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import pytest

from assistant.office.postgres import Cluster
from assistant.report import demo
from tests.board import browser
from tests.board.browser import Browser
from tests.board.test_browser import ENTER, TAB, violations
from tests.office import made
from tests.office.conftest import _database
from tests.office.served import Served

WIDTHS = ((320, 640), (390, 844), (768, 1024), (1920, 1080))
JOB = "Tern Hollow footbridge (invented)"


@pytest.fixture(scope="module")
def window() -> Iterator[Browser]:
    if "chromium" not in browser.here():
        pytest.skip("no chromium here")
    with browser.started("chromium") as found:
        yield found


@pytest.fixture(scope="module")
def office(cluster: Cluster, template: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An invented day at one station, some tests of another, and a third that was never heard."""
    folder = tmp_path_factory.mktemp("day")
    demo.build(folder, day=date(2031, 5, 17))
    with contextmanager(_database)(cluster, template) as url, Served(url) as served:
        served.add(folder, "Pier station")
        served.owner.execute("UPDATE office.tests SET practice = false")    # as if the invented day counted: it has charts and lots
        served.add(made.whole_round(made.journal(tmp_path_factory.mktemp("rig"), 3, seed=3), seed=4), "Rig 2")
        served.owner.execute("INSERT INTO office.stations (name, key_hash) VALUES ('Yard', sha256('Yard'))")
        served.owner.execute("INSERT INTO office.job_rules (job, compare_people) VALUES (%s, true)", ("Made job 1 (invented)",))
        served.owner.execute("INSERT INTO office.jobs (name, file) VALUES (%s, %s)",
                             (JOB, (folder / "job.toml").read_text(encoding="utf-8")))
        yield served


def paths(office: Served) -> dict[str, str]:
    """Every page."""
    job = "/job?name=Tern+Hollow+footbridge+%28invented%29"
    page = office.text(job)
    test = next(path for path in re.findall(r'href="(/test/[^"]+)">Test \d+: Sequential', page))
    return {"stations": "/", "station": re.findall(r'href="(/station/[^"]+)"', office.text("/"))[0], "jobs": "/jobs", "job": job,
            "charts": job.replace("?", "/charts?"), "people": "/job/people?name=Made+job+1+%28invented%29&since=2000-01-01",
            "test": test, "events": f"{test}/events",
            "round": re.findall(r'href="(/round/[^"]+)"', page)[0].replace("&amp;", "&"),
            "doubts": "/doubts", "due": "/due", "nothing": "/nothing"}


def test_no_width_is_too_narrow_and_the_rules_of_accessibility_hold(window: Browser, office: Served, tmp_path: Path) -> None:
    """axe-core, WCAG 2.2 A and AA and its best practices."""
    assert "<svg" in office.text(paths(office)["charts"]) and "<table" in office.text(paths(office)["people"])
    for name, path in paths(office).items():
        for wide, high in WIDTHS:
            window.size(wide, high)
            window.open(f"{office.url}{path}")
            assert window.js("document.documentElement.scrollWidth <= innerWidth"), (name, wide)
            assert wide > 320 or violations(window) == [], name    # the widest are looked at in the dark
            window.picture(tmp_path / "page.png")
            assert (tmp_path / "page.png").stat().st_size > 5000


def test_light_on_dark_too(office: Served) -> None:
    if "chromium" not in browser.here():
        pytest.skip("no chromium here")
    with browser.started("chromium", dark=True) as page:
        page.size(1920, 1080)
        for name, path in paths(office).items():
            page.open(f"{office.url}{path}")
            assert page.js("getComputedStyle(document.documentElement).backgroundColor") == "rgb(0, 0, 0)"
            assert violations(page) == [], name


def test_a_verdict_comes_by_itself_and_nobody_loses_his_place(window: Browser, office: Served, tmp_path: Path) -> None:
    window.size(390, 844)
    window.open(f"{office.url}/")
    assert "New rig" not in window.js("document.body.innerText")
    window.js("document.querySelector('a[href^=\"/station/\"]').focus()")
    focus = window.js("document.activeElement.getAttribute('href')")
    office.add(made.journal(tmp_path, 1, seed=9), "New rig")
    window.until("document.querySelector('#stations').innerText.includes('New rig')")
    assert window.js("document.activeElement.getAttribute('href')") == focus
    said = window.js("document.querySelector('#said').textContent")
    assert "New rig: Test 1: Sequential pressure test. " in said, "it arrived last"
    assert window.js("document.querySelectorAll('[aria-live], [role=alert], [role=status]').length") == 1


def test_what_does_not_change_is_not_sent_again(office: Served) -> None:
    for path in ("/", "/jobs", "/doubts", "/due"):
        _, headers, _ = office.ask(path)
        status, _, body = office.ask(path, {"if-none-match": headers["etag"]})
        assert (status, body) == (304, b""), path


def test_an_office_that_is_gone_is_told_of(window: Browser, office: Served) -> None:
    window.open(f"{office.url}/")
    assert window.js("document.querySelector('#silent').hidden")
    window.js("(globalThis.fetch = () => Promise.reject(new Error('gone')), heard -= 60_000, look())")
    window.until("document.querySelector('#silent').innerText.startsWith('No word from the office for 6')")


def test_every_page_is_reached_by_keys_alone(window: Browser, office: Served) -> None:
    window.open(f"{office.url}/")
    window.press(TAB, ENTER)
    assert window.js("location.hash") == "#main", "past the menu"
    window.open(f"{office.url}/")
    window.press(*[TAB] * 3, ENTER)
    window.until("location.pathname == '/jobs' && document.readyState == 'complete'")
    window.js("document.querySelector('#jobs a').focus()")
    window.press(ENTER)
    window.until("location.pathname == '/job' && document.readyState == 'complete'")
    assert window.js("getComputedStyle(document.querySelector('a')).outlineStyle != null")


def test_no_script_but_ours_and_nothing_from_elsewhere(window: Browser, office: Served) -> None:
    window.open(f"{office.url}/")
    window.js("document.body.append(Object.assign(document.createElement('script'), {textContent: 'window.hacked = 1'}))")
    assert window.js("new Promise(done => setTimeout(() => done(window.hacked), 100))") is None, "the policy lets none run"
    assert window.js("fetch('https://127.0.0.2/').then(() => 'let through', () => 'refused')") == "refused"
    for path in paths(office).values():
        _, headers, _ = office.ask(path)
        assert "default-src 'none'" in headers["content-security-policy"] and headers["x-frame-options"] == "DENY", path


def test_without_script_it_loads_again_by_itself(office: Served) -> None:
    assert '<noscript><meta http-equiv="refresh" content="5"></noscript>' in office.text("/")
