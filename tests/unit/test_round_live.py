"""A round on the real loop, boot clock and journal: many tests, one set of devices, opened once."""
from __future__ import annotations

import threading
import time
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core import asked as hearing_out
from assistant.core.asked import soonest
from assistant.core.events import Event, Heard, Spoken, TestStarted
from assistant.core.procedure import Procedure
from assistant.core.settings import METHOD, Settings
from assistant.core.state import Phase
from assistant.procedures import load
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.record.session import Handles, Station, Unrecorded
from assistant.round.drive import Round
from assistant.round.plan import plan_of
from assistant.station.live import Live
from hardware.clock import boot_now
from hardware.fakes import FakeSpeaker
from tests.command import bowlside, process

pytestmark = pytest.mark.dates
GIVEN = {"tests": ["temperature"], "thermometer_s": "0", "limits": {"temperature": [50, 90]}}


@pytest.fixture(autouse=True)
def _a_quick_thermometer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A minute in the concrete, the least that a job may set, is for real ones."""
    for name, value in (("ENOUGH_S", 0.02), ("APART_S", 0.05), ("FASTEST_WPM", 60_000)):  # nor is this about hearing it out
        monkeypatch.setattr(hearing_out, name, value)
    monkeypatch.setitem(METHOD, "thermometer_s", replace(METHOD["thermometer_s"], agency=(Decimal(0), Decimal(600))))


class Technician:
    """Answers each prompt by voice, again after a second if it still stands (what is said between two tests counts for neither),
    and leaves at the prompt ``leave``. Two minutes are enough for anybody: then he leaves, and the test says so."""

    def __init__(self, live: Live, answers: dict[str, str], leave: str = "") -> None:
        self.live, self.answers, self.leave, self.over = live, answers, leave, False
        self.tests: list[str] = []
        threading.Thread(target=self._work, daemon=True).start()

    def _work(self) -> None:
        answered, until = None, time.monotonic() + 120
        while not self.over:
            if time.monotonic() > until:
                self.live.key("quit")
                time.sleep(1)
                continue
            station = self.live.station
            state = station.state
            asked = (id(station), state.prompt, len(state.readings), int(time.monotonic()))
            if self.leave and state.prompt == self.leave:
                self.live.key("quit")
                self.leave = ""
            elif state.prompt and asked != answered and state.spoken >= state.utterance and boot_now() >= soonest(
                    state, state.answered.answer):
                answered = asked
                words = self.answers.get(state.prompt) or ("next" if state.phase is Phase.TELL else "yes")
                self.live.post_event(lambda at, words=words, prompt=state.prompt: Heard(at, words, prompt))
            time.sleep(0.002)


def play(folder: Path, leave: str = "") -> tuple[int, FakeSpeaker]:
    with Journal(folder) as journal:
        live = Live(Unrecorded())
        speaker = FakeSpeaker(live.spoken)
        live.attach(speaker)

        def one(station: Handles, first: Event, _: Procedure) -> None:
            live.next(station)
            live.run(first)
        hand = Technician(live, {"temperature": "six eight", "slump": "four"}, leave)
        code = Round(journal, plan_of(GIVEN, "here"), "boot", one, boot_now).go()
        hand.over = True
    return code, speaker


def test_a_whole_round_on_one_set_of_devices(tmp_path: Path) -> None:
    code, speaker = play(tmp_path)
    assert code == 0
    words = " ".join(text for _, text in speaker.said)
    assert words.index("Sampling now?") < words.index("Temperature next?") < words.index("All tests of this round are done.")
    numbers = [int(ident) for ident, _ in speaker.said if ident.isdigit()]
    assert len(numbers) == len(set(numbers)), "no two words of a round may be taken for each other"
    with Journal(tmp_path, write=False) as journal:
        assert [summary.of(journal, test)["test"] for test in journal.tests()] == ["sampling", "temperature"]


@pytest.mark.parametrize(("leave", "there"), [("portion.2", 1), ("temperature.confirm", 2), ("next.temperature", 1)])
def test_left_and_gone_on(tmp_path: Path, leave: str, there: int) -> None:
    code, _ = play(tmp_path, leave)
    assert code == 1
    with Journal(tmp_path, write=False) as journal:
        assert len(journal.tests()) == there
    code, speaker = play(tmp_path)
    assert code == 0
    with Journal(tmp_path, write=False) as journal:
        found = [summary.of(journal, test) for test in journal.tests()]
    assert [one["test"] for one in found] == ["sampling", "temperature"] and {one["round"] for one in found} == {"R-1"}
    assert found[1]["results"][0]["rounded"] == 68
    assert any("Go on with it?" in text for _, text in speaker.said) == (leave == "next.temperature")


def test_words_of_the_test_before_do_not_open_the_ear_of_this_one(tmp_path: Path) -> None:
    """What was still being said when a test was left is reported late: the new test's own words go on."""
    with Journal(tmp_path) as journal:
        live = Live(Station(journal, 1, "boot"))
        speaker = FakeSpeaker(live.spoken, at_once=False)
        live.attach(speaker)
        first = TestStarted(boot_now(), "sampling", load("sampling"), Settings().to_mapping(), {})
        threading.Timer(0.2, lambda: live.key("quit")).start()
        live.run(first)
        old = [ident for ident, _ in speaker.said]
        live.next(Station(journal, 2, "boot"))
        threading.Timer(0.2, lambda: [live.spoken(ident) for ident in old]).start()
        threading.Timer(0.5, lambda: live.key("quit")).start()
        live.run(first)
        assert live.station.state.spoken == 0 < live.station.state.utterance
        live.station.handle(Spoken(boot_now(), 1))
        assert live.station.state.spoken == 1


def test_words_cut_off_as_a_test_ends_are_none_of_the_next_ones(tmp_path: Path) -> None:
    """The speaker reports them while the loop is between the two: they must not stand for cautions that nobody has heard yet."""
    with Journal(tmp_path) as journal:
        live = Live(Station(journal, 1, "boot"))
        speaker = FakeSpeaker(live.spoken, at_once=False)
        live.attach(speaker)
        first = TestStarted(boot_now(), "slump", load("slump"), Settings().to_mapping(), {})
        threading.Timer(0.2, lambda: live.key("quit")).start()
        live.run(first)
        speaker.finish()
        live.next(Station(journal, 2, "boot"))
        threading.Timer(0.2, lambda: live.key("quit")).start()
        live.run(first)
        assert live.station.state.spoken == 0 and live.station.state.cautions == (2,)


def test_a_bounce_of_the_key_that_chose_a_test_does_not_begin_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("assistant.station.live.BOUNCE_S", 5.0)  # a busy disk takes its time
    with Journal(tmp_path) as journal:
        live = Live(Station(journal, 1, "boot"))
        live.attach(FakeSpeaker(live.spoken))
        first = TestStarted(boot_now(), "slump", load("slump"), Settings().to_mapping(), {})
        for name, at in (("#", 0.2), ("quit", 0.25)):
            threading.Timer(at, lambda name=name: live.key(name)).start()
        live.run(first)
        assert live.station.state.prompt == "layer.1"
        live.next(Station(journal, 2, "boot"))
        live.key("#")
        threading.Timer(0.2, lambda: live.key("quit")).start()
        live.run(first)
        assert live.station.state.prompt == "damp", "nobody has taken the first scoop"
        live.next(Station(journal, 3, "boot"))
        for name, at in (("#", 0.2), ("quit", 0.25)):
            threading.Timer(at, lambda name=name: live.key(name)).start()
        live.run(first)
        assert live.station.state.prompt == "layer.1"


def test_left_at_the_question_about_the_other_technician_no_test_begins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever stops the station there, or the system, has not answered it."""
    monkeypatch.setattr("assistant.round.drive.limit_s", lambda test, settings: 0.001)
    for key, value in (("technicians", 2), ("tests", ["slump"])):
        monkeypatch.setitem(GIVEN, key, value)
    code, _ = play(tmp_path, leave="told")
    assert code == 1
    with Journal(tmp_path, write=False) as journal:
        assert [summary.of(journal, test)["test"] for test in journal.tests()] == ["sampling"]


def test_without_a_terminal_it_says_so(tmp_path: Path) -> None:
    process("round", "--practise", "--journal", tmp_path).is_one_sentence(2, "terminal")


def test_an_unfit_meter_begins_no_round(tmp_path: Path) -> None:
    bowlside("meter", "add", "M-3", "--journal", tmp_path)
    (tmp_path / "job.toml").write_text('meter = "M-3"\n', encoding="utf-8")
    for command in (("round",), ("run", "sequential")):
        bowlside(*command, "--job", tmp_path / "job.toml", "--journal", tmp_path).is_one_sentence(2, "M-3", "--override")
    process("round", "--job", tmp_path / "job.toml", "--journal", tmp_path, "--override", "no other is here").is_one_sentence(
        2, "terminal")
