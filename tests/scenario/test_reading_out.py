"""A finished test read out for the paper log: the same machine, one line a step, by voice and by key."""
import re
import shutil
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.asked import soonest
from assistant.core.effects import Speak
from assistant.core.events import Event, Heard, KeyPressed, Spoken, TestStarted
from assistant.core.language import sentence
from assistant.record import page, reading_out, summary
from assistant.record.log import _page
from assistant.station.start import Unrecorded
from tests.scenario.dialogue import Dialogue
from tests.scenario.terminal_technician import Terminal
from tests.scenario.test_sequential import RUN_2, to_run_1, to_run_2


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


def test_a_result_that_is_its_own_reading_is_read_once_and_has_its_figures(finished: dict) -> None:
    """A slump of 4.75 in. came twice, the second time without its big digits."""
    slump = {**finished, "readings": [{**finished["readings"][0], "id": "slump", "value": Decimal("4.75"), "unit": "in."}],
             "results": [{**finished["results"][0], "name": "slump", "rounded": Decimal("4.75"), "unit": "in.", "remark": ""}]}
    lines = [one for one in reading_out.lines(slump) if one[0].startswith("slump")]
    assert lines == [("slump", "Slump: four, point, seven, five inches.")]
    slump["readings"][0]["value"] = Decimal("4.70")
    steps = [one["id"] for one in reading_out.as_procedure(slump)["stage"][0]["step"] if one["id"].startswith("slump")]
    assert [reading_out.figures(slump)[step] for step in steps] == ["4.70 in.", "4.75 in."]
    reader = Reader(slump)
    assert sentence("answer.no_air_line") in reader.post(KeyPressed(5.0, "*"))


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


def test_back_goes_to_the_line_before(finished: dict) -> None:
    reader = Reader(finished)

    def press(key: str) -> str:
        return reader.post(KeyPressed(max(reader.station.state.now, soonest(reader.station.state, key)) + 0.5, key))
    assert "no reading to take back" in press("C")
    first = press("#")
    second = press("#")
    assert first != second and press("C") == first and press("#") == second


def test_ticket_and_check_test_are_read_out(finished: dict) -> None:
    said = dict(reading_out.lines({**finished, "ticket": "4711", "check_of": "air before, which failed"}))
    assert said["ticket"] == "Ticket 4711." and said["check_of"] == "This is a check test: air before, which failed."
    assert "ticket" not in dict(reading_out.lines(finished))


def test_log_show_has_times_refusals_and_where_it_was_scrapped(tmp_path: Path) -> None:
    t = to_run_1(Dialogue(tmp_path)).hear("next").wait(5).reading("charge.1.1", "14.50")
    t.hear("next").wait(13).wait(5).at("equilibrium.1.1").hear("seven point two five").hear("yes")
    t.hear("scrap the test").hear("yes")
    shown = page.gone_by(t.journal, 1)
    assert re.search(r"\d\d:\d\d:\d\d  scrapped by the technician at run 1, step 2 \(pump.1.2\)\.", shown[-1]), shown
    assert re.search(r"\n  \d\d:\d\d:\d\d  start pressure, run 1, step 1 +14.50 psi", _page(summary.of(t.journal, 1)))


def test_log_show_tells_of_two_entries_that_differ(tmp_path: Path) -> None:
    t = Dialogue(tmp_path).leak_hold().fill_and_close().one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63")
    t.to_equilibrium(1, 3, "45.00").hear("thirty one point eight one").hear("yes").at("equilibrium.1.3.again")
    t.hear("three one point eight three").hear("yes")
    assert any("31.83" in line and "31.81" in line and "differ" in line for line in page.gone_by(t.journal, 1))


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
        terminal.wait_for(r"AIR CONTENT: 5\.7 PERCENT\..*5\.7 %", 10)
        for _ in range(120):  # one that comes before the line could be heard is none
            terminal.keys("Enter")
            if "LEFT" in terminal.screen():
                break
        terminal.wait_for("LEFT 0", 15)
    finally:
        terminal.close()
    assert finished["results"][-1]["rounded"] == Decimal("0.20")
