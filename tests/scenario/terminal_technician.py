"""A technician at a real terminal (tmux): looks at the screen, works the simulated meter and the keypad by keys alone."""
from __future__ import annotations

import re
import shlex
import subprocess
import time
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path

from assistant.station.big_digits import big

ROOT = Path(__file__).resolve().parents[2]


class Terminal:
    """One tmux session of its own (its own server, so that nobody else's is touched)."""

    def __init__(self, command: Sequence[str], env: Mapping[str, str] | None = None, size: tuple[int, int] = (100, 34)) -> None:
        self.socket = f"bowlside-{uuid.uuid4().hex[:8]}"
        settings = [f"{key}={value}" for key, value in {"LANG": "C.UTF-8", **(env or {})}.items()]
        self._tmux("new-session", "-d", "-x", str(size[0]), "-y", str(size[1]),
                   f"cd {shlex.quote(str(ROOT))} && env {shlex.join(settings)} {shlex.join(command)}; echo LEFT $?; sleep 600")

    def _tmux(self, *args: str) -> str:
        return subprocess.run(["tmux", "-L", self.socket, *args], capture_output=True, text=True, check=True, timeout=20).stdout

    def screen(self) -> str:
        return self._tmux("capture-pane", "-p")

    def keys(self, *names: str) -> None:
        """tmux key names: Enter, Up, Space, or single characters."""
        for name in names:
            time.sleep(0.3 if name == "Enter" else 0)  # a person's pace; quicker is a bounce to the station
            self._tmux("send-keys", name) if len(name) > 1 else self._tmux("send-keys", "-l", name)
            time.sleep(0.03)

    def close(self) -> None:
        subprocess.run(["tmux", "-L", self.socket, "kill-server"], capture_output=True, timeout=20)

    def wait_for(self, pattern: str, seconds: float) -> str:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            shown = self.screen()
            if re.search(pattern, shown, re.IGNORECASE | re.DOTALL):
                return shown
            time.sleep(0.1)
        raise AssertionError(f"{pattern!r} did not show within {seconds} s; the screen was:\n{self.screen()}")


def read_big(shown: str, label: str = "SIMULATED GAUGE") -> str:
    """The number drawn in large digits under a label, read as a person reads it: by its shapes."""
    lines = shown.splitlines()
    row = next(at for at, line in enumerate(lines) if label in line)
    column = lines[row].index(label) - 2
    for scale in (2, 1):
        for top in range(row + 1, row + 4):
            text = _decode([line[column:].ljust(120) for line in lines[top:top + 5 * scale]], scale)
            if re.fullmatch(r"-?\d+\.\d\d", text):
                return text
    raise AssertionError(f"no number could be read under {label}:\n{shown}")


def _decode(rows: list[str], scale: int) -> str:
    text, at = "", 0
    shapes = {character: big(character, scale) for character in "0123456789.-"}
    while len(rows) == 5 * scale:
        found = next((character for character, shape in shapes.items()
                      if all(row[at:at + len(part)].ljust(len(part)) == part for row, part in zip(rows, shape))), None)
        if found is None:
            break
        text += found
        at += len(shapes[found][0]) + 2 * scale
    return text


class Technician:
    """Does what the screen says. The gauge is read from the meter's own large digits."""

    def __init__(self, terminal: Terminal, skip_leak_hold: bool = False) -> None:
        self.terminal, self.skip = terminal, skip_leak_hold
        self.seen: list[str] = []
        self.results: list[str] = []
        """The result pages that came up."""

    def gauge(self) -> str:
        return read_big(self.terminal.screen())

    def do(self, until: str = r"LEFT \d", seconds: float = 600) -> str:
        """Work on until ``until`` shows. Returns the screen."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            shown = self.terminal.screen()
            if re.search(until, shown):
                return shown
            self._one(shown)
            time.sleep(0.15)
        raise AssertionError(f"{until!r} did not show within {seconds} s; the screen was:\n{self.terminal.screen()}")

    def _one(self, shown: str) -> None:
        what = " ".join(line.strip(" ┃") for line in shown.splitlines() if "┃" in line).upper()
        keys = self.terminal.keys
        if "Any key goes on." in shown:
            self.results.append(shown)
            time.sleep(1.2)  # not at once: that would be a key for the question before
            keys("Enter")
            return
        if not what or "SAY OR KEY" not in shown:
            return
        if ("keys only while I talk" in shown or "in a moment:" in shown) and ("ONCE MORE" in what or "hold #" in shown):
            return  # a second look, a safety question: heard to its end
        if "PRESS AND HOLD" in what:
            return
        new = what not in self.seen[-1:]  # what is done at the meter is done once, however often Enter must be pressed
        if new:
            self.seen.append(what)
        if "▶ TYPED" in shown:
            keys("Enter")  # it came too soon
        elif "hold #" in shown:
            keys("Y")
        elif "RIGHT?" in what:
            keys("Enter")
        elif "LEAK HOLD NOW" in what:
            keys("c" if self.skip else "Enter")
        elif "WHAT DOES IT READ" in what or "CHARGE BETWEEN" in what:
            self._charge(45.25, 0.2)
            self._key_gauge()
        elif "INITIAL READING" in what or "FINAL READING" in what or "START PRESSURE?" in what:
            self._key_gauge()
        elif "EQUILIBRIUM?" in what or "ONCE MORE" in what:
            self._key_gauge()
        elif match := re.search(r"CHARGE TO (\d+(?:\.\d+)?)", what):
            keys("Left")
            self._charge(float(match[1]), 0.015)
            keys("Enter")
        elif "MALLET READY" in what:
            keys("Enter")
            time.sleep(0.6)
            if "MALLET READY" in self.terminal.screen().upper():
                return  # too soon: once more
            self.terminal.wait_for("TAP", 20)
            keys("Right")
            for _ in range(14):
                keys("Space")
                time.sleep(0.9)
        elif "CRACK ONE PETCOCK" in what or "OPEN BOTH PETCOCKS" in what:
            if new:
                keys("Left", "v")
                time.sleep(8)
            keys("Enter")
        elif "CLOSE BOTH PETCOCKS" in what or "THIRD FILLING" in what:
            keys(*(("w", "v") if new else ()), "Enter")
        elif "FLOOD" in what or "SECOND FILLING" in what:
            keys(*("w" if new else ""), "Enter")
        elif "BLEED THE CHAMBER" in what:
            goal = 14.5 if "ABOUT 14.5" in what else 0.0
            while float(self.gauge()) > goal + 0.5:
                keys("Down")
                time.sleep(0.12)
            keys("Enter")
        elif "DAMP THE O-RING" in what or "UNCLAMP" in what:
            keys(*("u" if new else ""), "Enter")
        elif "WAIT" in shown and "TIME LEFT" in shown.upper() and "SETTLE" in shown or any(
                words in what for words in ("HOLD HAS BEGUN", "LET IT SETTLE", "KEEP HOLDING")):
            return
        else:
            keys("Enter")
        time.sleep(0.3)

    def _charge(self, target: float, within: float) -> None:
        """Pump, bleed and trim until the gauge stands still inside the band."""
        for _ in range(400):
            off = float(self.gauge()) - target
            if abs(off) <= within:
                time.sleep(4)  # freshly pumped air cools: look again
                off = float(self.gauge()) - target
                if abs(off) <= within:
                    return
            self.terminal.keys("Up" if off < -1.2 else "+" if off < 0 else "Down" if off > 2.5 else "-")
            time.sleep(0.12)
        raise AssertionError(f"could not charge to {target}; the screen was:\n{self.terminal.screen()}")

    def _key_gauge(self) -> None:
        """Not before the question could be heard; what is left of an entry that came too soon is cleared."""
        time.sleep(1.2)
        self.terminal.keys(*self.gauge(), "Enter")
