"""The result of a test and the number to be checked, as the station's screen shows them, at the sizes that the issue names."""
from __future__ import annotations

import re
from collections import deque
from dataclasses import replace
from pathlib import Path

import pytest

from assistant.record import page, summary
from assistant.record.log import _page
from assistant.record.session import Station
from assistant.station import live as live_module
from assistant.station import start, view
from assistant.station.layout import layout
from assistant.station.live import Live
from assistant.station.practice_keys import PRACTICE_KEYS
from hardware import terminal
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, RUN_2, to_run_1, to_run_2
from tests.unit.test_screen import shows_big

SIZES = [(40, 15), (80, 24), (100, 30)]
OVER = (*RUN_2[:2], "32.05")
"""Run 2 of a test whose metric, 0.24, is over the limit of 0.20."""


def ended(tmp_path: Path, run_2: tuple[str, str, str] = OVER) -> Dialogue:
    return to_run_2(Dialogue(tmp_path)).one_run(2, run_2).hear("next").finish()


def big_somewhere(screen: str, number: str) -> bool:
    return any(shows_big(screen, number, scale) for scale in (2, 1, 0.5))


@pytest.mark.parametrize("width, height", SIZES)
def test_the_result_is_whole_and_big(tmp_path: Path, width: int, height: int) -> None:
    t = ended(tmp_path)
    found = summary.of(t.journal, 1)
    screen = "\n".join(layout(view.result(page.of(found), t.state), width, height))
    assert "FAIL. System air metric 0.24 psi" in " ".join(screen.replace("┃", "").split())
    assert big_somewhere(screen, "5.7") and big_somewhere(screen, "0.24")
    for pressure in (*RUN_1, *OVER):
        assert f" {pressure}" in screen, f"the six pressures:\n{screen}"
    assert "Any key goes on." in screen and screen.count("\n") == height - 1
    assert "Doubted: another test of this concrete could lie" in " ".join(screen.split()), "before what it lost, where there is no room"


def test_log_show_says_the_same_words(tmp_path: Path) -> None:
    t = ended(tmp_path)
    found = summary.of(t.journal, 1)
    its, printed = page.of(found), _page(found)
    shown = view.result(its, t.state)
    assert its.why in printed and its.why[1:] in shown.do and f"{its.verdict}: " in printed
    for line in (*shown.table, *shown.other_rows, *(words for words in shown.messages if words.startswith("Doubted"))):
        assert line in printed
    for name, figures in shown.figures:
        assert name in printed and figures in printed


def test_a_scrapped_test_says_so_and_how_it_is_made_safe(tmp_path: Path) -> None:
    t = to_run_1(Dialogue(tmp_path)).hear("scrap the test").hear("yes")
    shown = view.result(page.of(summary.of(t.journal, 1)), t.state)
    for width, height in SIZES:
        screen = " ".join("\n".join(layout(shown, width, height)).replace("┃", "").replace("!!", "").split())
        assert "INVALID. The test was scrapped." in screen and "may still be under pressure" in screen
    assert "touch a clamp" in screen


def test_practice_says_so_and_where_its_record_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On the page, and last of all where it is kept, with commands to copy: nothing but blanks around them."""
    t = to_run_2(Dialogue(tmp_path, header={"practice": True})).one_run(2, OVER).hear("next").finish()
    its = page.of(summary.of(t.journal, 1))
    for width, height in SIZES:
        shown = " ".join("\n".join(layout(view.result(its, t.state), width, height)).replace("┃", "").split())
        assert "Practice: nothing counts." in shown
    start._farewell(1, t.state, tmp_path)
    told = capsys.readouterr().out
    assert "nothing here counts" in told and f"Its record is in {tmp_path}." in told
    for what in ("show", "read"):
        assert f"  bowlside log {what} 1 --journal {tmp_path}" in told.splitlines()


def test_beside_the_question_of_a_round_both_are_seen(tmp_path: Path) -> None:
    """It must not cost the clocks: the question is asked at once, and its answer goes on."""
    t = ended(tmp_path)
    asked = replace(view.of(t.state, 0.0), do="Density next?", listens="yes or no", progress="4 minutes left to begin density.")
    beside = view.result(page.of(summary.of(t.journal, 1)), t.state, asked)
    for width, height in SIZES:
        screen = "\n".join(layout(beside, width, height))
        assert "Density next?" in screen and "yes or no" in screen and "FAIL" in screen
        assert big_somewhere(screen, "5.7") and big_somewhere(screen, "0.24")


def test_the_result_is_seen_while_the_bowl_is_let_down(tmp_path: Path) -> None:
    t = to_run_2(Dialogue(tmp_path)).one_run(2, OVER).hear("next").at("finish.letdown")
    for width, height in SIZES:
        screen = "\n".join(layout(view.of(t.state, t.now, gauge="18.31 psi", keys=PRACTICE_KEYS), width, height))
        assert "FAIL: system air metric 0.24 psi" in screen and "5.7 %" in screen and "0.24 psi" in screen
        assert "18.31 psi" in screen or big_somewhere(screen, "18.31")
        assert "still under" in screen, "the caution comes first"


@pytest.mark.parametrize("width, height", SIZES)
def test_the_number_to_be_checked_is_the_only_big_one(tmp_path: Path, width: int, height: int) -> None:
    t = to_run_2(Dialogue(tmp_path)).one_step(2, 1, "14.50", RUN_2[0]).to_equilibrium(2, 2, "30.00")
    before = "\n".join(layout(view.of(t.state, t.now, gauge="18.79 psi", keys=PRACTICE_KEYS), width, height))
    assert RUN_1[1] not in before, "people read what they expect"
    t.hear("eighteen point seven seven").at("equilibrium.2.2.confirm")
    screen = "\n".join(layout(view.of(t.state, t.now, gauge="18.79 psi", keys=PRACTICE_KEYS), width, height))
    assert big_somewhere(screen, "18.77") and not big_somewhere(screen, "18.79") and "RIGHT?" in screen
    assert "18.79 psi" in screen and "LAST READING  30.00 psi" in screen and RUN_1[1] in screen


@pytest.mark.parametrize("width, height", SIZES)
@pytest.mark.parametrize("keys", [view.KEYS, PRACTICE_KEYS])
def test_the_legend_is_whole_and_what_to_press_here(tmp_path: Path, width: int, height: int, keys: str) -> None:
    t = to_run_1(Dialogue(tmp_path))
    screen = " ".join(" ".join(layout(view.of(t.state, t.now, "PRACTICE", "0.00 psi", keys=keys), width, height)).split())
    legend = view.KEYS_SHORT if width < 60 else keys
    assert " ".join(legend.split()) in screen
    for press, does in (("Enter", "#"), ("n", "C"), ("b", "B"), ("a", "A"), ("d", "D"), ("A", "A-held"), ("S", "B-held"),
                        ("D", "D-held"), ("q", "quit")):
        assert re.search(rf"(^| ){press} ", view.KEYS)
        assert terminal.KEYS["\r" if press == "Enter" else press] == does
    assert terminal.KEYS["C"] == terminal.KEYS["n"], "a capital is no other answer"


class Watched(Live):
    """The page is left when ``until`` looks were taken; keys are pressed before the first and after each."""

    def __init__(self, station: Station, now: list[float], keys: deque[tuple[float, str]]) -> None:
        super().__init__(station, show=lambda shown: self.seen.append(shown))
        self.seen: list[object] = []
        self.now, self.keys_to_come = now, keys

    def refresh(self) -> None:
        super().refresh()
        self.now[0] += 0.5
        while self.keys_to_come and self.keys_to_come[0][0] <= self.now[0]:
            self.key(self.keys_to_come.popleft()[1])
        assert self.now[0] < 1000, "no key turned the page"


@pytest.mark.parametrize("key, at", [("#", 700.0), ("7", 60.0), ("quit", 30.0)])
def test_it_stays_until_a_key_that_was_meant_for_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, key: str, at: float) -> None:
    t = ended(tmp_path)
    now = [0.0]
    monkeypatch.setattr(live_module, "boot_now", lambda: now[0])
    monkeypatch.setattr(live_module, "REFRESH_S", 0.0)
    live = Watched(t.station, now, deque([(0.5, "#"), (at, key)]))  # the first was meant for the question before
    shown = view.result(page.of(summary.of(t.journal, 1)), t.state)
    live.leave_up(shown)
    assert now[0] >= at and set(live.seen[:-1]) == {shown}
