"""Who works the simulated meter at a real terminal and answers with a pedal, or with three buttons, alone: he obeys every word."""
from __future__ import annotations

import re
import sys
import time
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from tests.scenario.terminal_technician import Technician, Terminal, read_big

PEDAL, YES, NO, AGAIN = 24, 5, 6, 13
METER = {"Up", "Down", "Left", "Right", "Space", "+", "-", "v", "w", "u"}


def station(folder: Path, kind: str, *more: str, size: tuple[int, int] = (80, 24),
            env: Mapping[str, str] | None = None) -> Terminal:
    """``bowlside practise`` over the wired simulated meter, with a pedal or buttons on pins that the pipe in ``folder`` presses."""
    config = folder / "config" / "bowlside"
    config.mkdir(parents=True)
    (config / "station.toml").write_text({"pedal": '[pedal]\nkind = "button"\n', "buttons": '[buttons]\nkind = "pins"\n'}[kind])
    return Terminal([sys.executable, "-m", "tests.scenario.pressed_station", str(folder / "pipe"), "practise", "--wire", "line",
                     "--journal", str(folder / "journal"), *more], {**(env or {}), "XDG_CONFIG_HOME": str(folder / "config")}, size)


class OneHand(Technician):
    """Terminal keys only ever work the meter."""

    def __init__(self, terminal: Terminal, folder: Path, yes: int = PEDAL, skip_leak_hold: bool = False) -> None:
        super().__init__(terminal, skip_leak_hold)
        self.pipe, self.yes = folder / "pipe", yes
        self.presses: Counter[str] = Counter()
        self.prompts: list[str] = []
        self.began = self.asked_at = time.monotonic()
        self.pressed_at = 0.0
        self._send, terminal.keys = terminal.keys, self._keys  # type: ignore[method-assign]

    def _keys(self, *names: str) -> None:
        for name in names:
            if name == "Enter":
                self.press(self.yes, 0.1)
            elif name == "Y":
                self.press(self.yes, 1.0)
            elif name == "c":
                self.no()
            else:
                assert name in METER, f"{name} is no key of the meter"
                self._send(name)

    def no(self) -> None:
        self.press(NO, 0.1)

    def press(self, pin: int, seconds: float) -> None:
        """What is asked is read to its end first, at 250 words a minute, and no two presses come within the station's four seconds."""
        words = len(self.prompts[-1].split()) if self.prompts else 0
        time.sleep(max(0.0, self.asked_at + words * 60 / 250 + 0.5 - time.monotonic(), self.pressed_at + 4.1 - time.monotonic()))
        self.pressed_at = time.monotonic()
        self.presses["held" if seconds > 0.5 else "short"] += 1
        with self.pipe.open("w") as pipe:
            pipe.write(f"{pin} {seconds}\n")
        time.sleep(seconds + 0.3)

    def gauge(self) -> str:
        shown = self.terminal.screen()
        small = re.search(r"SIMULATED GAUGE\s+(-?\d+\.\d+) psi", shown)  # while a number is to be checked
        return small[1] if small else read_big(shown)

    def _charge(self, target: float, within: float) -> None:
        """A little each time, and a look whether the station has begun to ask."""
        for _ in range(400):
            off = float(self.gauge()) - target
            if "▶ RIGHT?" in self.terminal.screen():
                return
            if abs(off) <= within:
                time.sleep(2.5)  # freshly pumped air cools: look again
                if abs(float(self.gauge()) - target) <= within:
                    return
                continue
            self.terminal.keys("Up" if off < -1.2 else "+" if off < 0 else "Down" if off > 2.5 else "-")
            time.sleep(0.12)
        raise AssertionError(f"could not charge to {target}; the screen was:\n{self.terminal.screen()}")

    def _key_gauge(self) -> None:
        """The wire gives it: it is read back by itself. The second time he compares it with the gauge's own face."""
        shown = self.terminal.screen()
        if re.search(r"┃ (Once more|Again, from the face)", shown):
            time.sleep(2.5)
            self.press(self.yes, 0.1)
        self.terminal.wait_for(r"┃ .*(Right|own face show|mallet)", 40)

    def _one(self, shown: str) -> None:
        what = " ".join(line.strip(" ┃!") for line in shown.splitlines() if line.strip()[:1] in "┃!" and line.strip())
        if what and what not in self.prompts[-1:]:
            self.prompts.append(what)
            self.asked_at = time.monotonic()
        super()._one(shown.replace("hold YES", "hold #"))
