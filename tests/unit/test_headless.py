"""A station without a terminal: keyed from a keypad on mock pins, stopped by SIGTERM, gone on with by the next start."""
from __future__ import annotations

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant import cli
from assistant.core.events import DeviceLost, Event
from assistant.core.language import sentence
from assistant.files.refusal import Refusal
from assistant.record import summary
from assistant.record.journal import FILE, Journal, JournalError
from assistant.station import station_settings, voice_out
from assistant.station.headless import MOST_LINES_A_MINUTE, Log, _has_microphone, must_be_answerable
from assistant.station.pronounce import pronounce
from hardware.fake_matrix import FakeMatrix
from tests.command import ROOT, bowlside, process, script

ROWS, COLUMNS = (5, 6, 13, 26), (16, 17, 22, 23)
STATION = '[keypad]\nkind = "matrix"\n'


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    (tmp_path / "bowlside").mkdir()
    path = tmp_path / "bowlside" / "station.toml"
    path.write_text(STATION)
    return path


def events(folder: Path) -> list[str]:
    with Journal(folder, write=False) as journal:
        return [type(event).__name__ for event in journal.events(1)]


def test_keyed_without_a_terminal_and_left_by_sigterm(settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    folder = tmp_path / "journal"
    trouble: list[str] = []

    def technician() -> None:
        try:
            matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, time.monotonic)
            until = time.monotonic() + 120
            while running and time.monotonic() < until and "TestStarted" not in recorded():
                time.sleep(0.05)
            for count in (2, 4):  # pressed until it has come: the keypad opens in its own time
                while running and time.monotonic() < until and recorded().count("KeyPressed") < count:
                    now = time.monotonic()
                    matrix.press("#", now + 0.05, now + 0.2)
                    time.sleep(0.6)
        except Exception as error:
            trouble.append(repr(error))
        while running:  # what a real signal would call; that goes to a process of its own, below, never to the one that tests
            if callable(handler := signal.getsignal(signal.SIGTERM)) and handler != others:
                handler(signal.SIGTERM, None)
                break
            time.sleep(0.05)

    def recorded() -> list[str]:
        try:
            return events(folder)
        except JournalError:  # it is not made yet
            return []

    running, others = [True], signal.getsignal(signal.SIGTERM)  # a tool that measures the tests may have one of its own
    threading.Thread(target=technician, daemon=True).start()
    try:
        code = cli.main(["run", "--headless", "--journal", str(folder)])
    finally:
        running.clear()
        Device.pin_factory.reset()
        Device.pin_factory = before
    assert not trouble and code == 1
    assert events(folder).count("KeyPressed") >= 4
    assert "is not over" in capsys.readouterr().out
    assert signal.getsignal(signal.SIGTERM) == others
    with Journal(folder, write=False) as journal:
        assert summary.of(journal, 1)["outcome"] == "not over"


class Managed:
    """`bowlside run --headless` as a service manager starts it: a process without a terminal, with a socket to be told by."""

    def __init__(self, tmp_path: Path, watchdog_s: float = 2.0) -> None:
        self.address = tmp_path / "notify"
        self.address.unlink(missing_ok=True)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(self.address))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "assistant", "run", "--headless", "--journal", str(tmp_path / "journal")], cwd=ROOT,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
            env={**os.environ, "GPIOZERO_PIN_FACTORY": "mock", "NOTIFY_SOCKET": str(self.address),
                 "WATCHDOG_USEC": str(int(watchdog_s * 1e6))})

    def told(self, within_s: float) -> str:
        """The next message; "" if none comes."""
        self.socket.settimeout(within_s)
        try:
            return self.socket.recv(4096).decode()
        except TimeoutError:
            return ""

    def end(self, number: int) -> tuple[int, str]:
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=120)
        self.socket.close()
        return self.process.returncode, out + err


@pytest.mark.alone
def test_as_a_service_manager_sees_it(settings: Path, tmp_path: Path) -> None:
    """Up, alive, hung, killed, up again with the same test, stopped in good order."""
    first = Managed(tmp_path)
    assert [first.told(20), first.told(5), first.told(5)] == ["READY=1", "WATCHDOG=1", "WATCHDOG=1"]
    first.process.send_signal(signal.SIGSTOP)
    while first.told(0.2):
        pass
    assert first.told(1.5) == "", "a process that is stopped gave a sign of life"
    assert first.end(signal.SIGKILL)[0] == -signal.SIGKILL
    second = Managed(tmp_path)
    assert second.told(20) == "READY=1"
    code, printed = second.end(signal.SIGTERM)
    assert code == 1 and "Traceback" not in printed and "Test 1 is not over" in printed, printed
    assert events(tmp_path / "journal")[:1] == ["TestStarted"] and "Restarted" in events(tmp_path / "journal")


@pytest.mark.parametrize("damaged", [True, False])
def test_damage_in_an_older_test_is_told_noted_and_gone_on_with(settings: Path, tmp_path: Path, damaged: bool) -> None:
    folder = tmp_path / "journal"
    for _ in range(2):
        bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script())
    with sqlite3.connect(folder / FILE) as db:
        db.execute("UPDATE events SET body = replace(body, '1', '2') WHERE seq = 6 AND ?", (damaged,))
    db.close()
    station = Managed(tmp_path, 30.0)
    found: list[Event] = []
    until = time.monotonic() + 30
    while time.monotonic() < until and len(found) < 2 + damaged:
        time.sleep(0.2)
        with Journal(folder, write=False) as journal:
            found = journal.events(3)
    code, printed = station.end(signal.SIGTERM)
    assert code == 1 and ("is damaged: event 6 (test 1) was changed" in printed) == damaged, printed
    told = [event.words for event in found if isinstance(event, DeviceLost) and event.device == "record"]
    assert told == [sentence("device.record_damaged")] * damaged


@pytest.mark.skipif(_has_microphone(), reason="there is a microphone here")
def test_where_nobody_could_answer_it_refuses_in_one_sentence(tmp_path: Path) -> None:
    """No key, no microphone: no test is begun."""
    process("run", "--headless", "--journal", tmp_path / "j", env={**os.environ, "XDG_CONFIG_HOME": str(tmp_path)}
            ).is_one_sentence(2, "keypad", "microphone")
    assert not bowlside_tests(tmp_path / "j")


@pytest.mark.parametrize("given, words", [
    (["run", "--job", "none.toml"], "none.toml"), (["round", "--job", "none.toml"], "none.toml"),
    (["run", "--journal", "/dev/null"], "journal"), (["run"], "station.toml")])
def test_what_keeps_it_from_starting_is_said_aloud(given: list[str], words: str, settings: Path, tmp_path: Path,
                                                   monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """A calibration that ran out over night, say: nobody reads a service's log. The sound device is a fake, which keeps words."""
    if given == ["run"]:
        settings.write_text("[keypad]\nkind = ")
    said: list[str] = []

    class Heard:
        busy = False

        def say(self, _ident: str, text: str) -> None:
            said.append(text)

        def close(self) -> None:
            said.append("closed")
    monkeypatch.setattr(voice_out, "audible", lambda out: Heard())
    monkeypatch.chdir(tmp_path)
    more = [] if "--journal" in given else ["--journal", str(tmp_path / "j")]
    assert cli.main([*given, *more, "--headless"]) in (1, 2)
    printed = capsys.readouterr().err
    assert words in printed
    assert said == [pronounce(printed.removeprefix("bowlside: ").strip(), to_write=True), "closed"]
    said.clear()
    if given[-1] == "none.toml":
        assert cli.main([*given, *more]) == 2 and not said, "in a terminal it can be read"


def bowlside_tests(folder: Path) -> list[int]:
    with Journal(folder, write=False) as journal:
        return journal.tests()


@pytest.mark.parametrize("section", ['[keypad]\nkind = "matrix"', '[pedal]\nkind = "button"', '[usb_pad]\nkind = "usb"'])
def test_anything_with_keys_is_enough(tmp_path: Path, section: str) -> None:
    path = tmp_path / "station.toml"
    path.write_text(section)
    must_be_answerable(station_settings.read(path), lambda: False)
    path.write_text('[lamp]\nkind = "led"')
    must_be_answerable(station_settings.read(path), lambda: True)
    with pytest.raises(Refusal, match="keypad"):
        must_be_answerable(station_settings.read(path), lambda: False)


class Paper:
    def __init__(self) -> None:
        self.lines: list[str] = []

    def write(self, text: str) -> None:
        self.lines += [text] if text.strip() else []

    def flush(self) -> None:
        pass


def test_the_log_has_each_trouble_once_and_never_floods() -> None:
    now, notices, paper = [0.0], ["The lamp is gone."], Paper()
    log = Log(notices, lambda: now[0], paper)
    for _ in range(50):
        log.show()
    assert paper.lines == ["The lamp is gone."]
    for number in range(1000):
        notices[:] = [f"trouble\n{number}"]
        log.show()
    assert len(paper.lines) == MOST_LINES_A_MINUTE + 1 and paper.lines[1] == "trouble 0"
    assert "left out" in paper.lines[-1]
    now[0] = 61.0
    notices[:] = ["The lamp is back."]
    log.show()
    assert paper.lines[-1] == "The lamp is back."
