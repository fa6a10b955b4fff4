"""The process that watches keypad and pedal may hang, die, flood or talk nonsense: told within 2 s, started again,
and keys go on."""
from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable

import pytest

from assistant.station import device_watch
from hardware import header_process
from hardware.header_process import HeaderProcess

CHILD = """
import os, sys, time
from tests.fault.stub_worker import GOOD, raw, send
once = sys.argv[1]
if not os.path.exists(once):
    open(once, "w").close()
    if sys.argv[2] == "flood":
        while True: raw(b"x" * 5000)
    send(GOOD, 0, sys.argv[2].encode("latin-1"))
send(GOOD, 0, b'{"works": ["keypad"]}')
send(GOOD, 0, b'{"key": "7"}')
while True:
    send(GOOD, 0, b'{"works": ["keypad"]}')
    time.sleep(0.2)
"""


def until(condition: Callable[[], object], limit_s: float = 60.0) -> float:
    begun = time.monotonic()
    while not condition():
        assert time.monotonic() < begun + limit_s, "waited in vain"
        time.sleep(0.005)
    return time.monotonic() - begun


@pytest.fixture
def hands(tmp_path, monkeypatch: pytest.MonkeyPatch):
    made = []
    monkeypatch.setattr(header_process, "WAITS_S", (0.05,))

    def one(first: str = "{}"):
        keys, trouble = [], []
        made.append(HeaderProcess({}, keys.append, trouble.append,
                          command=[sys.executable, "-S", "-c", CHILD, str(tmp_path / "once"), first]))
        return made[-1], keys, trouble
    yield one
    for each in made:
        each.close()


@pytest.mark.parametrize("line", ["[]", "7", "null", '"key"', "nonsense", '{"key": 7}', '{"key": ["a"]}', '{"trouble": [1]}',
                                  '{"talk": "x"}', '{"works": 1}', '{"works": ["lamp"]}', '{"works": [["pedal"]]}', "{}",
                                  "\xff\xfe", "flood"])
def test_nonsense_is_no_key_and_another_process_is_started(hands, line: str) -> None:
    _, keys, trouble = hands(line)
    until(lambda: keys)
    assert keys == ["7"] and trouble == [header_process.ENDED]


def test_one_that_hangs_is_told_within_two_seconds_and_started_again(hands) -> None:
    one, keys, trouble = hands('{"works": []}')
    until(lambda: keys)
    hung = one.worker.pid
    os.kill(hung, signal.SIGSTOP)
    until(lambda: trouble)
    assert header_process.SILENT_S + header_process.BEAT_S < 2.0
    until(lambda: len(keys) == 2)
    assert one.worker.pid not in (None, hung) and trouble == [header_process.ENDED]


@pytest.mark.alone
def test_one_that_is_quiet_but_well_is_left_alone(hands) -> None:
    one, keys, trouble = hands('{"works": []}')
    until(lambda: keys)
    pid = one.worker.pid
    time.sleep(header_process.SILENT_S + 0.3)
    assert one.worker.pid == pid and not trouble


def test_each_of_the_two_is_there_by_itself_and_none_once_the_process_is_gone(hands) -> None:
    one, keys, trouble = hands('{"works": ["pedal", "keypad"]}')
    until(lambda: keys)
    until(lambda: one.there == ("keypad",))  # the pedal works no more
    assert one.alive
    os.kill(one.worker.pid, signal.SIGSTOP)
    until(lambda: not one.there)
    assert not one.alive
    until(lambda: one.there)


def test_keypad_and_pedal_of_a_process_that_ends_are_each_lost_and_back(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(header_process, "WAITS_S", (0.5,))
    both = CHILD.replace('"keypad"', '"keypad", "pedal"')
    told: list[tuple[str, str]] = []
    configured = {"keypad": {"kind": "matrix"}, "pedal": {"kind": "button"}}

    class Told:
        lost = staticmethod(lambda device, words="": told.append(("lost", device)))
        back = staticmethod(lambda device: told.append(("back", device)))
        trouble = staticmethod(lambda words: None)

    class Had:
        closed = False
        devices = (HeaderProcess({}, print, print, command=[sys.executable, "-S", "-c", both, str(tmp_path / "once"), '{"works": []}']),)

    one = Had.devices[0]
    try:
        until(lambda: one.alive)
        device_watch.begin(Told, Had, configured, gauge=False)  # type: ignore[arg-type]
        time.sleep(0.3)
        os.kill(one.worker.pid, signal.SIGKILL)
        until(lambda: len(told) == 4)
    finally:
        Had.closed = True
        one.close()
    assert told == [("lost", "keypad"), ("lost", "pedal"), ("back", "keypad"), ("back", "pedal")]


@pytest.mark.alone
def test_the_real_one_beats() -> None:
    one = HeaderProcess({}, print, print)
    until(lambda: one.worker.pid)
    pid = one.worker.pid
    time.sleep(header_process.SILENT_S + 1.5)
    try:
        assert one.worker.pid == pid
    finally:
        one.close()
