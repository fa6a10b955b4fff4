"""The journals that the office's tests stand on are real ones: every test over, every event sound, the same for the same seed."""
from __future__ import annotations

from pathlib import Path

from assistant.core.state import Phase
from assistant.record.journal import Journal
from assistant.record.session import Station, unfinished
from tests.office import made


def bodies(folder: Path) -> list[str]:
    with Journal(folder, write=False) as journal:
        return [row.body for row in journal.rows()]


def test_so_many_tests_all_over_and_sound(tmp_path: Path) -> None:
    made.journal(tmp_path, tests=3, seed=1)
    made.whole_round(tmp_path, seed=2)
    with Journal(tmp_path, write=False) as journal:
        tests = [Station(journal, number) for number in journal.tests()]
        assert [test.state.procedure.test for test in tests if test.state.procedure] == [
            "sequential", "slump", "temperature", "sampling", "slump", "temperature", "pressure-air", "cylinders"]
        assert all(test.state.phase is Phase.OVER for test in tests) and unfinished(journal) is None and not journal.findings()
    made.begun(tmp_path)
    with Journal(tmp_path, write=False) as journal:
        assert (left := unfinished(journal)) is not None and left.test == 9


def test_the_same_seed_makes_the_same_and_another_makes_another(tmp_path: Path) -> None:
    assert bodies(made.journal(tmp_path / "a", 2)) == bodies(made.journal(tmp_path / "b", 2))
    assert bodies(made.journal(tmp_path / "c", 2, seed=1)) != bodies(tmp_path / "a")


def test_practice_is_marked(tmp_path: Path) -> None:
    assert '"practice":true' in bodies(made.journal(tmp_path, 1, practice=True))[0]
