"""`python -m tests.screens [FOLDER] [TEST]…`: every screen of every test, at the sizes that must work, as text files to look at.

A technician who knows what is asked goes through each test twice: once without a slip, and once with every slip that there is
a screen for. What the station shows meanwhile is kept, each screen once.
"""
from __future__ import annotations

import random
import re
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path

from assistant.core.asked import needs_held, soonest
from assistant.core.events import Heard
from assistant.core.spoken import digits, say
from assistant.core.state import Phase, State
from assistant.core.steps import Choose
from assistant.procedures import names
from assistant.station.layout import View, layout
from hardware.meter import Meter
from tests.on_screen import AtTheScreen, play, play_round
from tests.property.test_never_stuck import TRUE

SIZES = ((40, 15), (80, 24), (100, 30))
"""A 3.5 in. or small HDMI screen with a font of 8 x 16 or 12 x 22 dots, the terminal of old, a window."""
SLIPS = ("pause", "scrap", "deny", "wrong", "nonsense", "again", "where", "back", "left", "quiet")
KEY_S = 0.4
ROUND = "round"
TESTS = (*names(), ROUND)


class Knowing:
    """Answers by what the state asks. slips: each kind of slip comes at each kind of moment once."""

    def __init__(self, slips: bool, seed: int = 1, leave: bool = False) -> None:
        self.slips, self.chance = slips, random.Random(seed)
        self.leave = leave
        """Scraps the test with the mallet in his hand."""
        self.screens: list[tuple[str, View]] = []
        self._seen: set[object] = set()
        self._slipped: set[tuple[str, object]] = set()
        self._at = 0.0
        self._keys: list[bytes] = []

    def look(self, at: AtTheScreen, view: View) -> None:
        state, now = at.state, at.clock.time
        self._keep(state, view)
        if now < self._at:
            return
        self._at = now + KEY_S
        if self._keys:
            at.clock.at(now, lambda key=self._keys.pop(0): at.type(key))
        elif view.waits:
            self._keys = [b"\r"]
            self._at = now + 2.0
        elif state.procedure is None or state.phase is Phase.OVER or state.phase in (Phase.HOLD, Phase.TAPPING) and not state.paused \
                and not self._slip(at, state):
            pass
        elif now >= soonest(state, "C" if state.phase is Phase.SCRAP else "#-held" if needs_held(state) else "#") + 0.1:
            if not self._slip(at, state):
                self._answer(at, state)

    def _keep(self, state: State, view: View) -> None:
        still = replace(view, clock_s=None if view.clock_s is None else 0.0, gauge="" if view.gauge else None,
                        deadline=re.sub(r"\d+", "0", view.deadline))
        if still not in self._seen:
            self._seen.add(still)
            self.screens.append((f"{state.prompt or 'result'}-{state.phase.name.lower()}", view))

    def _slip(self, at: AtTheScreen, state: State) -> bool:
        """Whether something else was done than what is asked."""
        if not self.slips or state.paused:
            return False
        kinds = [kind for kind in SLIPS if (kind, state.phase) not in self._slipped
                 and (kind not in ("wrong", "nonsense") or state.phase is Phase.ENTRY)
                 and (kind != "deny" or state.phase is Phase.CONFIRM)
                 and (kind != "left" or state.phase is Phase.HOLD)]
        if not kinds or self.chance.random() < 0.4:
            return False
        kind = self.chance.choice(kinds)
        self._slipped.add((kind, state.phase))
        match kind:
            case "pause":
                self._keys = [b"A"]
            case "scrap":
                self._keys = [b"S"]
            case "deny":
                self._keys = [b"n"]
            case "wrong":
                true = Decimal(TRUE[state.ask.id])
                for _ in range(2):
                    at.handle(Heard(at.clock.time, digits(true + Decimal("0.07")).replace(",", "")))
            case "nonsense":
                self._keys = [*(bytes([one]) for one in b"99.999"), b"\r"]
            case "again":
                self._keys = [b"a"]
            case "where":
                self._keys = [b"d", b"d"]
            case "back":
                self._keys = [b"b"]
            case "left":
                self._keys = [b"d"]
            case "quiet":
                self._keys = [b"D", b"D"]
        return True

    def _answer(self, at: AtTheScreen, state: State) -> None:
        if state.paused:
            self._keys = [b"A"]
        elif state.phase is Phase.ENTRY and state.ask.id in TRUE:
            true = Decimal(TRUE[state.ask.id])
            if self.chance.random() < 0.5 or state.first is not None or state.typed:
                self._keys = [*([b"c"] if state.typed else []), *(bytes([one]) for one in f"{true:f}".encode()), b"\r"]
            else:
                at.handle(Heard(at.clock.time, say(true)))
        elif self.leave and state.phase in (Phase.SCRAP, Phase.READY):
            self._keys = [b"S" if state.phase is Phase.READY else b"\r"]
            self.leave = state.phase is Phase.READY
        elif state.phase in (Phase.SCRAP, Phase.CHANGE) or state.phase is Phase.CHOOSE and _skips(state):
            self._keys = [b"n"]
        elif state.phase is Phase.CONFIRM and state.ask.id in TRUE and state.proposed is not None:
            yes = b"Y" if needs_held(state) else b"\r"
            self._keys = [yes if state.proposed.value == Decimal(TRUE[state.ask.id]) else b"n"]
        else:
            self._keys = [b"Y" if needs_held(state) else b"\r"]


def _skips(state: State) -> bool:
    return isinstance(state.step, Choose) and (state.step.yes.skips or state.step.yes.goto == "stop")


@cache
def screens(test: str) -> tuple[tuple[str, View], ...]:
    """Every screen of a test, and the prompt it is of: as run, in practice with slips, and scrapped."""
    found: list[tuple[str, View]] = []
    for slips, leave in ((False, False), (True, False), (False, True)):
        knowing = Knowing(slips, leave=leave)
        with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
            if test == ROUND:
                play_round(Path(folder), knowing.look, Meter() if slips else None)
            else:
                play(Path(folder), test, knowing.look, Meter() if slips else None)
        found += knowing.screens
    return tuple(found)


def pages(test: str) -> Iterator[tuple[str, str]]:
    """A name and all three sizes of each screen, under each other."""
    for number, (name, view) in enumerate(screens(test), 1):
        shown = []
        for width, height in SIZES:
            edge = f"+{'-' * width}+ {width} x {height}"
            shown += [edge, *(f"|{line:<{width}}|" for line in layout(view, width, height)), edge]
        yield f"{number:03}-{name}", "\n".join(shown) + "\n"


if __name__ == "__main__":
    place = Path(sys.argv[1] if len(sys.argv) > 1 else "screens")
    for test in sys.argv[2:] or TESTS:
        (place / test).mkdir(parents=True, exist_ok=True)
        for name, text in pages(test):
            (place / test / f"{name}.txt").write_text(text, encoding="utf-8")
        print(f"{place / test}: {len(screens(test))} screens")
