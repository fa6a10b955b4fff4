"""Where no loudspeaker can tell when a question is over, the screen says from when on a press counts."""
from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from assistant.core.events import KeyPressed
from assistant.core.language import sentence
from assistant.core.machine import step
from assistant.core.state import Phase
from assistant.station import view
from assistant.station.layout import View
from hardware.fakes import FakeSpeaker
from tests.on_screen import AtTheScreen, Audible, play
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, to_run_1

MOMENT = sentence("screen.not_yet", wanted="")


class Watched(Dialogue):
    """After each event a newcomer who hears nothing looks at the screen for twelve seconds, and could press at any of them."""

    def __init__(self, folder: Path) -> None:
        self.looks: set[tuple[Phase, bool]] = set()
        super().__init__(folder)

    def _talk(self) -> None:
        self._look()
        super()._talk()
        self._look()

    def _look(self) -> None:
        state = self.state
        if state.phase in (Phase.ENTRY, Phase.HOLD, Phase.TAPPING, Phase.OVER):
            return
        key = "#-held" if view.needs_held(state) else "#"
        for after in (0.01, 0.5, 1.5, 3.0, 5.0, 12.0):
            now = self.now + after
            refused = step(state, KeyPressed(now, key))[0].answered.at != now
            shown = view.of(state, now, audible=False, silent=True).listens
            assert shown.startswith(MOMENT) == refused, (state.prompt, after, shown)
            assert MOMENT not in view.of(state, now).listens, "a voice is heard to its end"
            self.looks.add((state.phase, refused))


def test_the_screen_tells_when_a_press_counts(tmp_path: Path) -> None:
    t = Watched(tmp_path)
    to_run_1(t).one_run(1, RUN_1).press("S").press("#", 0.3)
    for phase in (Phase.TELL, Phase.CHOOSE, Phase.CONFIRM):
        assert {(phase, True), (phase, False)} <= t.looks, phase


def test_a_second_entry_waits_and_a_first_does_not(tmp_path: Path) -> None:
    t = Dialogue(tmp_path)
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    assert not view.of(t.state, t.now, audible=False, silent=True).listens.startswith(MOMENT)
    t.key("3 1 * 8 1 #").key("#").at("equilibrium.1.3.again")
    for after, early in ((0.05, True), (12.0, False)):
        now = t.now + after
        assert step(t.state, KeyPressed(now, "3"))[0].typed == ("" if early else "3")
        assert view.of(t.state, now, audible=False, silent=True).listens.startswith(MOMENT) == early


class Left(Exception):
    """Seen enough."""


def silent(folder: Path, presses: dict[float, bytes], until: float, speaker: FakeSpeaker | None = None) -> Callable[[float], View]:
    """What the screen of a station without a loudspeaker shows so many seconds after the first look, where these keys are pressed."""
    looks: dict[float, View] = {}

    def look(at: AtTheScreen, shown: View) -> None:
        began = next(iter(looks), at.clock.time)
        if not looks:
            at.aloud.speaker = speaker or FakeSpeaker(at.spoken)
            for after, keys in presses.items():
                at.clock.at(began + after, lambda keys=keys: at.type(keys))
        looks[at.clock.time] = shown
        if at.clock.time > began + until:
            raise Left

    with pytest.raises(Left):
        play(folder, "sequential", look)
    began = next(iter(looks))
    return lambda after: next(shown for at, shown in looks.items() if at >= began + after)


def test_a_question_that_is_put_once_more_says_so(tmp_path: Path) -> None:
    """Else "say again", or # held at an ordinary question, looks like a key that does nothing."""
    again = sentence("screen.asked_again")
    shown = silent(tmp_path / "silent", {10.0: b"a", 30.0: b"\r", 40.0: b"Y"}, 45.0)
    assert [again in shown(at).messages for at in (9.0, 11.0, 31.0)] == [False, True, False]
    shown = silent(tmp_path / "held", {10.0: b"Y"}, 15.0)
    assert again in shown(11.0).messages and again not in shown(9.0).messages
    shown = silent(tmp_path / "voice", {10.0: b"a"}, 15.0, Audible())
    assert again not in shown(11.0).messages, "it is heard"


def test_what_to_do_with_a_key_that_came_too_soon(tmp_path: Path) -> None:
    """Digits that stand there need their # only; keyed once more they would be twice as many. A no is pressed again."""
    press, whole = sentence("screen.wait_out"), sentence("screen.wait_out_reading")
    shown = silent(tmp_path, {10.0: b"\r", 20.0: b"\r", 20.5: b"45.20\r", 60.0: b"\r", 70.0: b"\r", 100.0: b"b", 100.5: b"n",
                              130.0: b"n"}, 135.0)
    assert shown(21.0).typed == "45.20" and press in shown(21.0).messages and whole not in shown(21.0).messages
    assert shown(61.0).check == "45.20"
    assert press in shown(101.0).messages and whole not in shown(101.0).messages
    assert "45.20" in shown(131.0).messages[-1] and shown(131.0).do.startswith("Initial"), "the no was taken then"


def test_nobody_waits_for_a_question_that_his_own_key_cut_off(tmp_path: Path) -> None:
    """It would never be over; its # tells him, and has it asked again behind the caution that goes on."""
    shown = silent(tmp_path, {10.0: b"\r", 20.0: b"\r", 20.5: b"45.20", 26.0: b"\r", 45.0: b"\r"}, 46.0)
    assert shown(20.2).listens.startswith(MOMENT) and not shown(21.0).listens.startswith(MOMENT)
    assert shown(26.3).listens.startswith(MOMENT) and not shown(44.0).listens.startswith(MOMENT)
    assert shown(45.3).check == "45.20"


def test_why_it_was_scrapped_waits_for_its_question(tmp_path: Path) -> None:
    shown = silent(tmp_path, {10.0: b"S", 20.0: b"\r", 21.0: b"3", 45.0: b"b"}, 46.0)
    assert shown(20.6).listens.startswith(MOMENT) and sentence("screen.wait_out") in shown(21.5).messages
    assert not shown(44.0).listens.startswith(MOMENT)
    assert not any(sentence("test.scrapped") in one for one in shown(21.5).messages), "it stands above, with what to do"
