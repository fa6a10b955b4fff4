"""The leak hold by the crew alone: the technician is away, they are told what to do, and nobody else's word or press ends it."""
from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.commands import COMMANDS
from assistant.core.events import GaugeSteady
from assistant.record import summary
from hardware.meter import Meter
from tests.scenario.dialogue import Dialogue
from tests.scenario.wired import Wired

KEYS = ("#", "C", "A", "B", "D", "A-held", "B-held", "C-held", "D-held", "7", "*")


def in_the_hold(t: Dialogue) -> Dialogue:
    t.at("zero").key("#").at("leak.ask").key("#")
    t.reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").at("leak.hold")
    return t


def away(folder: Path, **more: object) -> Dialogue:
    return in_the_hold(Dialogue(folder, **more)).wait(20).key("#-held")


def test_who_is_there_is_told_what_to_do_and_the_technician_finds_the_verdict_when_he_is_back(tmp_path: Path) -> None:
    t = away(tmp_path).says("You may go.", "hands off the lever", "Touch nothing")
    t.wait(290).at("leak.final").says("Crew: Time. Final reading?")
    t.hear("four five point one six").says("Crew:", "face show four, five, point, one, six?").hear("yes")
    t.takes("leak.final", "45.16").at("leak.down").says("The chamber holds.")
    t.says("may still be under pressure", "Touch nothing and fetch the technician")
    t.wait(25).does_not_say("holds").wait(10).says("The chamber holds.", "fetch the technician").wait(61).says("The chamber holds.")
    t.key("#").says("That waits for the technician.").at("leak.down")
    t.key("#-held").says("You are back.", "The chamber holds.", "Bleed the chamber").at("leak.down")
    t.wait(200).does_not_say("holds")
    t.key("#").at("scope").replayed()
    found = summary.of(t.journal, t.station.test)
    notes = [one["text"] for one in found["notes"]]
    assert "the technician left the hold to the crew" in notes
    assert "read by the crew, while the technician was away" in notes
    assert any(one.startswith("the technician is back after ") for one in notes)


@pytest.mark.parametrize("answer", [*KEYS, *(said[0] for said in COMMANDS.values() if said)])
@pytest.mark.parametrize("asked", ("hold", "verdict", "failed"))
def test_nobody_elses_word_or_key_ends_it(tmp_path: Path, asked: str, answer: str) -> None:
    t = away(tmp_path)
    if asked != "hold":
        t.wait(290).hear("four five point one six" if asked == "verdict" else "four four point nine six").hear("yes")
        t.at("leak.down" if asked == "verdict" else "leak.cure")
    before = t.state
    t.wait(2)
    t.key(answer) if answer in KEYS else t.hear(answer)
    same = ("phase", "index", "hold", "readings", "judged", "outcome", "quiet", "paused", "typed", "away")
    assert all(getattr(t.state, one) == getattr(before, one) for one in same)
    t.replayed()


def test_what_leaves_a_doubt_waits_for_him(tmp_path: Path) -> None:
    t = away(tmp_path).wait(290).hear("four zero point one six").at("leak.final.confirm")
    t.says("40.16 is far from the first reading.", "fetch the technician")
    t.hear("yes").says("That waits").takes_nothing().key("#").says("That waits").takes_nothing()
    t.key("#-held").says("You are back.").key("#-held").takes("leak.final", "40.16").replayed()


def test_he_comes_back_within_the_hold_and_goes_on_as_ever(tmp_path: Path) -> None:
    t = away(tmp_path).wait(100).key("#-held").says("You are back.", "left.").at("leak.hold")
    assert t.state.away is None
    t.wait(200).at("leak.final").does_not_say("Crew")


def test_a_key_that_repeats_itself_or_is_held_too_long_does_not_bring_him_back(tmp_path: Path) -> None:
    t = away(tmp_path).press("#-held", after=0.3).press("#-held", after=0.4).press("#-held", after=2.0)
    assert t.state.away is not None


def test_a_restart_while_he_is_away_has_the_hold_not_count_and_waits_for_him(tmp_path: Path) -> None:
    t = away(tmp_path).wait(60).kill().restart("boot-2", later=90.0)
    t.says("was interrupted", "fetch the technician").at("leak.charge")
    t.hear("four five point two five").says("That waits for the technician.").takes_nothing()
    t.key("#-held").says("You are back.", "Charge the chamber").at("leak.charge").replayed()


def test_elsewhere_the_held_key_says_the_prompt_again_and_a_recorded_hold_without_words_for_a_crew_knows_none(tmp_path: Path) -> None:
    t = Dialogue(tmp_path).key("#-held").says("zero it")
    assert t.state.away is None
    t = in_the_hold(Dialogue(tmp_path / "old"))
    procedure = t.state.procedure
    assert procedure is not None
    steps = tuple(replace(one, crew="") if getattr(one, "crew", "") else one for one in procedure.steps)
    t.station.state = replace(t.state, procedure=replace(procedure, steps=steps))
    t.wait(20).key("#-held").says("The hold has begun.")
    assert t.state.away is None


@pytest.mark.parametrize("leak, verdict", ((0.0, "The chamber holds."), (0.2, "The chamber leaks")))
def test_by_wire_the_crew_only_says_yes_to_what_the_gauge_shows(tmp_path: Path, leak: float, verdict: str) -> None:
    t = Wired(tmp_path, Meter(leak_psi_per_min=leak))
    t.at("zero").key("#").at("leak.ask").key("#").at("leak.charge")
    t.charge(45.25).offered("leak.charge").until("leak.initial").offered("leak.initial").at("leak.hold")
    t.wait(5).key("#-held")
    t.until("leak.final", 400).until("leak.final.confirm")
    assert t.spoken("Crew: Does the gauge's own face show")
    t.wait(45)  # nobody heard it: it is asked again, and the number stays the one at the end of the hold
    assert len(t.spoken("Crew: Does the gauge's own face show")) == 2
    value = t.state.proposed.value if t.state.proposed else None
    t.key("#")
    assert t.state.taken()["leak.final"] == value and t.spoken(verdict) and t.spoken("fetch the technician")
    if leak:
        assert t.spoken("It runs on to its end.") and not t.spoken("take it back")
    t.wait(3600)
    said = t.spoken("fetch the technician")
    assert 5 <= len(said) <= 14  # by and by more seldom
    t.event(GaugeSteady(t.now, Decimal("0.00"), since=t.now - 1)).key("#-held").at("leak.down" if not leak else "leak.cure")


def test_what_waits_is_said_again_after_a_reboot_whose_clock_begins_anew(tmp_path: Path) -> None:
    t = away(tmp_path).wait(290).hear("four five point one six").hear("yes").at("leak.down")
    t.kill().restart("boot-2", later=5.0).at("leak.down").wait(31).says("fetch the technician")


def test_what_the_crew_had_keyed_is_not_the_beginning_of_his_number(tmp_path: Path) -> None:
    t = away(tmp_path).wait(290).at("leak.final").key("4 5").key("#-held").says("You are back.")
    assert t.state.typed == ""
