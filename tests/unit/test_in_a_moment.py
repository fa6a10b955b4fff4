"""Where no loudspeaker can tell when a question is over, the screen says from when on a press counts."""
from __future__ import annotations

from pathlib import Path

from assistant.core.events import KeyPressed
from assistant.core.language import sentence
from assistant.core.machine import step
from assistant.core.state import Phase
from assistant.station import view
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
