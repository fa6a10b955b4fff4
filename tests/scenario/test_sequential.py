"""Whole sequential tests as transcripts. What is done in them is common practice, no source (see the procedure file)."""
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.assessment import CORRECTED, REPEATED
from assistant.core.effects import Hush
from assistant.core.events import ClockJumped, DeviceLost, Heard, KeyPressed, Suspended, TimerDue
from assistant.core.machine import step
from assistant.core.phrases import PRESSURE_CAUTION
from assistant.record import summary
from tests.scenario.dialogue import Dialogue

RUN_1 = ("7.25", "18.63", "31.81")
RUN_2 = ("7.32", "18.77", "32.01")


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return Dialogue(tmp_path)


def to_run_1(t: Dialogue) -> Dialogue:
    return t.leak_hold().fill_and_close()


def to_run_2(t: Dialogue) -> Dialogue:
    return to_run_1(t).one_run(1, RUN_1).between()


def test_a_clean_test(t: Dialogue) -> None:
    to_run_2(t).one_run(2, RUN_2)
    t.at("release.2").hear("next")
    t.says("Air content, five, point, seven percent", "System air metric, zero, point, two, zero psi", "Pass")
    t.records("result", name="air_content", rounded=Decimal("5.7"))
    t.records("result", name="system_air_metric", rounded=Decimal("0.20"))
    t.records("verdict", verdict="pass")
    t.finish().replayed()


def test_cautions_come_when_they_matter(t: Dialogue) -> None:
    t.hear("next").hear("yes").says("Hands off the lever", "46 psi")
    t.reading("leak.charge", "45.20").wait(8).reading("leak.initial", "45.20").wait(300).reading("leak.final", "45.20")
    t.hear("next").hear("yes").says("caustic", "gloves and eyewear")
    for _ in range(9):
        t.hear("next")
    t.at("clamps").says("all 6 clamps")
    t.hear("yes").one_step(1, 1, "14.50", "7.25").says("Lever up.").hear("next").says("Look, hands off: are all 6 clamps latched?")
    t.wait(5).reading("charge.1.2", "30.00").wait(13).wait(5).reading("equilibrium.1.2", "18.63").says("Never pump above 46 psi")
    t.one_step(1, 3, "45.00", "31.81").says("caustic water", "eyewear on, face away", "slowly")
    t.between().one_run(2, RUN_2).hear("next").says("still under pressure")
    t.hear("next").hear("next").says("Never loosen a clamp with pressure in the bowl", "The gauge shows only the chamber")
    t.hear("no").listens("finish.letdown").hear("next").hear("next").hear("yes").says("unclamp in opposite pairs")
    t.hear("next").says("wash")


def test_the_leak_hold_speaks_its_marks(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21")
    for left in ("4 minutes", "3 minutes", "2 minutes", "1 minute"):
        t.wait(60).says(f"{left} left")
    t.wait(30).says("30 seconds left").wait(25).says("five").cues("count")
    t.wait(4).says("four three two one").at("leak.hold")
    t.wait(1).listens("leak.final").records("hold", id="leak.hold", event="end")


def test_nothing_shortens_a_hold(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21")
    t.hear("next").says("Not yet").hear("pause").says("clocks run on").wait(200).hear("carry on").at("leak.hold")
    t.key("#").hear("time left").says("1 minute 40 left").wait(99).at("leak.hold").wait(1).at("leak.final")


def test_a_leak_is_cured_and_the_hold_repeated(t: Dialogue) -> None:
    t.leak_hold("45.21", "45.08").says("zero, point, one, three", "the chamber leaks".capitalize()[4:])
    t.records("verdict", verdict="fail").listens("leak.cure").says("Bleed the chamber to zero before you loosen")
    t.hear("next").listens("leak.again").hear("yes").reading("leak.charge", "45.30").wait(8)
    t.reading("leak.initial", "45.20").wait(300).reading("leak.final", "45.10").says("The chamber holds").at("leak.down")


def test_exactly_the_limit_passes_and_a_rise_does_not_count(t: Dialogue) -> None:
    t.leak_hold("45.20", "45.08").says("The chamber holds")
    other = Dialogue(t.folder / "rise").leak_hold("45.20", "45.33")
    other.says("warming").records("verdict", verdict="invalid").listens("leak.rose").hear("next").at("leak.charge")


def test_going_on_with_a_leak_gives_no_number(t: Dialogue) -> None:
    t.leak_hold("45.21", "44.80").hear("next").hear("no").says("no result will be valid").hear("no")
    t.records("note", id="leak.stop").fill_and_close().one_run(1, RUN_1).between().one_run(2, RUN_2).hear("next")
    t.records("verdict", verdict="invalid").records("result", name="system_air_metric", value=None, rounded=None)
    t.says("The test is invalid", "failed its leak hold").finish()


def test_stopping_after_a_leak(t: Dialogue) -> None:
    t.leak_hold("45.21", "44.80").hear("next").hear("no").hear("yes").says("Stopped", PRESSURE_CAUTION)
    assert t.finished == "stopped"


def test_the_leak_hold_may_be_skipped_and_that_is_recorded(t: Dialogue) -> None:
    t.hear("next").hear("no").listens("scope").records("note", id="leak.ask")
    assert "skipped" in t.state.notes[0].text


def test_an_out_of_band_charge_is_trimmed(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).hear("fourteen point six two")
    t.refuses("charge.1.1", "Over by 0.12: bleed a little").cues("refused").listens("charge.1.1").takes_nothing()
    t.hear("fourteen point four three").refuses("charge.1.1", "Under by 0.07: pump a little").listens("charge.1.1.override")
    t.hear("yes").listens("charge.1.1").hear("fourteen and a half").cues("in_band").says("one, four, point, five, zero")
    t.hear("yes").takes("charge.1.1", "14.50")


def test_an_out_of_band_charge_used_knowingly_is_recorded(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).hear("fourteen point six zero").hear("fourteen point six zero")
    t.hear("no").listens("charge.1.1.confirm").hear("yes").takes("charge.1.1", "14.60").records("note", id="charge.1.1")


def test_the_edge_of_the_band_is_in_it(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).hear("fourteen point five five").cues("in_band").at("charge.1.1.confirm")


def test_a_misheard_reading_is_corrected(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").hear("seven point two nine").says("seven, point, two, nine")
    t.hear("no").records("refused", id="equilibrium.1.1", value=Decimal("7.29")).takes_nothing().listens("equilibrium.1.1")
    t.hear("seven point two five").hear("yes").takes("equilibrium.1.1", "7.25")


def test_what_cannot_be_true_is_refused(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").hear("fourteen point five two")
    t.refuses("equilibrium.1.1", "14.52", "digit by digit").does_not_say("7.25").listens("equilibrium.1.1")
    t.reading("equilibrium.1.1", "7.25").to_equilibrium(1, 2, "30.00").hear("seven point one zero")
    t.refuses("equilibrium.1.2").hear("seven point one two five").refuses("equilibrium.1.2", "at most 2 here")


def test_a_doubtful_reading_says_so_and_may_be_confirmed(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").hear("three point zero five").says("percent air", "Right?")
    t.hear("yes").takes("equilibrium.1.1", "3.05").records("note", id="equilibrium.1.1")


class TestDoubleEntry:
    @pytest.fixture
    def e3(self, t: Dialogue) -> Dialogue:
        to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63")
        return t.to_equilibrium(1, 3, "45.00")

    def test_a_mismatch_takes_neither(self, e3: Dialogue) -> None:
        e3.hear("thirty one point eight one").hear("yes").takes_nothing().listens("equilibrium.1.3.again")
        e3.key("3 1 * 1 8 #").listens("equilibrium.1.3.again.confirm").hear("yes").takes_nothing()
        e3.refuses("equilibrium.1.3", "The two entries differ. Neither is taken").does_not_say("31.").listens("equilibrium.1.3")
        e3.reading("equilibrium.1.3", "31.81")

    def test_saying_the_same_thing_twice_is_not_two_entries(self, e3: Dialogue) -> None:
        e3.hear("thirty one point eight one").hear("yes").says("digit by digit")
        e3.hear("thirty one point eight one").refuses("equilibrium.1.3.again", "digit by digit").takes_nothing()
        e3.hear("three one point eight one").hear("yes").takes("equilibrium.1.3", "31.81")

    def test_said_digit_by_digit_first_the_second_is_keyed(self, e3: Dialogue) -> None:
        e3.hear("three one point eight one").hear("yes").says("key it").hear("three one point eight one")
        e3.refuses("equilibrium.1.3.again", "key it").key("3 1 * 8 1 #").hear("yes").takes("equilibrium.1.3", "31.81")

    def test_the_gauge_may_be_the_second(self, e3: Dialogue) -> None:
        e3.hear("thirty one point eight one").hear("yes").gauge("31.81").hear("yes").takes("equilibrium.1.3", "31.81")
        assert [one.source for one in e3.state.readings[-1].entries] == ["voice", "gauge"]

    def test_the_first_entry_can_be_dropped(self, e3: Dialogue) -> None:
        e3.hear("thirty one point eight seven").hear("yes").hear("take it back").says("dropped").listens("equilibrium.1.3")
        e3.reading("equilibrium.1.3", "31.81")


def test_take_back_two_readings_later(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.52").to_equilibrium(1, 2, "30.00")
    t.hear("take it back").says("Taking back start pressure, run 1, step 2").listens("charge.1.2").records("taken_back",
                                                                                                           id="charge.1.2")
    t.hear("take it back").says("Taking back equilibrium, run 1, step 1").listens("equilibrium.1.1")
    t.reading("equilibrium.1.1", "7.25").at("charge.1.2").reading("charge.1.2", "30.00").at("equilibrium.1.2")
    assert t.state.taken()["equilibrium.1.1"] == Decimal("7.25")
    assert [(str(one.value), bool(one.withdrawn)) for one in t.state.readings if one.id == "equilibrium.1.1"] == [
        ("7.52", True), ("7.25", False)]
    t.reading("equilibrium.1.2", "18.63").replayed()


def test_taking_back_after_the_results_judges_again(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.32", "18.77", "32.04")).hear("next").records("verdict", verdict="fail").says("Fail")
    t.at("finish.letdown").hear("take it back").listens("change.confirm").says("the report says so for ever")
    t.hear("yes").listens("equilibrium.2.3").reading("equilibrium.2.3", "32.01").does_not_say("Pass.")
    t.records("verdict", verdict=CORRECTED).says("Corrected after the result", "was 32.04 and became 32.01").at("finish.letdown")
    t.finish()
    assert summary.exit_code(t.state) == 1


def test_no_to_a_change_leaves_everything(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.32", "18.77", "32.04")).hear("next").hear("take it back").hear("no").at("finish.letdown")
    assert t.state.taken()["equilibrium.2.3"] == Decimal("32.04") and summary.whole_verdict(t.state)[0] == "fail"


def test_the_same_number_again_is_no_change(t: Dialogue) -> None:
    to_run_2(t).one_run(2, RUN_2).hear("next").hear("take it back").hear("yes").reading("equilibrium.2.3", "32.01")
    assert summary.whole_verdict(t.state)[0] == "pass"


def test_nobody_shops_for_a_metric(t: Dialogue) -> None:
    """No, no, no at "Keep these readings?" made a plain pass of 31.60, 32.75, 31.80, 31.97."""
    to_run_2(t).one_run(2, ("7.30", "18.73", "31.60")).listens("metric.keep").hear("no").listens("change.confirm")
    t.hear("no").at("metric.keep").hear("no").hear("yes").says("Still holding").reading("equilibrium.2.3", "31.97")
    assert t.at("release.2").hear("next").records("verdict", verdict=REPEATED)
    found = summary.of(t.journal, 1)
    assert (found["verdict"], summary.exit_code(t.finish().state)) == (REPEATED, 1) and "was 31.60 and became 31.97" in found["why"]


def test_a_second_change_makes_it_invalid(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.30", "18.73", "31.60")).hear("no").hear("yes").reading("equilibrium.2.3", "32.75")
    t.listens("metric.keep").hear("no").says("makes the test invalid").hear("yes").reading("equilibrium.2.3", "31.97")
    t.at("release.2").hear("next").records("verdict", verdict="invalid").says("2 readings were changed")


def test_after_a_restart_nobody_is_asked_whether_he_still_holds(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.30", "18.73", "31.60")).at("metric.keep").kill().restart(later=60)
    t.hear("no").hear("yes").listens("equilibrium.2.3").says("as you read it then").does_not_say("Still holding")


def test_a_restart_while_the_lever_is_held_does_not_take_it_for_granted(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").kill().restart(later=600).does_not_say("Still holding")
    t.says("as the gauge showed it with the lever held").reading("equilibrium.1.1", "7.25")


def test_taking_back_during_the_hold_leaves_its_clock_running(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.12").wait(100)
    t.hear("take it back").listens("leak.initial").wait(20).reading("leak.initial", "45.21").says("2 minutes 59 left")
    t.at("leak.hold").wait(179).at("leak.final")


def test_taking_back_what_decided_the_leak_verdict_decides_it_again(t: Dialogue) -> None:
    t.leak_hold("45.21", "45.11").at("leak.down").hear("take it back").hear("yes").listens("leak.final")
    t.reading("leak.final", "45.01").records("verdict", verdict="fail").at("leak.cure")


def test_scrap(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").hear("scrap the test").listens("scrap.confirm")
    t.hear("no").listens("equilibrium.1.1").key("B-held").listens("scrap.confirm").key("#")
    t.says("Scrapped", PRESSURE_CAUTION, "Lever up, eyewear on, face away").records("verdict", verdict="invalid")
    assert t.state.outcome == "scrapped" and t.key("#").finished == "scrapped"


def test_a_hold_that_ends_while_scrap_is_asked_has_ended(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(295)
    t.hear("scrap the test").wait(10).at("scrap.confirm").hear("no").listens("leak.final")


def test_scrap_answered_no_in_a_hold_leaves_its_clock_running(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(100)
    t.hear("scrap the test").wait(20).hear("no").says("3 minutes left").at("leak.hold").wait(180).at("leak.final")


def test_a_restart_in_the_middle_of_a_correction_goes_on_with_it(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.52").hear("next").at("settle.1.2").hear("take it back").listens("equilibrium.1.1")
    t.kill().restart("boot-2", later=9).listens("equilibrium.1.1").reading("equilibrium.1.1", "7.25")
    t.at("settle.1.2").wait(5).reading("charge.1.2", "30.00").replayed()


def test_two_take_backs_across_the_leak_verdict_judge_it_again(t: Dialogue) -> None:
    t.leak_hold("45.21", "45.16").fill_and_close().hear("next").wait(5).reading("charge.1.1", "14.50")
    t.wait(13).hear("take it back").hear("take it back").hear("yes").listens("leak.final").reading("leak.final", "45.01").at("charge.1.1")
    # The meter is closed and full: it goes on, but nothing can be valid any more.
    t.reading("charge.1.1", "14.50").records("verdict", verdict="fail").at("equilibrium.1.1")
    assert any(note.invalid for note in t.state.notes)


def test_a_doubtful_metric_is_asked_about(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.25", "18.63", "31.81")).listens("metric.keep").says("would be zero")
    t.hear("no").hear("yes").listens("equilibrium.2.3").reading("equilibrium.2.3", "31.95").at("release.2")


def test_a_negative_metric_is_never_a_result(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.32", "18.77", "31.19")).says("negative").hear("yes").hear("next")
    t.records("verdict", verdict="invalid").records("result", name="system_air_metric", value=None, rounded=None)


def test_a_test_by_keys_alone(t: Dialogue) -> None:
    t.key("#").key("#").key("4 5 * 2 5 #").says("four, five, point, two, five").key("#").takes("leak.charge", "45.25")
    t.wait(8).key("4 5 * 3 B 2 0 #").says("four, five, point, two, zero").key("C").takes_nothing().listens("leak.initial")
    t.key("4 4 C 4 5 * 2 0 #").key("#").takes("leak.initial",
                                              "45.20").key("D").says("5 minutes left").key("D D").says("Leak hold")
    t.key("A").says("The hold has begun").key("A-held").says("Paused").key("A-held").says("The hold has begun")


def test_wrong_keys_are_answered_and_harm_nothing(t: Dialogue) -> None:
    t.key("7").says("No reading is asked for").at("zero").key("C").says("nothing to clear")
    t.key("B").says("no reading to take back")
    t.hear("next").key("5").says("Yes is the hash key").hear("yes").key("#").says("Key the reading first").key("* * #")
    t.refuses("leak.charge").listens("leak.charge").key("9 9 9 9 9 9 9 9 9 9 #").refuses("leak.charge").takes_nothing()


def test_what_cannot_be_heard_ends_at_the_keypad(t: Dialogue) -> None:
    t.hear("next").hear("yes").unclear().says("Say it again").unclear().says("Digit by digit").unclear().says("key it")
    t.listens("leak.charge").hear("seven twenty five").refuses("leak.charge", "digit by digit")


def test_quiet_still_says_cautions(t: Dialogue) -> None:
    t.hear("quiet").hear("next")
    assert not any(effect.aloud for effect in t.effects if hasattr(effect, "aloud"))
    t.hear("yes")
    aloud = {effect.text: effect.aloud for effect in t.effects if hasattr(effect, "aloud")}
    assert [text for text, loud in aloud.items() if loud] == ["Hands off the lever: the bowl is open. Never pump above 46 psi."]
    t.hear("talk").says("Talking")


def test_clock_jumps_sleep_and_lost_devices_are_recorded_and_change_no_hold(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(100)
    t.event(ClockJumped(t.now, 3600.0)).records("note", id="clock").event(Suspended(t.now, 5.0)).records("note", id="clock")
    t.event(DeviceLost(t.now, "microphone", "The microphone is gone: use the keypad.")).says("use the keypad")
    t.wait(199.9).at("leak.hold").wait(0.2).at("leak.final")


def test_a_bounced_key_answers_no_question(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5)
    for one, later in zip("1 4 * 5 0 # #".split(), (0, .3, .3, .3, .3, .3, .03)):
        t.now += later
        t.event(KeyPressed(t.now, one))
    t.cues("refused").takes_nothing().at("charge.1.1.confirm").key("#").takes("charge.1.1", "14.50")


def test_a_bounced_key_skips_no_let_down(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.hear("thirty one point eight one").hear("yes").key("3 1 * 8 1 #").key("#").at("letdown.1")
    t.now += 0.12
    t.event(KeyPressed(t.now, "#")).cues("refused").at("letdown.1")


def test_a_correction_sends_nobody_to_the_bleeder(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).reading("charge.1.1", "14.50").hear("next").wait(13).at("rest.1.1")
    t.hear("take it back").says("Leave the meter alone").hear("fourteen point six two").does_not_say("bleed")
    t.says("It was over by 0.12").at("charge.1.1.confirm").hear("yes").takes("charge.1.1", "14.62")


def test_scrap_forgets_what_was_typed(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).key("1 4 * 5 B-held").at("charge.1.1").key("B-held").listens("scrap.confirm").key("#")
    assert t.state.outcome == "scrapped" and "charge.1.1" not in t.state.taken()


def test_a_key_before_the_read_back_can_be_heard_confirms_nothing(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).hear("fourteen point five two")
    t.now += 0.05
    t.event(KeyPressed(t.now, "#")).takes_nothing().key("#").takes("charge.1.1", "14.52")


def test_one_held_key_makes_it_quiet_and_talk_again(t: Dialogue) -> None:
    assert t.key("D-held").says("Quiet.").state.quiet
    assert not t.key("D-held").says("Talking.").state.quiet


def test_quiet_still_reads_back(t: Dialogue) -> None:
    to_run_1(t).hear("quiet").hear("next").wait(5).hear("fourteen point five two")
    assert [effect.aloud for effect in t.effects if "Right" in getattr(effect, "text", "")] == [True]
    t.kill().restart(later=1)
    assert not t.state.quiet


def test_a_late_command_is_carried_out_all_the_same(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).at("charge.1.1").event(Heard(t.now, "scrap the test", "settle.1.1")).listens("scrap.confirm")


def test_a_hold_that_was_slept_through_does_not_count(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(250)
    t.now += 1000
    t.event(TimerDue(t.now, "hold")).records("hold", id="leak.hold", event="broken").says("does not count").at("leak.charge")


def test_a_remark_of_the_station_is_told_at_the_start_and_kept(tmp_path: Path) -> None:
    t = Dialogue(tmp_path, header={"remark": "No job file: there are no limits."})
    t.says("there are no limits").records("note", id="start").replayed()


def test_a_scrapped_test_gets_no_number(t: Dialogue) -> None:
    to_run_2(t).one_run(2, RUN_2).hear("next").hear("scrap the test").hear("yes")
    found = summary.of(t.journal, 1)
    assert found["verdict"] == "invalid"
    assert {one["name"]: one["value"] for one in found["results"]} == {
        "leak_drop": Decimal("0.05"), "air_content": None, "system_air_metric": None}


def test_one_erase_too_many_takes_nothing_back(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").key("7 B B").cues("refused").at("equilibrium.1.1")
    assert "charge.1.1" in t.state.taken()


def test_words_said_to_another_prompt_answer_nothing(t: Dialogue) -> None:
    """A yes that was still being decoded when the key had already answered."""
    to_run_2(t).one_run(2, ("7.25", "18.63", "31.81")).at("metric.keep")
    t.event(Heard(t.now, "yes", "equilibrium.2.3.again.confirm")).at("metric.keep").records("note",
                                                                                            id="equilibrium.2.3.again.confirm")


def test_nothing_cuts_off_a_caution(t: Dialogue) -> None:
    t.hear("next")
    t._hear_out("yes")
    t.station.handle(Heard(t.now, "yes"))  # the caution about the open bowl is being said
    caution = t.state.cautions
    _, effects = step(t.state, KeyPressed(t.now, "A"))
    assert caution and [effect.keep for effect in effects if isinstance(effect, Hush)] == [caution]  # only the prompt goes
    t.kill().restart(later=1)
    to_settle = Dialogue(t.folder / "settle")
    to_run_1(to_settle).hear("next").at("settle.1.1").kill().restart(later=1).says(PRESSURE_CAUTION)
    to_settle._talk = lambda: None
    to_settle.wait(5)
    assert all(set(to_settle.state.cautions) <= set(effect.keep) for effect in to_settle.effects if isinstance(effect, Hush))


def test_concrete_that_the_method_is_not_for(t: Dialogue) -> None:
    """TP 118-17, 3.1 (published, trade notes 1.1): only where the aggregate correction can be found."""
    t.hear("next").hear("no").at("scope").says("Is the aggregate dense, and is its correction known?").hear("no")
    t.at("scope.stop").says("no result will be valid").key("#-held")
    assert t.finished == "stopped"


def test_whoever_goes_on_with_it_gets_no_result(t: Dialogue) -> None:
    t.hear("next").hear("no").hear("no").at("scope.stop").hear("no").at("fill.1").says("Damp the bowl")
    assert any(one.invalid and "not for" in one.text for one in t.state.notes)


def test_nothing_piles_up_behind_a_caution(t: Dialogue) -> None:
    t.leak_hold().hear("next").at("scope")
    t._talk = lambda: None  # the caution of fill.1 is being said while he presses on
    t.hear("yes").at("fill.1").press("#", 2).press("#", 2).press("A", 2).press("#", 2).at("fill.1")
    hush = [effect for effect in t.effects if isinstance(effect, Hush)]
    assert not hush or hush[-1].keep == t.state.cautions, "instructions are dropped, the caution is not"


def test_a_correction_asks_for_what_was_read_then(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.52").hear("take it back")
    t.says("Correct equilibrium, run 1, step 1, as you read it then. Leave the meter alone").does_not_say("holding")
    t.reading("equilibrium.1.1", "7.25").records("note", id="equilibrium.1.1")


def test_a_reading_changed_with_the_result_known_says_so(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.32", "18.77", "32.04")).hear("next").hear("take it back").hear("yes")
    t.reading("equilibrium.2.3", "32.01")
    assert any("with the result known" in note.text for note in t.state.notes)


def test_an_invalid_test_says_why_once(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.25", "18.63", "31.81")).hear("yes").hear("next").does_not_say("Pass.")
    t.does_not_say("Warning: repeat the test")
    t.says("The test is invalid: repeat the test")


def test_scrap_asked_while_tapping_taps_no_second_time(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).reading("charge.1.1", "14.50").wait(6).hear("scrap the test")
    t.wait(20).at("scrap.confirm").hear("no").at("rest.1.1")


def test_a_voice_that_never_ends_does_not_hold_up_the_tapping(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).hear("fourteen point five zero")
    t._hear_out("yes")
    t.station.handle(Heard(t.now, "yes"))  # and no Spoken ever comes
    t._talk = lambda: None
    t.wait(8.1).cues("tap_first", "tap_end")


def test_nor_when_scrap_was_asked_meanwhile_and_answered_no(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).hear("fourteen point five zero")
    t._hear_out("yes")
    t.station.handle(Heard(t.now, "yes"))  # and no Spoken ever comes
    t._talk = lambda: None
    t.hear("scrap the test").wait(20).at("scrap.confirm").hear("no").wait(8.1).cues("tap_first", "tap_end")
    t.wait(13).at("rest.1.1").replayed()


def test_a_paused_station_says_so_to_every_key(t: Dialogue) -> None:
    t.hear("next").hear("yes").hear("pause").key("4").cues("refused").says("Hold A to carry on").hear("pause")
    assert t.state.paused
    t.key("B-held").listens("scrap.confirm").key("C").key("A-held").says("Paused").key("A-held").at("leak.charge")


def test_the_value_to_beat_is_not_told_before_the_final_reading(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(300)
    t.hear("where are we").says("Leak hold").does_not_say("four, five")


def test_the_tapping_beats_are_even_and_last_ten_seconds(t: Dialogue) -> None:
    to_run_1(t).hear("next").wait(5).reading("charge.1.1", "14.50")
    cadence = next(effect for effect in t.effects if type(effect).__name__ == "Cadence")
    beats = [offset for name, offset in cadence.cues if name == "tap"]
    assert len(beats) == 10 and {round(b - a, 9) for a, b in zip(beats, beats[1:])} == {1.0}
    assert cadence.cues[0][0] == "tap_first" and cadence.cues[-1][0] == "tap_end"
    assert cadence.cues[-1][1] - beats[0] == pytest.approx(10.0)


def test_practice_on_plain_water_comes_to_its_end_without_a_number(t: Dialogue) -> None:
    """Water gives way to no pressure: each equilibrium is its charge (derived). It was refused for ever; no result counts."""
    to_run_1(t)
    for run in (1, 2):
        for number, psi in ((1, "14.50"), (2, "30.00"), (3, "45.00")):
            t.to_equilibrium(run, number, psi)
            ident = f"equilibrium.{run}.{number}"
            for again in ("", ".again") if number == 3 else ("",):
                t.at(ident + again).key(" ".join([*psi.replace(".", "*"), "#"])).says("as of plain water").key("#-held")
            t.takes(ident, psi)
        if run == 1:
            t.between()
    t.at("metric.keep").hear("yes").at("release.2").hear("next")
    assert summary.whole_verdict(t.state)[0] == "invalid" and "plain water" in summary.whole_verdict(t.state)[1]


def test_a_reading_above_its_charge_is_refused_as_before(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").key("1 4 * 5 1 #").refuses("equilibrium.1.1", "not below the charge").takes_nothing()
