"""A finished test read out for the paper log: the same machine, one line a step, by voice and by key."""
import shutil
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.asked import soonest
from assistant.core.effects import Speak
from assistant.core.events import Event, Heard, KeyPressed, Spoken, TestStarted
from assistant.record import reading_out, summary
from assistant.station.start import Unrecorded
from tests.scenario.dialogue import Dialogue
from tests.scenario.terminal_technician import Terminal
from tests.scenario.test_sequential import RUN_2, to_run_2


@pytest.fixture
def finished(tmp_path: Path) -> dict:
    t = to_run_2(Dialogue(tmp_path / "journal")).one_run(2, RUN_2).hear("next").finish()
    found = summary.of(t.journal, 1)
    t.kill()
    return found


class Reader:
    def __init__(self, found: dict) -> None:
        self.station = Unrecorded()
        self.post(TestStarted(0.0, "log-read", reading_out.as_procedure(found), {}, {"wpm": reading_out.SLOW_WPM}))

    def post(self, event: Event) -> str:
        self.spoken = [effect for effect in self.station.handle(event) if isinstance(effect, Speak)]
        self.station.handle(Spoken(event.at, self.station.state.utterance))
        return " ".join(one.text for one in self.spoken)


def test_every_reading_and_result_is_read_digit_by_digit(finished: dict) -> None:
    said = dict(reading_out.lines(finished))
    assert said["equilibrium.2.3"] == "Equilibrium, run 2, step 3: three, two, point, zero, one."
    assert said["system_air_metric"] == "System air metric: zero, point, two, zero psi."
    assert len([name for name in said if name.startswith(("charge", "equilibrium", "leak."))]) == 15
    assert reading_out.figures(finished)["air_content"] == "5.7 %"


@pytest.mark.parametrize("by_key", [False, True])
def test_next_again_slower_and_skip(finished: dict, by_key: bool) -> None:
    reader = Reader(finished)

    def do(words: str, key: str) -> str:
        at = max(reader.station.state.now, soonest(reader.station.state, key if by_key else "next")) + 0.1
        return reader.post(KeyPressed(at, key) if by_key else Heard(at, words))
    assert "leak charge: four, five, point, two, five" in do("next", "#")
    first = reader.spoken[-1].wpm
    assert "leak charge" in do("say again", "A")
    assert "leak charge" in do("slower", "B") and reader.spoken[-1].wpm < first
    assert "Air content: five, point, seven percent" in do("skip to air", "*")
    assert "System air metric" in do("next", "#")


def test_withdrawn_readings_are_not_read_out(tmp_path: Path) -> None:
    t = Dialogue(tmp_path).leak_hold("45.21", "45.11")
    t.hear("take it back").hear("yes").reading("leak.final", "45.16")
    words = " ".join(words for _, words in reading_out.lines(summary.of(t.journal, 1)))
    assert "four, five, point, one, six" in words and "four, five, point, one, one" not in words


def test_in_a_terminal(finished: dict, tmp_path: Path) -> None:
    if shutil.which("tmux") is None:
        pytest.skip("tmux is missing: apt-get install tmux")
    terminal = Terminal([sys.executable, "-m", "assistant", "log", "read", "1", "--journal", str(tmp_path / "journal")])
    try:
        terminal.wait_for("READING OUT TEST 1", 20)
        terminal.keys("*")
        terminal.wait_for(r"AIR CONTENT: FIVE, POINT, SEVEN PERCENT\. 5\.7 %", 10)
        for _ in range(120):  # one that comes before the line could be heard is none
            terminal.keys("Enter")
            if "LEFT" in terminal.screen():
                break
        terminal.wait_for("LEFT 0", 15)
    finally:
        terminal.close()
    assert finished["results"][-1]["rounded"] == Decimal("0.20")
