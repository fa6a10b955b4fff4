"""The whole way as a new user has it: a trial, a practice station, a real sender; the verdict is on the page of who signed in.

Outside sources: PostgreSQL; Debian's Chromium, over TLS.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.board import browser
from tests.board.test_browser import ENTER
from tests.command import bowlside
from tests.office import made
from tests.office.started import place, trial

__all__ = ["place"]  # a fixture


@pytest.mark.skipif("chromium" not in browser.here(), reason="no chromium here")
def test_a_verdict_of_a_practice_station_comes_by_itself(place: Path, tmp_path: Path) -> None:
    journal = made.journal(tmp_path / "journal", 1, practice=True)
    with trial(place) as office, browser.started("chromium", more=["--ignore-certificate-errors"]) as page:
        page.open(f"{office.url}/")
        page.until("location.pathname == '/sign-in' && !!document.querySelector('#key')")
        page.js("document.querySelector('#key').focus()")
        page.press(*(place / "pages.key").read_text().strip(), ENTER)
        page.until("location.pathname == '/' && !!document.querySelector('#stations')")
        code = re.search(r"--code (\S+)", bowlside("office", "enrol", "Practice 1", "--practice", "--folder", place).out)
        assert code is not None
        done = bowlside("send", "enrol", office.url, "--code", code[1], "--authority", place / "authority.pem",
                        "--journal", journal, "--practice")
        assert done.code == 0, done
        page.until("document.querySelector('#stations').innerText.includes('A trial: only practice comes from it')")
        done = bowlside("send", "--once", "--journal", journal, "--practice")
        assert done.code == 0, done
        page.until("document.querySelector('#stations').innerText.includes('Test 1: Sequential pressure test')")
        text = page.js("document.querySelector('#stations').innerText")
        assert "PASS" in text and "PRACTICE: nothing here counts" in text
        page.open(f"{office.url}/sign-in")
        page.js("document.querySelector('form').requestSubmit()")
        page.until("location.pathname == '/sign-in' && !!document.querySelector('#key')")
        page.open(f"{office.url}/jobs")
        page.until("location.pathname == '/sign-in'")
