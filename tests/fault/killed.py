"""A journal as kill -9 leaves it: one whole test in the database, a second one cut in its run 2, still in the write-ahead log."""
from __future__ import annotations

import shutil
from pathlib import Path

from assistant.record.journal import FILE, Journal, Row
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from tests.command import READINGS, bowlside, script

LOG, NOTE = f"{FILE}-wal", "journal.newest"
PARTS = (FILE, LOG, NOTE)
HALF = dict(list(READINGS.items())[:11])


def make(folder: Path) -> list[Row]:
    """Writes the three files into ``folder``; what was recorded, in order."""
    running = folder.with_name("running")
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", running, stdin=script()).code == 0
    folder.mkdir(exist_ok=True)
    with Journal(running) as journal:
        given = read(script(HALF).splitlines(), "here", folder)
        assert Rehearsal(given, journal, lambda line: None, answer_rest=True).run() == 1, "not over"
        for name in PARTS:
            shutil.copy(running / name, folder)
        rows = list(journal.rows())
    assert (folder / LOG).stat().st_size > 300_000 and rows[-1].test == 2
    return rows
