"""Two recognisers heard two readings: the station asks digit by digit at once, then for the keypad; a restart forgets nothing."""
from __future__ import annotations

from pathlib import Path

import pytest

from assistant.core.events import Unclear, from_plain, to_plain
from assistant.station.ears import event_of
from models.ear import Understood
from tests.scenario.dialogue import Dialogue


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return Dialogue(tmp_path)


def apart(t: Dialogue) -> Dialogue:
    return t.event(Unclear(t.now, "Two recognisers heard two readings.", "seven point two five", apart=True))


def test_at_a_reading_digit_by_digit_at_once_then_the_keypad(t: Dialogue) -> None:
    t.hear("next").hear("yes")
    apart(t).says("Digit by digit").does_not_say("Say it again").cues("refused").listens("leak.charge").takes_nothing()
    apart(t).says("key it").does_not_say("Digit by digit")
    apart(t).says("key it").listens("leak.charge")
    t.reading("leak.charge", "45.25").replayed()


def test_after_a_miss_of_another_kind_it_is_one_miss_more(t: Dialogue) -> None:
    t.hear("next").hear("yes").unclear().says("Say it again")
    apart(t).says("Digit by digit")
    t.unclear().says("key it")


def test_one_that_is_apart_counts_as_two_for_the_next(t: Dialogue) -> None:
    apart(t.hear("next").hear("yes")).unclear().says("key it")


def test_the_next_reading_begins_anew(t: Dialogue) -> None:
    apart(t.hear("next").hear("yes"))
    t.reading("leak.charge", "45.25").wait(8).at("leak.initial").unclear().says("Say it again")


def test_where_yes_or_no_is_asked_it_changes_nothing(tmp_path: Path) -> None:
    plain, parted = Dialogue(tmp_path / "plain"), Dialogue(tmp_path / "parted")
    for t in (plain, parted):
        t.hear("next").hear("yes").hear("forty five point two five").at("leak.charge.confirm")
    for _ in range(4):
        plain.unclear("Two recognisers heard two readings.")
        apart(parted)
        assert parted.said == plain.said and "yes" in plain.said.lower() and parted.state.misses == plain.state.misses


def test_where_nothing_is_asked_and_in_a_pause_nothing_is_said(t: Dialogue) -> None:
    assert apart(t).said == ""
    t.hear("next").hear("yes").hear("pause")
    assert apart(t).said == "" and t.state.misses == 0


def test_after_a_restart_it_is_not_forgotten(t: Dialogue) -> None:
    apart(t.hear("next").hear("yes"))
    t.kill().restart()
    assert t.state.misses == 2
    t.unclear().says("key it")


def test_a_journal_from_before_there_was_the_field_is_replayed() -> None:
    old = {"kind": "Unclear", "at": 3.0, "why": "Not heard.", "text": "nine", "prompt": "leak.charge"}
    assert from_plain(old) == Unclear(3.0, "Not heard.", "nine", "leak.charge", apart=False)
    event = Unclear(3.0, "Not heard.", "nine", "leak.charge", apart=True)
    assert from_plain(to_plain(event)) == event


@pytest.mark.parametrize("parted", [True, False])
def test_what_the_ear_found_reaches_the_station(parted: bool) -> None:
    event = event_of(Understood("seven point two five", None, False, "Two readings.", apart=parted), 3.0)
    assert event == Unclear(3.0, "Two readings.", "seven point two five", apart=parted)
