"""The published folder, read: `Published.look` when something changed, `test` and `pdf` of one test.

The station writes each file beside and renames it over, so what is read is whole. What can't be read leaves what was there.
"""
from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from assistant.board import files, place
from hardware.clock import boot_now

SCHEMA = 1
MOST = 4_000_000
"""Bytes of a JSON file. A leak hold of ten minutes at ten points a second is 150,000."""
MOST_PDF = 30_000_000

Stamp = tuple[int, int, int]


@dataclass(frozen=True, eq=False)
class Snapshot:
    """All that is shown at one time: ``now.json`` and ``day.json`` as the station wrote them, empty where there is none."""
    id: str = "none"
    """The same for the same files, whichever process reads them."""
    now: Mapping[str, Any] = field(default_factory=dict)
    day: Mapping[str, Any] = field(default_factory=dict)
    step_words: str = ""
    """What to do, as it was when this step began: what is told within a step, such as how far a charge is off, is no new step."""
    trouble: bool = False
    """What is there now can't be read; the rest is from before."""

    @property
    def at(self) -> float:
        """The station's last word, s of the boot clock."""
        return float(self.now.get("at", 0))


class Published:
    """``clock``: s since boot, by which the station says when it wrote."""

    def __init__(self, folder: Path, clock: Callable[[], float] = boot_now) -> None:
        self.folder, self.snapshot, self._clock = folder, Snapshot(), clock
        self._stamps: tuple[Stamp | None, Stamp | None] = (None, None)

    def look(self) -> bool:
        """Whether there is something new in ``snapshot``."""
        stamps = self._stamp(place.NOW), self._stamp(place.DAY)
        if stamps == self._stamps:
            return False
        before, old = self._stamps, self.snapshot
        self._stamps = stamps
        try:
            now = self._json(place.NOW) if stamps[0] != before[0] else old.now
            day = self._json(place.DAY) if stamps[1] != before[1] else old.day
            if float(now.get("at", 0)) > self._clock():     # written before this machine started anew: its clocks run no more
                now = {}
            self.snapshot = _whole(now, day, stamps[1], old)
        except (OSError, ValueError, TypeError, KeyError, RecursionError):
            self.snapshot = Snapshot(f"{old.id}-x", old.now, old.day, old.step_words, trouble=True)
        return True

    def test(self, number: int) -> Mapping[str, Any] | None:
        """What a test's page shows; None: the day lists none, as while another test checks it, or its file is none."""
        try:
            return self._json(f"test-{number}.json") or None if self.listed(number).get("page") else None
        except (OSError, ValueError, RecursionError):
            return None

    def pdf(self, number: int) -> bytes | None:
        """The report in which the test is, under the same rule."""
        try:
            return files.get(self.folder / f"test-{number}.pdf", MOST_PDF) if self.listed(number).get("pdf") else None
        except (OSError, ValueError):
            return None

    def listed(self, number: int) -> Mapping[str, Any]:
        """Its line in the day as it is now; empty where there is none."""
        self.look()
        return next((test for test in self.snapshot.day.get("tests") or [] if test["number"] == number), {})

    def _stamp(self, name: str) -> Stamp | None:
        try:
            found = os.stat(self.folder / name)
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino, found.st_size

    def _json(self, name: str) -> Mapping[str, Any]:
        try:
            found = json.loads(files.get(self.folder / name, MOST))
        except FileNotFoundError:
            return {}
        if not isinstance(found, dict) or found.get("schema", SCHEMA) != SCHEMA:
            raise ValueError(name)
        return found


def _whole(now: Mapping[str, Any], day: Mapping[str, Any], day_stamp: Stamp | None, before: Snapshot) -> Snapshot:
    ident = f"{now.get('run', '')}-{now.get('seq', 0)}-{day_stamp[0] if day_stamp else 0}"
    same = all(now.get(key) == before.now.get(key) for key in ("run", "title", "step"))
    return Snapshot(re.sub(r"[^\w.-]", "_", ident)[:100] if now or day else "none", now, day,
                    before.step_words if same and before.step_words else str(now.get("do", "")))
