"""Who does all that the screen says, and nothing else, comes to the right result."""
from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from assistant.record import summary
from assistant.record.journal import Journal
from assistant.station.remarks import Remark
from hardware.meter import Meter
from tests.on_screen import play, play_round
from tests.scenario.literal import Literal

SLIPS = ("under", "over", "deny", "typo", "pause", "stray")


@pytest.mark.parametrize(("size", "slips"), [((40, 15), SLIPS), ((80, 24), ()), ((100, 30), SLIPS)])
def test_he_passes(tmp_path: Path, size: tuple[int, int], slips: tuple[str, ...]) -> None:
    newcomer = Literal(slips, size)
    play(tmp_path, "sequential", newcomer.look, Meter(metric_psi=0.12, seed=7))
    with Journal(tmp_path, write=False) as journal:
        found = summary.of(journal, 1)
    results = {one["name"]: one["rounded"] for one in found["results"]}
    assert (found["outcome"], found["verdict"]) == ("done", "pass"), (found["why"], found["notes"], list(newcomer.trail))
    assert abs(results["system_air_metric"] - Decimal("0.12")) <= Decimal("0.03") and abs(results["air_content"] - 6) <= Decimal("0.1")
    assert "PASS" in newcomer.pages[-1] and not newcomer.slips, "each slip was made, and led back"
    assert "no water goes in" not in " ".join(newcomer.obeyed)


def test_he_does_a_whole_round(tmp_path: Path) -> None:
    """Its other tests have nothing simulated: he keys the examples that the screen gives."""
    newcomer = Literal(SLIPS)
    play_round(tmp_path, newcomer.look, Meter(metric_psi=0.12, seed=7))
    with Journal(tmp_path, write=False) as journal:
        tests = [summary.of(journal, number) for number in range(1, journal.last_test() + 1)]
    done = {one["test"]: one["verdict"] for one in tests if one["outcome"] == "done"}
    assert {"sampling", "slump", "temperature", "density", "sequential", "cylinders"} <= set(done), done
    assert done["sequential"] == "pass" and "invalid" not in done.values() and not newcomer.slips, (done, newcomer.slips)


def test_a_remark_that_stays_too_long_would_spoil_his_test(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """That is what this newcomer is for: "pump a little" beside "press and hold" is obeyed, and lost."""
    monkeypatch.setattr(Remark, "is_over", lambda self, state: False)
    newcomer = Literal(("under",))
    with pytest.raises(AssertionError):
        play(tmp_path, "sequential", newcomer.look, Meter(metric_psi=0.12, seed=7))
        with Journal(tmp_path, write=False) as journal:
            assert summary.of(journal, 1)["verdict"] == "pass"
