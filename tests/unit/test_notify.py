"""What is told to the service manager, on a real datagram socket, as sd_notify(3) and sd_watchdog_enabled(3) document it.

The side of the manager is ours here, written from those pages; tests/fault/test_service.py has the real one where it can run.
"""
from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from assistant.station.notify import Notify


class Manager:
    """The socket of a service manager."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self.socket.bind(address)

    def got(self) -> list[str]:
        found = []
        while True:
            try:
                found.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return found


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    one = Manager(str(tmp_path / "notify"))
    yield one
    one.socket.close()


def given(tmp_path: Path, **more: str) -> dict[str, str]:
    return {"NOTIFY_SOCKET": str(tmp_path / "notify"), **more}


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_ready_once_and_then_alive_four_times_in_the_watchdogs_time(manager: Manager, tmp_path: Path) -> None:
    clock = Clock()
    notify = Notify(given(tmp_path, WATCHDOG_USEC="60000000", WATCHDOG_PID=str(os.getpid())), clock)
    for _ in range(60_0):  # a minute of turns, ten a second
        notify.alive()
        clock.now += 0.1
    assert manager.got() == ["READY=1", *["WATCHDOG=1"] * 4]
    notify.stopping()
    assert manager.got() == ["STOPPING=1"]


@pytest.mark.parametrize("more", [{}, {"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": "soon"}])
def test_no_signs_of_life_where_nobody_watches_this_process(manager: Manager, tmp_path: Path, more: dict[str, str]) -> None:
    notify = Notify(given(tmp_path, **more))
    notify.alive()
    notify.alive()
    assert manager.got() == ["READY=1"]


def test_the_variables_are_taken_out_so_that_no_child_speaks_for_us(tmp_path: Path) -> None:
    environment = given(tmp_path, WATCHDOG_USEC="1", WATCHDOG_PID="1", HOME="/")
    Notify(environment)
    assert environment == {"HOME": "/"}


def test_a_socket_without_a_file() -> None:
    name = f"bowlside-{os.getpid()}"
    manager = Manager(f"\0{name}")
    Notify({"NOTIFY_SOCKET": f"@{name}"}).alive()
    assert manager.got() == ["READY=1"]
    manager.socket.close()


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": "/no/such/socket"}, {"NOTIFY_SOCKET": "/" + "x" * 300},
                                         {"NOTIFY_SOCKET": ""}])
def test_without_a_manager_nothing_goes_wrong(environment: dict[str, str]) -> None:
    notify = Notify({**environment, "WATCHDOG_USEC": "1000"})
    notify.alive()
    notify.stopping()


def test_what_could_not_be_sent_is_sent_with_the_next_turn(tmp_path: Path) -> None:
    """The manager is started again, or its socket is full: being up must still be told."""
    notify = Notify(given(tmp_path))
    notify.alive()
    manager = Manager(str(tmp_path / "notify"))
    notify.alive()
    assert manager.got() == ["READY=1"]
    manager.socket.close()


def test_a_manager_that_does_not_read_never_holds_up_the_loop(tmp_path: Path) -> None:
    """A datagram socket holds some messages and then blocks; the loop must not."""
    manager = Manager(str(tmp_path / "notify"))
    clock = Clock()
    notify = Notify(given(tmp_path, WATCHDOG_USEC="1"), clock)
    for _ in range(2000):
        clock.now += 1
        notify.alive()
    assert 1 < len(manager.got()) < 2000
    manager.socket.close()
