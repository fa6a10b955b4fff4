"""Killed and started again, at every stage of a test, in the same boot and after a reboot."""
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.events import GaugeSteady
from assistant.core.phrases import PRESSURE_CAUTION
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, RUN_2, to_run_1, to_run_2


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return Dialogue(tmp_path)


STAGES = {
    "zero": lambda t: t,
    "leak.ask": lambda t: t.hear("next"),
    "leak.charge": lambda t: t.hear("next").hear("yes"),
    "leak.charge.confirm": lambda t: t.hear("next").hear("yes").hear("forty five point two five"),
    "leak.final": lambda t: t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial",
                                                                                                       "45.21").wait(300),
    "fill.2": lambda t: t.leak_hold().hear("next").hear("yes").hear("next"),
    "clamps": lambda t: [t.leak_hold(), t.hear("next").hear("yes"), [t.hear("next") for _ in range(9)]] and t,
    "pump.1.1": to_run_1,
    "charge.1.1": lambda t: to_run_1(t).hear("next").wait(5),
    "tap.1.1": lambda t: to_run_1(t).hear("next").wait(5).reading("charge.1.1", "14.50"),
    "equilibrium.1.1": lambda t: to_run_1(t).to_equilibrium(1, 1, "14.50"),
    "equilibrium.1.3.again": lambda t: to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63")
        .to_equilibrium(1, 3, "45.00").hear("thirty one point eight one").hear("yes"),
    "letdown.1": lambda t: to_run_1(t).one_run(1, RUN_1),
    "flood.2.2": lambda t: to_run_1(t).one_run(1, RUN_1).hear("next").hear("next").hear("next"),
    "charge.2.2": lambda t: to_run_2(t).one_step(2, 1, "14.50", "7.32").hear("next").wait(5),
    "equilibrium.2.3.again.confirm": lambda t: to_run_2(t).one_step(2, 1, "14.50", "7.32").one_step(2, 2, "30.00", "18.77")
        .to_equilibrium(2, 3, "45.00").hear("thirty two point zero one").hear("yes").key("3 2 * 0 1 #"),
    "release.2": lambda t: to_run_2(t).one_run(2, RUN_2),
    "finish.unclamp": lambda t: to_run_2(t).one_run(2, RUN_2).hear("next").hear("next").hear("next").hear("yes"),
}


@pytest.mark.parametrize("prompt", STAGES)
@pytest.mark.parametrize("boot", ["boot-1", "boot-2"])
def test_a_restart_goes_on_at_the_same_step(t: Dialogue, prompt: str, boot: str) -> None:
    STAGES[prompt](t).at(prompt)
    before = t.state
    t.kill().restart(boot, later=30.0).says("Going on at", PRESSURE_CAUTION).listens(prompt)
    assert t.state.readings == before.readings and t.state.first == before.first
    assert (t.state.proposed and t.state.proposed.value) == (before.proposed and before.proposed.value)
    t.replayed()


def test_after_a_reboot_the_key_confirms_and_the_gauge_is_offered(t: Dialogue) -> None:
    """Hours of the old boot clock lie ahead of the new one: nothing that was kept from then may count as still to come."""
    to_run_1(t).hear("next").wait(7200).key("1 4 * 5 0 #").at("charge.1.1.confirm").kill().restart("boot-2", later=40)
    t.key("#").records("taken", id="charge.1.1", value=Decimal("14.50"))
    t.key("#").wait(30).at("equilibrium.1.1").kill().restart("boot-3", later=40).at("equilibrium.1.1").wait(5)
    t.event(GaugeSteady(t.now, Decimal("7.25"), Decimal("0.002"), t.now - 3)).at("equilibrium.1.1.confirm").key("#")
    t.key("#").wait(5).key("3 0 * 0 8 #").key("3 0 * 0 8 #").at("charge.1.2.override").kill().restart("boot-4", later=40)
    t.key("C #").records("taken", id="charge.1.2", value=Decimal("30.08")).replayed()


@pytest.mark.parametrize("boot", ["boot-1", "boot-2"])
def test_a_hold_that_was_cut_is_not_passed(t: Dialogue, boot: str) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(290)
    t.kill().restart(boot, later=600.0).records("hold", id="leak.hold", event="broken")
    t.says("interrupted and does not count").listens("leak.charge").wait(10).at("leak.charge")
    t.reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.20").wait(299).at("leak.hold").wait(1).at("leak.final")


def test_a_restart_while_tapping_taps_again(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).reading("charge.1.1", "14.50").hear("next").wait(6)
    t.kill().restart(later=5).says(PRESSURE_CAUTION).listens("tap.1.1").wait(60).at("tap.1.1")
    t.hear("next").cues("tap_first", "tap", "tap_end").wait(13).at("rest.1.1").wait(2)
    t.kill().restart(later=5).listens("tap.1.1")


def test_killed_in_the_middle_of_run_2_the_result_is_the_same(t: Dialogue) -> None:
    to_run_2(t).one_step(2, 1, "14.50", "7.32").kill().restart("boot-2", later=20)
    t.one_step(2, 2, "30.00", "18.77").kill().restart("boot-3", later=20).one_step(2, 3, "45.00", "32.01").hear("next")
    t.records("result", name="air_content", value=Decimal("5.7"), rounded=Decimal("5.7"))
    t.records("result", name="system_air_metric", value=Decimal("0.20"), rounded=Decimal("0.20")).finish().replayed()
