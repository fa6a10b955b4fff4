"""The wall clock jumps, the machine sleeps or stalls in the middle of a hold: its length is right on the boot clock, and
it is told.

The core on a virtual clock, and the watch that notices jumps and sleep on clocks that the test moves. What the operating system's
own clocks do at a suspend is not tried here.
"""
from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from assistant.core.events import ClockJumped, Suspended, TimerDue
from assistant.core.steps import Choose
from hardware import clock
from tests.scenario.dialogue import Dialogue

HOUR, TEN_YEARS = 3600.0, 10 * 365.25 * 86400


def leak(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").at("leak.hold")


def settle(t: Dialogue) -> None:
    t.leak_hold().fill_and_close().at("pump.1.1").hear("next").at("settle.1.1")


def rest(t: Dialogue) -> None:
    settle(t)
    t.wait(5).reading("charge.1.1", "14.50").at("tap.1.1").hear("next").wait(13).at("rest.1.1")


HOLDS: dict[str, tuple[Callable[[Dialogue], None], float, str]] = {
    "leak.hold": (leak, 300.0, "leak.final"), "settle.1.1": (settle, 5.0, "charge.1.1"),
    "rest.1.1": (rest, 5.0, "equilibrium.1.1")}


@pytest.mark.parametrize("hold", HOLDS)
@pytest.mark.parametrize("seconds", [HOUR, -HOUR, TEN_YEARS, -TEN_YEARS])
def test_a_jump_of_the_wall_clock_changes_no_hold_and_is_recorded(tmp_path: Path, hold: str, seconds: float) -> None:
    reach, length, after = HOLDS[hold]
    reach(t := Dialogue(tmp_path))
    ends = t.state.hold.ends
    assert t.state.hold.ends == pytest.approx(t.now + length, abs=0.01)
    t.wait((ends - t.now) / 2).event(ClockJumped(t.now, seconds)).records("note", id="clock").at(hold)
    t.wait(ends - t.now - 0.05).at(hold).wait(0.1).records("hold", id=hold, event="end").at(after).replayed()


@pytest.mark.parametrize("hold", HOLDS)
def test_a_sleep_that_ends_before_the_hold_does_shortens_nothing(tmp_path: Path, hold: str) -> None:
    reach, _, after = HOLDS[hold]
    reach(t := Dialogue(tmp_path))
    ends = t.state.hold.ends
    t.now += (ends - t.now) / 2
    t.event(Suspended(t.now, 2.0)).records("note", id="clock").at(hold)
    t.wait(ends - t.now - 0.05).at(hold).wait(0.1).at(after).replayed()


@pytest.mark.parametrize("late", [0.5, 1, 5, 9, 11, 30, HOUR])
def test_a_stall_over_the_end_of_the_leak_hold(tmp_path: Path, late: float) -> None:
    """Up to ten seconds late it counts, and from one second on that is noted; later nobody was there to read it at its end."""
    leak(t := Dialogue(tmp_path))
    t.now = t.state.hold.ends + late
    t.event(TimerDue(t.now, "hold"))
    if late > 10:
        t.records("hold", id="leak.hold", event="broken").says("interrupted and does not count").at("leak.charge")
    else:
        t.records("hold", id="leak.hold", event="end").at("leak.final")
        noted = [each.fields for each in t.effects if getattr(each, "kind", "") == "note"]
        assert bool(noted) == (late > 1.0), noted
    t.replayed()


@pytest.mark.parametrize("late", [0.5, 9, 11, 600])
def test_a_sleep_over_the_end_of_the_tapping(tmp_path: Path, late: float) -> None:
    """Over ten seconds late nobody counted: the blows are done again, and it is noted. So long as the lever is asked for anew,
    nothing goes on with a bowl that was not tapped."""
    settle(t := Dialogue(tmp_path))
    t.wait(5).reading("charge.1.1", "14.50").at("tap.1.1").hear("next")
    t.now = dict(t.state.timers)["tap"] + late
    t.event(TimerDue(t.now, "tap"))
    if late > 10:
        t.records("note", id="tap.1.1").says("interrupted", "Mallet ready").at("tap.1.1").hear("next").wait(13)
    t.at("rest.1.1").replayed()


def test_a_lift_that_was_slept_through_is_noted_and_goes_on(tmp_path: Path) -> None:
    """The cone is off: it can't be lifted again."""
    t = Dialogue(tmp_path, "slump")
    while t.state.prompt != "lift":
        t.hear("yes" if isinstance(t.state.step, Choose) else "next")
    t.hear("next")
    t.now = dict(t.state.timers)["tap"] + 30
    t.event(TimerDue(t.now, "tap")).records("note", id="lift").at("stood").replayed()


@pytest.mark.parametrize("jump", [HOUR, -HOUR, TEN_YEARS, -TEN_YEARS])
@pytest.mark.parametrize("slept", [0.0, 2.0, HOUR])
def test_the_watch_tells_a_jump_from_a_sleep(monkeypatch: pytest.MonkeyPatch, jump: float, slept: float) -> None:
    at = {"boot": 1000.0, "wall": 1.8e9, "awake": 900.0}
    monkeypatch.setattr(clock, "boot_now", lambda: at["boot"])
    monkeypatch.setattr(clock, "time", SimpleNamespace(time=lambda: at["wall"], monotonic=lambda: at["awake"]))
    watch = clock.Watch()
    for name in at:
        at[name] += 30.0  # a stall: all clocks go on
    assert watch.look() == (0.0, 0.0)
    at["boot"], at["wall"] = at["boot"] + slept, at["wall"] + slept + jump
    assert watch.look() == (pytest.approx(jump, abs=0.01), pytest.approx(slept, abs=0.01))
    assert watch.look() == (0.0, 0.0), "told once"
