"""Every test of the station from its beginning to its end with three buttons, yes, no and say again, and no gauge on a wire."""
from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.asked import needs_held
from assistant.core.language import sentence
from assistant.core.state import Phase, State
from assistant.core.steps import Choose
from assistant.core.three_buttons import ENTER, wheel
from assistant.procedures import names
from assistant.record import summary
from assistant.station import view
from assistant.station.layout import layout
from tests.property.test_never_stuck import TRUE
from tests.scenario.dialogue import Dialogue


class Buttons(Dialogue):
    def __init__(self, folder: Path, test: str) -> None:
        self.presses: Counter[str] = Counter()
        super().__init__(folder, test, {"hands": "buttons"}, measure_volume_ft3="0.250", bowl_volume_ft3="0.245")

    def key(self, keys: str) -> Buttons:
        assert keys in ("#", "#-held", "C", "A", "A-held")
        self.presses[keys] += 1
        super().key(keys)
        return self

    def turn(self, key: str) -> None:
        self.presses[key] += 1
        self.press(key, after=0.35)
        self.looked(self.state)

    def enter(self, text: str) -> None:
        self.key("C")
        for sign in (*text, ENTER):
            if not self.state.wheel:
                return  # whole
            if sign == "." and self.state.typed.endswith("."):
                continue
            for _ in wheel(self.state):
                if self.state.wheel == sign:
                    break
                self.turn("C")
            self.turn("#")

    looked: Callable[[State], None] = staticmethod(lambda state: None)

    def go(self, leave_out: bool) -> Buttons:
        for _ in range(3000):
            state = self.state
            if state.phase is Phase.OVER:
                return self
            self.looked(state)
            step = state.step
            if state.phase in (Phase.HOLD, Phase.TAPPING):
                self.wait(1)
            elif state.phase is Phase.ENTRY and not (leave_out and state.ask.optional):
                self.enter(TRUE.get(step.id, TRUE.get(step.id.partition(".")[0], "")))
            elif state.phase is Phase.CHOOSE and isinstance(step, Choose) and step.yes.skips:
                self.key("C")
            else:
                self.key("#-held" if needs_held(state) else "#")
        raise AssertionError(f"stuck at {self.state.prompt}: it said {self.said!r}")


@pytest.mark.parametrize("leave_out", (False, True))
@pytest.mark.parametrize("test", names())
def test_from_beginning_to_end(tmp_path: Path, test: str, leave_out: bool) -> None:
    t = Buttons(tmp_path, test).go(leave_out)
    assert t.state.outcome == "done", t.state.outcome
    t.replayed()
    for ident, value in t.state.taken().items():
        assert value == Decimal(TRUE[ident]), ident


def test_the_sequential_test_passes_and_counts_its_presses(tmp_path: Path) -> None:
    """Its 17 numbers by the wheel, since nothing offers them: what it costs to have no gauge on a wire and no keypad."""
    t = Buttons(tmp_path, "sequential").go(leave_out=True)
    assert summary.of(t.journal, t.station.test)["verdict"] == "pass"
    print("presses by three buttons, no wire:", dict(t.presses))
    assert sum(t.presses.values()) <= 500


@pytest.mark.parametrize("width, height", ((40, 15), (80, 24), (100, 30)))
def test_at_every_prompt_the_screen_names_the_three_buttons_and_shows_what_the_wheel_has(tmp_path: Path, width: int, height: int) -> None:
    legend = sentence("buttons.screen.keys_short" if width < 60 else "buttons.screen.keys").split()
    shown: set[str] = set()

    def look(state: State) -> None:
        seen = view.of(state, state.now)
        lines = layout(seen, width, height)
        words = " ".join(lines).split()
        assert words[-len(legend):] == legend, lines
        if state.wheel:
            assert "YES" in words[:-len(legend)], lines  # takes it
            assert not seen.typed or any("\u2588" in line or "\u258c" in line or seen.typed in line for line in lines), lines
        shown.add(state.prompt)
    t = Buttons(tmp_path, "sequential")
    t.looked = look  # type: ignore[method-assign]
    t.go(leave_out=True)
    assert {"zero", "leak.charge", "clamps", "equilibrium.1.3.again", "finish.wash"} <= shown
