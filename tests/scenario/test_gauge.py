"""Tests by wire on the virtual clock: the simulated meter is the gauge, and one key (as a pedal is) confirms what it offers."""
from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest

from assistant.core import gauge
from assistant.core.events import GaugeReads, GaugeSteady, KeyPressed
from assistant.core.state import Phase
from assistant.record import summary
from hardware.meter import Meter
from tests.scenario.wired import Cue, Record, Speak, Wired


@pytest.fixture
def t(tmp_path: Path) -> Wired:
    return Wired(tmp_path)


def skipped(t: Wired) -> Wired:
    """The leak hold was done this morning."""
    t.at("zero").key("#").at("leak.ask").hear("no")
    for prompt in ("scope", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close"):
        t.at(prompt).key("#")
    t.meter.close_lid()
    return t.flood(1).at("clamps").key("#-held")  # type: ignore[return-value]


def in_the_hold(t: Wired, psi: float) -> Wired:
    """Charged, read, and the five minutes have begun."""
    t.at("zero").key("#").at("leak.ask").key("#").charge(psi).offered("leak.charge")
    return t.until("leak.initial").offered("leak.initial").at("leak.hold")  # type: ignore[return-value]


def test_a_whole_test_by_wire_and_one_key(t: Wired) -> None:
    t.wired_leak_hold().wired_fill().wired_run(1).wired_between().wired_run(2).at("release.2").key("#")
    taken = {one["id"]: one for one in summary.of(t.journal, t.station.test)["readings"]}
    assert len(taken) == 15
    assert all(one["entries"][0]["source"] == "gauge" for one in taken.values())
    assert {one["entries"][-1]["source"] for name, one in taken.items() if name.startswith("equilibrium.") and name.endswith(".3")
            } == {"keypad"}, "the deciding ones were entered another way too"
    assert all("±" in one["entries"][0]["verbatim"] for name, one in taken.items() if name.startswith("equilibrium."))
    metric = taken["equilibrium.2.3"]["value"] - taken["equilibrium.1.3"]["value"]
    assert abs(metric - Decimal("0.20")) <= Decimal("0.05"), "the metric that the meter was told to have"
    t.meter.lever(False)
    t.meter.petcocks(True)
    t.pass_time(15)
    t.finish().replayed()
    rows = t.events
    assert rows["GaugeReads"] <= 900 and rows["GaugeSteady"] <= 400, "the journal stays small"
    curve = [one for _, one in t.all(Record) if one.kind == "note" and one.fields["id"] == "leak.hold"]
    assert len(curve) == 1 and "psi a minute" in curve[0].fields["text"]
    assert 290 <= len(t.state.curve) <= 300


def test_guidance_keeps_to_the_pace_of_a_hand_and_ends_in_the_band(t: Wired) -> None:
    skipped(t).at("pump.1.1").charge(14.5)
    told = [(at, one) for at, one in t.all(Speak) if one.text.startswith(("Over by", "Under by", "In the band"))]
    assert len(told) >= 3
    assert all(b - a >= gauge.GUIDE_EVERY_S for (a, _), (b, _) in pairwise(told))
    assert told[-1][1].text == "In the band." and any(one.name == "in_band" for _, one in t.all(Cue))
    before = len(t.history)
    t.wait(60)
    assert not [one for _, one in t.history[before:] if isinstance(one, Speak)], "nothing moves, nothing is said"


def test_guidance_waits_for_words_and_never_covers_a_caution(t: Wired) -> None:
    skipped(t).at("pump.1.1")
    number = t.state.utterance
    for psi in ("2.0", "5.0"):
        t._post(GaugeReads(t.now, Decimal(psi)))
        t.now += 3
    assert t.state.utterance == number + 1 and "Under by" in t.said
    t._post(GaugeReads(t.now, Decimal("8.0")))
    assert t.state.utterance == number + 1, "the last words are not over yet"


def test_bleeding_down_between_the_runs_is_not_guided_and_trimming_for_run_two_is(t: Wired) -> None:
    skipped(t).wired_run(1).at("letdown.1")
    before, told = len(t.history), ("Over by", "Under by", "In the band")
    t.wired_between().at("pump.2.1")
    assert not [one.text for _, one in t.history[before:] if isinstance(one, Speak) and one.text.startswith(told)]
    t.charge(15.2).charge(14.5)
    assert [one.text for _, one in t.history[before:] if isinstance(one, Speak) and one.text.startswith(told)]


def test_above_the_maximum_it_warns_at_once(t: Wired) -> None:
    skipped(t).at("pump.1.1").event(GaugeReads(t.now, Decimal("14.0"))).event(GaugeReads(t.now + 1, Decimal("47.1")))
    t.says("Over the meter's maximum: bleed it down.").cues("refused")
    t.now += 6
    t.event(GaugeReads(t.now, Decimal("47.0"))).does_not_say("maximum")


def test_what_was_steady_before_the_prompt_is_never_offered(t: Wired) -> None:
    skipped(t).charge(14.5, settle=20).key("#").until("charge.1.1")
    opened = t.state.opened
    t.until("charge.1.1.confirm")
    assert t.now - opened >= 1.9, "measured from the beginning after it was asked"
    t.at("charge.1.1.confirm").hear("no").at("charge.1.1")
    t.plugged, opened = False, t.state.opened
    t.event(GaugeSteady(t.now, Decimal("14.46"), Decimal(0), opened - 0.1)).at("charge.1.1")
    t.hear("next").says("The reading first.").at("charge.1.1")
    t.event(GaugeSteady(t.now, Decimal("14.46"), Decimal(0), opened)).at("charge.1.1.confirm")


def test_an_old_steady_value_is_no_answer_to_next(t: Wired) -> None:
    skipped(t).charge(14.5).key("#").offered("charge.1.1").at("tap.1.1")
    t.key("#").wait(13).until("equilibrium.1.1").event(GaugeSteady(t.now + 2.5, Decimal("7.25"), Decimal(0), t.now))
    t.at("equilibrium.1.1.confirm").hear("no").at("equilibrium.1.1")
    t.plugged = False
    t.wait(5).event(GaugeSteady(t.now, t.state.unwanted or Decimal(0), Decimal(0), t.now)).at("equilibrium.1.1")
    t.wait(gauge.FRESH_S + 0.1).hear("next").says("The reading first.").at("equilibrium.1.1")
    t.event(GaugeSteady(t.now, t.state.unwanted or Decimal(0), Decimal(0), t.now)).hear("next").at("equilibrium.1.1.confirm")


def test_no_to_the_gauge_is_not_asked_again_until_it_moves_and_next_takes_it(t: Wired) -> None:
    skipped(t).charge(14.53).key("#").until("charge.1.1.confirm").hear("no")
    t.wait(20).at("charge.1.1")
    t.key("#").at("charge.1.1.confirm").key("C").at("charge.1.1")
    t.charge(14.47).until("charge.1.1.confirm")


def test_a_charge_out_of_its_band_is_guided_not_offered_and_can_be_used_knowingly(t: Wired) -> None:
    skipped(t).charge(14.43).key("#").until("charge.1.1").wait(20).at("charge.1.1")
    t.key("#").at("charge.1.1").says("Under by 0.0")
    t.wait(4).key("#").at("charge.1.1.override").hear("no").at("charge.1.1.confirm").key("#").at("tap.1.1")
    assert any("outside its band" in one.text for one in t.state.notes)


def test_a_charge_that_moves_while_it_is_read_back_is_not_taken(t: Wired) -> None:
    skipped(t).charge(14.5).key("#").until("charge.1.1.confirm")
    t.meter.bleed(fine=True)
    t.meter.bleed(fine=True)
    t.wait(4)
    assert t.spoken("The gauge has moved") and not t.takes_now()


def test_an_equilibrium_was_caught_at_its_moment(t: Wired) -> None:
    skipped(t).step_to_equilibrium(1, 1).until("equilibrium.1.1.confirm")
    caught = t.state.proposed
    assert caught is not None
    t.meter.lever(False)
    t.meter.pump(3)
    t.wait(3).key("#")
    assert t.takes_now()["equilibrium.1.1"] == caught.value


def test_two_sources_that_disagree_ask_and_take_neither(t: Wired) -> None:
    skipped(t).step_to_equilibrium(1, 1).until("equilibrium.1.1.confirm").hear("no")
    t.wait(5).key("7 * 9 9 #").at("equilibrium.1.1").takes_nothing()  # type: ignore[attr-defined]
    t.says("Either may be wrong").does_not_say("7.2").does_not_say("7.9").records("refused", id="equilibrium.1.1")
    t.wait(4).key("7 * 9 9 #").at("equilibrium.1.1.confirm")  # he looked again: it is his to decide, and it is written down
    t.says("is not what the gauge on the wire shows").key("#").at("equilibrium.1.1.confirm").key("#-held")
    assert t.takes_now()["equilibrium.1.1"] == Decimal("7.99")
    assert any("gauge on the wire" in one.text for one in t.state.notes)


def test_a_heard_value_is_compared_even_when_the_gauge_settles_later(t: Wired) -> None:
    skipped(t).step_to_equilibrium(1, 1).until("equilibrium.1.1")
    t.hear("seven point nine nine").at("equilibrium.1.1.confirm").wait(6).hear("yes")
    t.at("equilibrium.1.1").says("Either may be wrong")


def test_one_step_of_the_gauge_apart_is_no_dispute(t: Wired) -> None:
    skipped(t).step_to_equilibrium(1, 1).until("equilibrium.1.1.confirm")
    caught = t.state.proposed
    assert caught is not None
    t.hear("no").wait(5).key(f"{caught.value + Decimal('0.01'):f}".replace(".", "*").replace("", " ") + "#")
    t.at("equilibrium.1.1.confirm").key("#").at("pump.1.2")


def test_the_second_of_two_comes_from_another_source(t: Wired) -> None:
    skipped(t).wired_step(1, 1).wired_step(1, 2).step_to_equilibrium(1, 3).offered("equilibrium.1.3").at("equilibrium.1.3.again")
    t.says("from the gauge's own face").wait(20).at("equilibrium.1.3.again").takes_nothing()
    assert not t.said, "the wire is not asked twice"
    first = t.state.first
    assert first is not None
    far = first.value + Decimal("0.05")
    t.key(f"{far:f}".replace(".", "*").replace("", " ") + "#").key("#").says("The two entries differ").at("equilibrium.1.3")
    assert not [name for name in t.takes_now() if name == "equilibrium.1.3"]


def test_pedal_and_gauge_alone_the_face_confirms_what_the_wire_gave(t: Wired) -> None:
    skipped(t).wired_step(1, 1).wired_step(1, 2).step_to_equilibrium(1, 3).offered("equilibrium.1.3").at("equilibrium.1.3.again")
    first = t.state.first
    assert first is not None
    t.wait(5).key("#").at("equilibrium.1.3.again.confirm").says("Does the gauge's own face show").takes_nothing()
    t.key("#").takes("equilibrium.1.3", f"{first.value}")
    assert [(one.source, one.form) for one in t.state.readings[-1].entries] == [("gauge", ""), ("gauge", "face")]
    t.replayed()


def test_the_number_that_the_face_showed_is_the_one_that_counts(t: Wired) -> None:
    """The needle crept by one step of the gauge between the two: the technician said yes to the second."""
    skipped(t).wired_step(1, 1).wired_step(1, 2).step_to_equilibrium(1, 3).offered("equilibrium.1.3").at("equilibrium.1.3.again")
    first = t.state.first
    assert first is not None
    crept, t.plugged = first.value - Decimal("0.01"), False
    t.wait(4).event(GaugeSteady(t.now, crept, Decimal("0.005"), t.now))
    t.event(KeyPressed(t.now, "#")).at("equilibrium.1.3.again.confirm").says("Does the gauge's own face show")
    t.wait(4).event(KeyPressed(t.now, "#")).takes("equilibrium.1.3", f"{crept}")


def test_a_face_that_shows_something_else_takes_nothing(t: Wired) -> None:
    skipped(t).wired_step(1, 1).wired_step(1, 2).step_to_equilibrium(1, 3).offered("equilibrium.1.3")
    t.wait(5).key("#").at("equilibrium.1.3.again.confirm").key("C").at("equilibrium.1.3.again").takes_nothing()


def test_without_a_steady_wire_the_face_can_not_confirm(t: Wired) -> None:
    skipped(t).wired_step(1, 1).wired_step(1, 2).step_to_equilibrium(1, 3).offered("equilibrium.1.3").unplug()
    t.wait(5).key("#").at("equilibrium.1.3.again").takes_nothing()


def test_a_persons_number_within_the_gauges_spread_agrees_and_the_gauges_counts(tmp_path: Path) -> None:
    t = Wired(tmp_path, noise_psi=0.01)
    skipped(t).wired_step(1, 1).wired_step(1, 2).step_to_equilibrium(1, 3).offered("equilibrium.1.3").at("equilibrium.1.3.again")
    first = t.state.first
    assert first is not None and first.spread >= Decimal("0.005")
    near = first.value + Decimal("0.01")
    t.key(f"{near:f}".replace(".", "*").replace("", " ") + "#").key("#").takes("equilibrium.1.3", f"{first.value}")
    t.records("taken", id="equilibrium.1.3", value=first.value, source="gauge")     # not the keypad's: it said another number


def test_lost_twice_in_the_middle_it_is_said_once_each_and_the_test_goes_on(t: Wired) -> None:
    skipped(t).wired_step(1, 1).at("pump.1.2").unplug().says("The gauge sends nothing").cues("refused")
    t.event(t_lost(t)).does_not_say("sends nothing")
    t.meter.lever(False)
    t.charge(30.0).key("#").until("charge.1.2").wait(20).at("charge.1.2")
    t.hear("thirty").plug().says("The gauge is back.").hear("yes").at("tap.1.2")
    t.meter.lever(True)
    t.wait(14).until("equilibrium.1.2").unplug()
    t.key("1 8 * 6 3 #").key("#").at("pump.1.3").plug()
    t.meter.lever(False)
    t.charge(45.0).key("#").offered("charge.1.3").at("tap.1.3").replayed()
    assert len(t.spoken("The gauge sends nothing")) == 2 and len(t.spoken("The gauge is back")) == 2


def t_lost(t: Wired):
    from assistant.core.events import DeviceLost
    return DeviceLost(t.now, "gauge", "The gauge sends nothing.")


def test_a_leaking_hold_is_called_early_runs_on_and_may_be_given_up(tmp_path: Path) -> None:
    t = Wired(tmp_path, Meter(leak_psi_per_min=0.15))
    in_the_hold(t, 45.35)
    begun = t.now
    t.at("leak.hold").wait(295).at("leak.hold")
    told = t.spoken("can't pass any more")
    assert len(told) == 1 and 30 <= told[0] - begun <= 200, told
    t.hear("take it back").says("does not count").at("leak.charge").records("hold", id="leak.hold", event="broken")
    assert "leak.final" not in t.takes_now()


def test_a_leaking_hold_left_to_run_fails_by_its_two_readings_and_the_curve_says_why(tmp_path: Path) -> None:
    t = Wired(tmp_path, Meter(leak_psi_per_min=0.15))
    in_the_hold(t, 45.35)
    t.until("leak.final.confirm", 400).key("#").at("leak.cure")
    t.says("The chamber leaks", "The curve shows a leak of 0.1").records("verdict", verdict="fail")


def test_a_tight_hold_is_never_called_hopeless(t: Wired) -> None:
    t.wired_leak_hold().at("leak.down")
    assert not t.spoken("can't pass")


def test_no_pressure_is_asked_of_the_gauge_for_a_correction(t: Wired) -> None:
    skipped(t).wired_step(1, 1).at("pump.1.2").hear("take it back").at("equilibrium.1.1").wait(30).at("equilibrium.1.1")


def test_a_restart_in_a_hold_begins_its_curve_anew(t: Wired) -> None:
    in_the_hold(t, 45.25)
    t.at("leak.hold").wait(120)
    assert len(t.state.curve) >= 115
    t.kill().restart(later=5.0).says("does not count").at("leak.charge")
    assert t.state.steady is None
    t.offered("leak.charge").until("leak.initial").offered("leak.initial").at("leak.hold").wait(60)  # type: ignore[attr-defined]
    assert 55 <= len(t.state.curve) <= 61 and t.state.curve[0][0] <= 1.1
    t.replayed()


def test_while_paused_or_keying_nothing_is_offered_and_nothing_is_said(t: Wired) -> None:
    skipped(t).charge(14.5).key("#").until("charge.1.1").hear("pause").wait(10).at("charge.1.1")
    t.key("A-held").until("charge.1.1.confirm").hear("no")
    t.meter.bleed(fine=True)
    t.key("1 4").wait(10).at("charge.1.1")
    assert not t.said and t.state.typed == "14"


def test_the_reading_of_a_reference_gauge_never_comes_by_this_wire(tmp_path: Path) -> None:
    t = Wired(tmp_path, test="gauge-check")
    while not t.state.prompt.startswith("reference."):
        t.hear("zero point zero zero").hear("yes") if t.state.phase is Phase.ENTRY else t.hear("next")
    asked = t.state.prompt
    t.wait(20).at(asked)
    t.key("#").says("Key the reading first.")
    t.charge(14.5).hear("fourteen point five").hear("yes").until(asked.replace("reference", "gauge") + ".confirm")
