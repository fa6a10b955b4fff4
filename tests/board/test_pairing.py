"""Who gets in: by the code, not by guessing, until revoked. On a clock of the test's own."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest

from assistant.board import pairing
from assistant.board.pairing import FIRST_LOCK_S, MOST_LOCK_S, MOST_SESSIONS, WRONG, Pairing, Sessions


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Codes 5000, 5001 and so on."""
    numbers = iter(range(5000, 9000))
    monkeypatch.setattr(pairing.secrets, "randbelow", lambda most: next(numbers))


def test_ten_thousand_guesses_are_locked_out(tmp_path: Path, clock: Clock, codes: None) -> None:
    """Every code there is, in order: five are looked at, and the right one is refused too once it is shut."""
    shut = Pairing(tmp_path, list, clock)
    assert not any(shut.guess(f"{code:04}") for code in range(10_000))
    assert shut.shut_s == FIRST_LOCK_S and not shut.guess(shut.code)


def test_a_day_of_guessing_tries_few(tmp_path: Path, clock: Clock) -> None:
    """Five whenever it is not shut, for 24 hours: the odds stay below one in fifty."""
    shut, tried = Pairing(tmp_path, list, clock), 0
    while clock.now < 1000 + 86400:
        shut.look()
        if not shut.shut_s:
            shut.guess("none")
            tried += 1
        else:
            clock.now += 1
    assert 100 < tried < 200


def test_after_the_lock_there_is_another_code_and_each_lock_is_longer(tmp_path: Path, clock: Clock, codes: None) -> None:
    shut, waited = Pairing(tmp_path, lambda: ["http://x/"], clock), []
    for _ in range(9):
        code = shut.code
        for _ in range(WRONG):
            assert not shut.guess("0000")
        waited.append(shut.shut_s)
        clock.now += shut.shut_s - 1
        shut.look()
        assert shut.code == code and not shut.guess(code)
        clock.now += 1
        assert not shut.guess(code), "the used-up code never pairs again, not even before the next look"
        shut.look()
        assert shut.code != code and shut.left == WRONG
    assert waited[:3] == [60, 120, 240] and waited[-1] == MOST_LOCK_S
    assert pairing.code_of(tmp_path) == {"code": shut.code, "addresses": ["http://x/"]} and shut.guess(shut.code)


def test_the_operators_new_code_counts_at_once_and_ends_a_lock(tmp_path: Path, clock: Clock, codes: None) -> None:
    shut = Pairing(tmp_path, list, clock)
    for _ in range(WRONG):
        shut.guess("0000")
    code = pairing.new_code(tmp_path)
    shut.look()
    assert shut.shut_s == 0 and shut.guess(code)


def test_a_guess_changes_no_file(tmp_path: Path, clock: Clock) -> None:
    """What the station may read changes by the board's clock, never by a request."""
    shut = Pairing(tmp_path, list, clock)
    before = {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in tmp_path.iterdir()}
    for code in (*["0000"] * 20, shut.code):
        shut.guess(code)
    assert before == {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in tmp_path.iterdir()}


def test_a_session_is_known_until_it_is_revoked(tmp_path: Path) -> None:
    board, operator = Sessions(tmp_path), Sessions(tmp_path)
    cookies = [board.add(f"Phone {n}\x1b[2J", "127.0.0.1") for n in range(3)]
    assert all(map(Sessions(tmp_path).known, cookies)) and not board.known("") and not board.known(cookies[0] + "x")
    assert [session.number for session in operator.all()] == [1, 2, 3] and "\x1b" not in operator.all()[0].phone
    assert operator.revoke(2) == 1 and operator.revoke(2) == 0
    assert [board.known(cookie) for cookie in cookies] == [True, False, True]
    assert operator.revoke(None) == 2 and not any(map(board.known, cookies))


def test_who_reads_the_files_gets_in_nowhere(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        sessions = Sessions(tmp_path)
        cookie = sessions.add("Phone", "127.0.0.1")
        Pairing(tmp_path, list)
    finally:
        os.umask(before)
    assert cookie not in (tmp_path / pairing.SESSIONS).read_text()
    assert not any(sessions.known(str(value)) for value in json.loads((tmp_path / pairing.SESSIONS).read_text())[0].values())
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    assert modes == {pairing.SESSIONS: 0o600, "sessions.lock": 0o600, pairing.CODE: 0o640}


def test_the_oldest_of_too_many_goes(tmp_path: Path) -> None:
    sessions = Sessions(tmp_path)
    cookies = [sessions.add("Phone", "") for _ in range(MOST_SESSIONS + 1)]
    assert not sessions.known(cookies[0]) and sessions.known(cookies[1]) and sessions.all()[-1].number == MOST_SESSIONS + 1


@pytest.mark.parametrize("broken", ["", "{", "[1]", '[{"number": 1}]', '{"code": 5}', "null"])
def test_a_broken_file_pairs_nobody_and_stops_nothing(tmp_path: Path, broken: str) -> None:
    for name in (pairing.SESSIONS, pairing.CODE):
        (tmp_path / name).write_text(broken)
    sessions = Sessions(tmp_path)
    assert not sessions.known("x") and sessions.known(sessions.add("Phone", ""))
    shut = Pairing(tmp_path, list)
    (tmp_path / pairing.CODE).write_text(broken)
    shut.look()
    assert len(shut.code) == 4


def test_a_network_that_comes_later_is_told_with_the_same_code(tmp_path: Path, clock: Clock) -> None:
    """The service starts before the radio has an address."""
    known = ["http://127.0.0.1:8080/"]
    shut = Pairing(tmp_path, lambda: list(known), clock)
    code = shut.code
    known[:] = ["http://192.168.4.1:8080/"]
    shut.look()
    assert pairing.code_of(tmp_path) == {"code": code, "addresses": known} and shut.guess(code)


def test_a_pipe_in_place_of_the_code_is_not_waited_for(tmp_path: Path) -> None:
    """The station reads it, and waits for nobody."""
    os.mkfifo(tmp_path / pairing.CODE)
    assert pairing.code_of(tmp_path) == {}
