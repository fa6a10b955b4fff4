"""One line about what leaves for the office, on the check and on the crew's board: from the sender's own notes, whatever is in them."""
from __future__ import annotations

import ast
import fcntl
import json
import os
import threading
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from assistant.board import pages, place
from assistant.board.publish import HEARTBEAT_S, Publisher
from assistant.board.published import Snapshot
from assistant.core.state import State
from assistant.send.place import Sent
from assistant.send.status_line import board_line, line
from tests.command import ROOT, bowlside
from tests.office.test_sender import OFFICE

NOW = datetime(2031, 5, 17, 12, 0, tzinfo=timezone.utc)
FINE = {"record": "x", "waiting": 0, "kind": "", "trouble": "", "since": "", "refused": 0}


@pytest.fixture
def sent(tmp_path: Path):
    found = Sent(tmp_path / "journal")
    found.room()
    found.enrol(OFFICE, "a-key-of-the-tests-0123456789", None)
    found.take()
    yield found
    found.close()


def told(sent: Sent, **more: object) -> tuple[bool | None, str] | None:
    sent.tell({**FINE, **more})
    return line(sent.path.with_name("journal"), NOW)


def ago(**more: float) -> str:
    return (NOW - timedelta(**more)).isoformat()


@pytest.mark.parametrize(("more", "good", "words"), [
    ({}, True, "Office: all sent."), ({"waiting": 1}, True, "Office: 1 test waits."),
    ({"waiting": 3, "kind": "signal", "since": ago(hours=2, minutes=50)}, None, "Office: 3 tests wait, no signal for 2 h."),
    ({"kind": "signal", "since": ago(minutes=14)}, None, "Office: all sent, no signal for 10 min."),
    ({"kind": "signal", "since": ago(seconds=4)}, None, "Office: all sent, no signal for 1 min."),
    ({"kind": "signal", "since": ago(days=3)}, None, "Office: all sent, no signal for 3 days."),
    ({"kind": "signal", "since": ago(hours=-5)}, None, "Office: all sent, no signal for 1 min."),
    ({"kind": "signal", "since": "yesterday"}, None, "Office: all sent, no signal for some time."),
    ({"kind": "signal", "since": "2031-05-17T00:00:00"}, None, "Office: all sent, no signal for some time."),
    ({"kind": "key", "waiting": 2}, False, "Office: 2 tests wait. Something is wrong: bowlside send --status tells what."),
    ({"kind": "disk"}, False, "Office: all sent. Something is wrong: bowlside send --status tells what."),
    ({"refused": 2}, False, "Office: all sent. Not taken: 2; bowlside send --status tells why."),
    ({"record": ""}, None, "Office: nothing is known yet of what was sent."),
    ({"waiting": "many"}, None, "Office: nothing is known yet of what was sent.")])
def test_what_it_says(sent: Sent, more: dict, good: bool | None, words: str) -> None:
    assert told(sent, **more) == (good, words)


@pytest.mark.parametrize("content", [b"", b"[]", b"\xff\xfe", b"{" * 9999, b'{"waiting": -1, "record": "x"}'])
def test_a_status_that_is_none(sent: Sent, content: bytes) -> None:
    (sent.path / "status.json").write_bytes(content)
    assert line(sent.path.with_name("journal"), NOW) == (None, "Office: nothing is known yet of what was sent.")


def test_nothing_where_no_station_is_enrolled_and_a_word_where_nothing_sends(sent: Sent, tmp_path: Path) -> None:
    assert line(tmp_path / "other") is None and board_line(tmp_path / "other") == ""
    sent.close()
    assert line(tmp_path / "journal") == (False, "Office: nothing is being sent, since bowlside send is not running. Start it, or the service "
                                          "bowlside-send.")


def test_to_look_keeps_no_sender_from_starting(sent: Sent, tmp_path: Path) -> None:
    sent.close()
    with open(sent.path / "send.lock", encoding="ascii") as looked_at:
        fcntl.flock(looked_at, fcntl.LOCK_SH)
        threading.Timer(0.2, lambda: fcntl.flock(looked_at, fcntl.LOCK_UN)).start()
        sent.take()


def test_the_check_ends_with_it(sent: Sent, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "journal"))
    monkeypatch.setattr("assistant.check.quick.quick", lambda settings, names: [])
    sent.tell(FINE)
    assert "office       Office: all sent." in bowlside("check", "--quick").out
    assert "Office" not in bowlside("check", "--quick", "lamp").out
    sent.tell({**FINE, "kind": "key", "waiting": 1})
    done = bowlside("check", "--quick", "--json")
    assert done.code == 1 and [(each["device"], each["good"]) for each in done.lines()] == [("office", False)]
    assert "\nbowlside check\n" in bowlside("check", "--quick").out, "it is no device to name again"
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "other"))
    assert "ffice" not in bowlside("check", "--quick").out


def test_the_station_publishes_it_and_the_board_shows_it(sent: Sent, tmp_path: Path) -> None:
    now, folder = [1000.0], tmp_path / "board"
    publisher = Publisher(folder, now=lambda: now[0], office=lambda: board_line(tmp_path / "journal"))

    def published() -> str:
        publisher.turn()
        return json.loads((folder / place.NOW).read_text())["office"]
    sent.tell(FINE)
    assert published() == "Office: all sent."
    sent.tell({**FINE, "waiting": 2})
    publisher.show(State(wording="terse"))
    assert published() == "Office: all sent.", "it is looked for with the signs of life alone"
    now[0] += HEARTBEAT_S
    assert published() == "Office: 2 tests wait."
    assert "Office: 2 tests wait." in pages.now(Snapshot("1", {"office": "Office: 2 tests wait."}))["office"]
    assert pages.now(Snapshot("1", {}))["office"] == ""


def test_the_boards_own_process_reads_nothing_of_the_sender(sent: Sent) -> None:
    """It gets the line with the rest that is published: neither network nor key are its business."""
    users = {path.name for path in (ROOT / "assistant" / "board").glob("*.py") if any(
        isinstance(node, ast.ImportFrom) and (node.module or "").startswith("assistant.send") for node in ast.walk(ast.parse(path.read_text())))}
    assert users == {"publish.py"}
    assert os.stat(sent.path).st_mode & 0o077 == 0
