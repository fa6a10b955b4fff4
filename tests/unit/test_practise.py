"""The simulated meter beside a test: ready at the start, and worked as far as the readings after a restart."""
import json
import random
import re
from decimal import Decimal
from pathlib import Path
from unittest import mock

import pytest

from assistant import cli
from assistant.core.events import TestStarted
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.core.steps import Hold, Judge
from assistant.procedures import load
from assistant.record.header import header_of
from assistant.record.journal import Journal
from assistant.record.session import Station
from assistant.round import live as round_live
from assistant.station.job_and_meter import AIR_PCT, METRIC_PSI, PRACTICE
from assistant.station.layout import View
from assistant.station.live import Live
from assistant.station.practice_keys import hint, made_ready, on_meter
from hardware.clock import boot_now
from hardware.meter import Crew, Meter
from hardware.meter_live import LivePractice
from tests.command import bowlside
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, to_run_1, to_run_2
from tests.screens import screens


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


def test_every_step_that_waits_for_the_technician_has_a_hint(tmp_path: Path) -> None:
    """Nobody at the simulated meter has to guess which key does what a step says, or whether there is anything to do."""
    assert hint(Dialogue(tmp_path).state) != "", "the very first"
    procedure = header_of({"test": "sequential"}, "test").procedure
    without = [step.id for at, step in enumerate(procedure.steps) if not isinstance(step, Judge | Hold)
               and not hint(State(procedure=procedure, index=at, phase=Phase.TELL))]
    assert without == ["leak.cure", "leak.again", "leak.stop", "leak.rose", "scope.stop", "full.stop", "water.1", "water.2",
                       "run_2.far", "metric.keep"], "only where something went wrong, or what practice never asks"
    t = to_run_1(Dialogue(tmp_path / "b")).hear("next").wait(5).reading("charge.1.1", "14.50")
    assert "Right arrow presses" in hint(t.state), "one yes takes the charge and begins the tapping"


def test_at_a_question_that_may_change_or_end_something_no_key_is_named() -> None:
    """"Nothing to do: enter for next" beside "Yes changes it" would be obeyed, and the test be marked for ever."""
    wash = State(procedure=header_of({"test": "sequential"}, "test").procedure, phase=Phase.TELL)
    assert wash.procedure is not None
    wash = wash.but(index=wash.procedure.index("finish.wash"))
    assert "enter for next" in hint(wash)
    assert {hint(wash.but(phase=phase)) for phase in (Phase.CHANGE, Phase.SCRAP, Phase.REST)} == {""}


def test_a_test_without_a_meter_names_no_key_of_one() -> None:
    """The slump's lift is on the beat too, and there is neither lever nor mallet."""
    seen = screens("slump")
    tapping = [shown for name, shown in seen if name.endswith("-tapping")]
    assert tapping and not any(re.search("lever|space bar|petcock", f"{shown.hint} {shown.keys}") for _, shown in seen)


BAND_PSI = Decimal("0.05")
"""As the prompt has it: "trim it to within 0.05"."""


class Newcomer(Crew):
    """He does what he is told: charges anywhere in the band, one blow and ten seconds of blows on the beats, three fillings."""

    def __init__(self, meter: Meter, seed: int) -> None:
        super().__init__(meter)
        self._hand = random.Random(seed)

    def charge(self, target_psi: float) -> Decimal:
        aimed = target_psi + self._hand.uniform(-0.045, 0.045)
        while True:
            charged = super().charge(aimed)
            if abs(charged - Decimal(str(target_psi))) <= BAND_PSI:
                return charged


@pytest.mark.parametrize("seed", range(12))
def test_who_does_what_he_is_told_passes_his_first_practice(seed: int) -> None:
    """Judged as practice is, with the limits of its job; and far enough from them that nothing is said of another test."""
    meter = Meter(AIR_PCT, METRIC_PSI)
    meter.unclamp()
    meter.advance(seed)
    meter.close_lid()
    taken = Newcomer(meter, seed).whole_test()
    given = {**{name: [[float(one) for one in run] for run in runs] for name, runs in taken.items()},
             **{key: float(str(PRACTICE[key])) for key in ("chamber_ratio", "aggregate_correction_pct")},
             "limits": {name: [None if side is None else float(side) for side in PRACTICE["limits"][name]]
                        for name in ("air_content", "system_air_metric")}}
    done = bowlside("work", "sequential", "--json", stdin=json.dumps(given))
    assert done.code == 0 and json.loads(done.out.splitlines()[-1])["verdict"] == "pass", done
    assert Decimal("0.02") <= taken["equilibrium_psi"][1][2] - taken["equilibrium_psi"][0][2] <= Decimal("0.17")


def test_round_and_single_practice_have_that_concrete(tmp_path: Path) -> None:
    args = cli.parser().parse_args(["practise"])
    assert (args.air, args.metric) == (AIR_PCT, METRIC_PSI)
    with mock.patch.object(round_live, "Meter", side_effect=RuntimeError) as made, pytest.raises(RuntimeError):
        round_live.run(cli.parser().parse_args(["round", "--practise", "--journal", str(tmp_path)]))
    assert made.call_args.args == (AIR_PCT, METRIC_PSI)


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
    assert seen[0].gauge is None and (seen[1].gauge is not None, "METER" in seen[1].meter) == (shown, shown)
    assert on_meter(test) is shown
