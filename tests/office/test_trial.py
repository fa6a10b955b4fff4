"""The trial as a new user has it: one command, another that enrols; and what becomes of it when parts of it are killed.

Outside sources: PostgreSQL; TLS by OpenSSL, through the library requests, which believes the trial's authority alone.
"""
from __future__ import annotations

import os
import re
import signal
import socket
from pathlib import Path
from uuid import uuid4

import pytest
import requests

from tests.command import Done, bowlside
from tests.office.started import Office, place, processes_of, trial, until, workers_of

__all__ = ["place"]     # a fixture


def code_in(done: Done) -> str:
    assert done.code == 0, done
    found = re.search(r"^Code ([0-9]{4} [0-9]{4}): good once", done.out)
    assert found, done
    return found[1]


def alive(office: Office, key: str) -> bool:
    """A sign of life of a station is answered."""
    try:
        answer = office.pieces(key, RECORD)
    except requests.ConnectionError:
        return False
    assert answer.status_code in (200, 503), answer.text
    return answer.status_code == 200


RECORD = uuid4()


def test_one_command_starts_it_and_another_enrols(place: Path) -> None:
    """And kill -9 of its database, and of itself, costs nothing that it knew."""
    with trial(place) as office:
        enrolled = bowlside("office", "enrol", "Practice 1", "--practice", "--folder", place)
        key = office.enrol(code_in(enrolled))
        assert f"bowlside send enrol {office.url} --code " in enrolled.out and "--practice" in enrolled.out
        assert f"--authority {place / 'authority.pem'}" in enrolled.out
        assert alive(office, key)
        with pytest.raises(requests.exceptions.SSLError):
            requests.get(office.url, timeout=60)
        postmaster = int((place / "database" / "data" / "postmaster.pid").read_text().split()[0])
        os.kill(postmaster, signal.SIGKILL)
        until(lambda: alive(office, key), "the database never came back")
        assert int((place / "database" / "data" / "postmaster.pid").read_text().split()[0]) != postmaster
        office.ended(signal.SIGKILL)
    until(lambda: not processes_of(place), "its database outlived it")
    with trial(place) as office:
        assert alive(office, key)
        listed = bowlside("office", "stations", "--folder", place)
        assert listed.code == 0 and re.match(r"Practice 1 +heard .* all sent +practice\n", listed.out), listed
        assert office.ended(signal.SIGINT) == 0
        assert office.said.endswith("The office is closed. What stations send meanwhile waits at the stations.\n")
        assert "Traceback" not in office.said
    assert processes_of(place) == [] and not (place / "office.json").exists()


def test_who_derives_is_started_again_and_ends_with_the_office(place: Path) -> None:
    with trial(place) as office:
        first = until(lambda: workers_of(office), "nobody derives")
        os.kill(min(first), signal.SIGKILL)
        second = until(lambda: workers_of(office) - first, "nobody derives any more")
        office.ended(signal.SIGKILL)
    until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in second), "it outlived the office")


def test_two_trials_in_one_folder(place: Path) -> None:
    with trial(place):
        second = bowlside("office", "trial", "--folder", place, "--port", "0")
        assert second.code == 2 and "Another process is using the database" in second.err


def test_wrong_use_of_a_trial_is_a_sentence(place: Path, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        bowlside("office", "trial", "--folder", place, "--on", "127.0.0.1", "--port", port).is_one_sentence(
            2, f"port {port} can't be used", "another --port")
    assert not place.exists(), "what can't be served makes no database"
    (tmp_path / "file").touch()
    bowlside("office", "trial", "--folder", tmp_path / "file", "--port", "0").is_one_sentence(2, "can't be used", "--folder")
    for what in (["enrol", "North"], ["stations"], ["revoke", "North"], ["backup", tmp_path / "b"]):
        bowlside("office", *what, "--folder", place).is_one_sentence(2, "No database runs in", "bowlside office trial")
    bowlside("office", "stations", "--folder", place, "--database", "postgresql:///x").is_one_sentence(2, "not both")
