"""The simulated meter beside a test: ready at the start, and worked as far as the readings after a restart."""
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.events import TestStarted
from assistant.core.settings import Settings
from assistant.core.state import State
from assistant.procedures import load
from assistant.record.journal import Journal
from assistant.record.session import Station
from assistant.station.layout import View
from assistant.station.live import Live
from assistant.station.practice_keys import hint, made_ready, on_meter
from hardware.clock import boot_now
from hardware.meter import Crew, Meter
from hardware.meter_live import LivePractice
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, to_run_1, to_run_2


def test_a_new_test_begins_with_the_lid_off() -> None:
    assert not made_ready(Meter(), State()).lid_on


@pytest.mark.parametrize("seed", range(3))
def test_killed_in_run_2_the_meter_goes_on_where_it_was(tmp_path: Path, seed: int) -> None:
    at_once = Crew(Meter(seed=seed, metric_psi=0.30)).whole_test()["equilibrium_psi"]
    t = to_run_2(Dialogue(tmp_path)).one_step(2, 1, "14.50", "7.32")
    meter = made_ready(Meter(seed=seed, metric_psi=0.30), t.state)
    crew = Crew(meter)
    for target, before in zip((30.0, 45.0), at_once[1][1:]):
        assert abs(crew.do_step(target)[1] - before) <= Decimal("0.03")


def test_killed_with_the_lever_held_the_gauge_shows_the_equilibrium(tmp_path: Path) -> None:
    t = to_run_1(Dialogue(tmp_path)).to_equilibrium(1, 1, "14.50")
    assert abs(made_ready(Meter(), t.state).gauge() - Decimal(RUN_1[0])) <= Decimal("0.03")


def test_a_reading_that_is_taken_back_later_is_not_to_be_keyed_from_the_gauge(tmp_path: Path) -> None:
    t = to_run_1(Dialogue(tmp_path)).one_step(1, 1, "14.50", RUN_1[0]).at("pump.1.2").hear("take it back")
    assert t.state.step.id == "equilibrium.1.1" and hint(t.state) == ""


def test_every_step_that_needs_the_meter_has_a_hint(tmp_path: Path) -> None:
    t = Dialogue(tmp_path)
    assert hint(t.state) == ""
    t.hear("next").hear("yes")
    assert "Up arrow pumps" in hint(t.state)
    assert "Right arrow presses" in hint(to_run_1(Dialogue(tmp_path / "b")).hear("next").wait(5).reading("charge.1.1",
                                                                                                           "14.50").state)


@pytest.mark.parametrize("test, shown", [("slump", False), ("density", False), ("sequential", True), ("leak", True), ("pressure-air", True)])
def test_only_a_test_that_has_a_meter_shows_one(tmp_path: Path, test: str, shown: bool) -> None:
    """Practice of a slump stood beside a pressure gauge, and told how to pump."""
    seen: list[View] = []
    with Journal(tmp_path) as journal:
        station = Station(journal, journal.new_test(), "boot")
        live = Live(station, show=seen.append, practice=LivePractice(Meter()))
        live.refresh()
        station.handle(TestStarted(boot_now(), test, load(test), Settings().to_mapping(), {}))
        live.refresh()
    assert seen[0].gauge is None and (seen[1].gauge is not None, "METER" in seen[1].status) == (shown, shown)
    assert on_meter(test) is shown
