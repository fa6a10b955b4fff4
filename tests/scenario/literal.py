"""A newcomer who knows nothing but what the screen says, and does all of it to the letter: remarks too, for as long as they stand there.

He sees the lines of the screen, presses keys of the terminal, and works the simulated meter by the keys that the screen names.
"""
from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable
from itertools import takewhile

from assistant.station.layout import DO, View, layout
from tests.on_screen import AtTheScreen
from tests.scenario.terminal_technician import _decode

PUMP, BLEED, HOLD_LEVER, RELEASE = b"\x1b[A", b"\x1b[B", b"\x1b[C", b"\x1b[D"
READS_S, PRESS_S = 1.2, 0.35
STILL_S = 4.0
"""So long he watches whether the gauge stands where he brought it."""


class Seen:
    """What stands on a screen of so many columns and lines."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.lines = [str(line) for line in lines]
        self.text = "\n".join(self.lines)
        starts = [line.strip() for line in self.lines]
        self.do = " ".join(line[len(DO):] for line in starts if line.startswith(DO))
        asked = [at for at, line in enumerate(starts) if line.startswith(DO)]
        self.hint = " ".join(line.strip() for line in self.lines[asked[-1] + 1:asked[-1] + 4] if line.startswith("   ")) if asked else ""
        told = next((at for at, line in enumerate(starts) if line.startswith("▶") and "SAY OR KEY" in line), None)
        self.listens = "" if told is None else " ".join(
            [starts[told].partition(":")[2], *takewhile(lambda line: not re.match("[·─]|$|PRACTICE|METER|Enter", line), starts[told + 1:])]).strip()
        self.remarks: list[str] = []
        for line in self.lines:
            if line.startswith(" · "):
                self.remarks.append(line[3:])
            elif line.startswith("   ") and self.remarks and self.lines.index(line) > (told or 0):
                self.remarks[-1] += " " + line.strip()
        state = [at for at, line in enumerate(self.lines) if "METER:" in line]
        self.meter = " ".join(line.strip() for line in self.lines[state[0]:state[0] + 2]) if state else ""

    def number(self, label: str) -> float:
        plain = re.search(rf"{re.escape(label)} +(-?\d+(?:\.\d+)?)", self.text)
        if plain:
            return float(plain[1])
        row = next(at for at, line in enumerate(self.lines) if label in line)
        column = self.lines[row].index(label) - 2
        drawn = (_decode([line[column:].ljust(120) for line in self.lines[top:top + 5 * scale]], scale)
                 for scale in (2, 1) for top in range(row + 1, row + 4))
        return float(next(text for text in drawn if re.fullmatch(r"-?\d+(\.\d+)?", text)))

    @property
    def gauge(self) -> float:
        return self.number("SIMULATED GAUGE")


class Literal:
    """slips: what he does wrong, each once: "under", "over" (a charge), "deny" (a right read-back), "typo", "pause", "stray"."""

    def __init__(self, slips: Iterable[str] = (), size: tuple[int, int] = (80, 24)) -> None:
        self.slips, self.size = set(slips), size
        self.pages: list[str] = []
        self.obeyed: list[str] = []
        """What remarks made him do."""
        self._done: set[tuple[str, str]] = set()
        self._sentences: deque[str] = deque()
        self._of = ""
        self._keys: deque[bytes] = deque()
        self._last = b"\r"
        self._next = 0.0
        self._goal: tuple[float, float] | None = None
        self._still: float | None = None
        self._keyed = ""
        self._bubbles = ""
        self.trail: deque[str] = deque(maxlen=400)

    def look(self, at: AtTheScreen, view: View) -> None:
        if at.clock.time < self._next:
            return
        self._next = at.clock.time + PRESS_S
        seen = Seen(layout(view, *self.size))
        if self._keys:
            self._press(at, self._keys.popleft())
        else:
            self._act(at, seen)
        assert at.clock.time < 3600, "\n".join([*self.trail, seen.text])

    def _press(self, at: AtTheScreen, key: bytes) -> None:
        self.trail.append(f"{at.clock.time:.1f} {key!r}")
        if key in (b"\r", b"Y", b"n"):
            self._last = key
        at.clock.at(at.clock.time, lambda: at.type(key))

    def _act(self, at: AtTheScreen, seen: Seen) -> None:
        if "Any key goes on." in seen.text:
            self.pages.append(seen.text)
            self._next = at.clock.time + 3
            self._press(at, b"\r")
            return
        if seen.do != self._of:
            self.trail.append(f"{at.clock.time:.1f} {seen.do} | {seen.listens} | {seen.remarks}")
            self._of, self._goal, self._still = seen.do, None, None
            self._done.clear()  # he reads all of it again
            if seen.do.startswith("Water of"):
                self._bubbles = ""
            self._sentences = deque(re.split(r"(?<=[.?!]) ", seen.do))
            self._next = at.clock.time + READS_S
            return
        for remark in seen.remarks:
            if (remark, seen.do) not in self._done:
                self._done.add((remark, seen.do))
                if self._obey(at, remark):
                    self.obeyed.append(remark)
                    return
        if self._goal is not None:
            self._charge(at, seen, *self._goal)
        elif self._sentences:
            self._sentence(at, seen, self._sentences.popleft())
        elif "■ TAP" in seen.text:
            self._press(at, b" ")
            self._next = at.clock.time + 0.9
        else:
            self._answer(at, seen)

    def _obey(self, at: AtTheScreen, remark: str) -> bool:
        """Whether the remark tells to do something."""
        if re.search("[Bb]ubble", remark):
            self._bubbles = remark
        if "hear it out, then press again" in remark:
            self._next = at.clock.time + 4.5
            self._keys.append(self._last)
            self._done = {one for one in self._done if one[0] != remark}
        elif "hear it out, then key the whole reading" in remark:
            self._next = at.clock.time + 4.5
        elif wrong := re.search(r"(over|under) by (\d+\.\d+)", remark, re.IGNORECASE):
            if not re.search("pump|bleed", remark):
                return False
            strokes = max(1, round(float(wrong[2]) / 0.03))
            self._keys.extend([b"+" if "pump" in remark else b"-"] * strokes)
            self._next = at.clock.time + READS_S
            self._sentences.append("What does it read now?")
        elif "petcocks are closed: no water goes in" in remark:
            self._keys.extend([b"v", b"w"])
        else:
            return False
        return True

    def _sentence(self, at: AtTheScreen, seen: Seen, words: str) -> None:
        """One sentence of the instruction, to the letter."""
        if re.search(r"Lever (up|released)", words) and "HELD" in seen.meter:
            self._keys.append(RELEASE)
        if aim := re.search(r"Charge (?:the chamber )?to (?:between )?(\d+\.?\d*)(?: and (\d+\.?\d*))?", words):
            low, high = float(aim[1]), float(aim[2] or aim[1])
            self._goal = ((low + high) / 2, max(0.015, (high - low) / 3))
            for slip, off in (("under", -0.07), ("over", 0.07)):
                if low == high and slip in self.slips:
                    self.slips.remove(slip)
                    self._goal = (low + off, 0.01)
                    break
        elif aim := re.search(r"Bleed the chamber (?:down )?to (zero|about (\d+\.?\d*))", words):
            goal = float(aim[2] or 0)
            if seen.gauge > goal + (0.5 if aim[2] else 0.01):
                self._keys.append(BLEED if seen.gauge > goal + 0.5 else b"-")
                self._sentences.appendleft(words)
        elif re.search(r"until nothing comes out", words) and "petcock" in words:
            if "petcocks closed" in seen.meter:
                self._keys.append(b"v")
                self._sentences.appendleft(words)
            elif "SPRAYING" in seen.meter:
                self._sentences.appendleft(words)
        elif "Only with" in words and "SPRAYING" in seen.meter:
            self._sentences.appendleft(words)
        elif re.search(r"^(Flood|Second filling)", words) or "third filling" in words and "Some bubbles" in self._bubbles:
            self._keys.append(b"w")
            if "until no air comes" in words and "hardly a bubble" not in self._bubbles:
                self._next = at.clock.time + READS_S
                self._sentences.appendleft(words)
        elif re.search(r"close (both petcocks|the petcock)", words, re.IGNORECASE) and "petcocks OPEN" in seen.meter \
                and "Leave the petcocks open" not in seen.hint:
            self._keys.append(b"v")
        elif "Engage all" in words and "lid OFF" in seen.meter or "unclamp" in words and "lid on" in seen.meter:
            self._keys.append(b"u")
        elif "Press and hold" in words:
            self._keys.append(HOLD_LEVER)

    def _charge(self, at: AtTheScreen, seen: Seen, goal: float, within: float) -> None:
        off = seen.gauge - goal
        if abs(off) <= within:
            if self._still is None:
                self._still, self._next = seen.gauge, at.clock.time + STILL_S
            else:
                self._goal = self._still = None
            return
        self._still = None
        self._press(at, PUMP if off < -1.2 else b"+" if off < 0 else BLEED if off > 2.5 else b"-")

    def _answer(self, at: AtTheScreen, seen: Seen) -> None:
        listens = seen.listens.removeprefix("keys only while I talk:").strip()
        self._next = at.clock.time + READS_S
        if "(paused)" in listens:
            self._keys.append(b"A")
        elif slip := next((slip for slip, moment in (("pause", "next"), ("stray", "next")) if slip in self.slips
                           and listens == moment and seen.do.startswith(("Lever up. Look", "Second filling"))), ""):
            self.slips.remove(slip)
            self._keys.append({"pause": b"A", "stray": b"z"}[slip])
        elif listens == "next":
            self._keys.append(b"\r")
        elif listens.startswith("the reading") and re.search(r"\b[Nn]ext\b", seen.do) and "such as" not in seen.hint:
            self._keys.append(b"\r")  # what need not be answered
        elif listens.startswith("the reading"):
            example = re.search(r"such as (\S*\d)", seen.hint)
            self._next = at.clock.time + 4.5
            self._keyed = example[1] if example else f"{seen.gauge:.2f}"
            if "typo" in self.slips and not example:
                self.slips.remove("typo")
                self._keyed = self._keyed[:-1] + str(9 - int(self._keyed[-1]))
            self._keys.extend([*([b"c"] if "▶ TYPED" in seen.text else []), *(bytes([one]) for one in self._keyed.encode()), b"\r"])
        elif "▶ RIGHT?" in seen.text:
            same = seen.number("RIGHT?") == float(self._keyed)
            if "deny" in self.slips:
                self.slips.remove("deny")
                same = False
            self._keys.append((b"Y" if listens.startswith("yes: Y") else b"\r") if same else b"n")
        elif listens.startswith("yes"):
            bad = "petcocks closed" in seen.do and "petcocks OPEN" in seen.meter
            if bad:
                self._keys.append(b"v")
            elif re.search(r"^Scrap|^The result was said", seen.do) or "nothing coming out" in seen.do and "petcocks OPEN" not in seen.meter:
                self._keys.append(b"n")
            else:
                self._keys.append(b"Y" if listens.startswith("yes: Y") else b"\r")
