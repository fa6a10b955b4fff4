"""The meter register: only added to, folded to the meter as it is now, its due dates and leak holds.

Outside sources: one year for a calibration is Iowa DOT IM 318; the trend is held against scipy. The rest is common practice."""
from __future__ import annotations

import json
import shlex
import sqlite3
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from scipy import stats

from assistant.meters.register import FILE, Calibration, LeakHold, Meter, MeterError, Register, fit_for_use, for_run, leak_trend
from tests.command import HEADER, READINGS, bowlside, script

D = Decimal
pytestmark = pytest.mark.dates
TODAY = date.today()


@pytest.fixture
def register(tmp_path: Path) -> Register:
    one = Register(tmp_path / "r")
    one.add("M-3", "added", max_psi=D(46), clamps=6)
    return one


def calibrated(register: Register, on: date, **what: object) -> Meter:
    register.add("M-3", "calibrated", on=on, **(what or {"chamber_ratio": D("0.0612")}))
    return register.meters()["M-3"]


def test_a_calibration_is_good_for_a_year_to_the_day(register: Register) -> None:
    on = date(2031, 5, 17)
    meter = calibrated(register, on)
    assert fit_for_use(meter, date(2032, 5, 16)) == []
    reason, = fit_for_use(meter, date(2032, 5, 17))
    assert "M-3" in reason and "2032-05-16" in reason and "365 days" in reason
    register.add("M-3", "intervals", days={"calibration_days": 30})
    assert fit_for_use(register.meters()["M-3"], date(2031, 6, 17)) != []
    register.add("M-3", "intervals", days={"calibration_days": 0})
    assert fit_for_use(register.meters()["M-3"], date(2099, 1, 1)) == []


def test_an_older_calibration_entered_later_changes_nothing(register: Register) -> None:
    calibrated(register, date(2031, 5, 17), chamber_ratio=D("0.0612"))
    meter = calibrated(register, date(2030, 5, 17), chamber_ratio=D("0.0700"), bowl_ft3=D("0.2490"))
    assert meter.chamber_ratio == D("0.0612") and meter.bowl_ft3 == D("0.2490") and str(meter.bowl_ft3) == "0.2490"
    assert meter.settings() == {"chamber_ratio": D("0.0612"), "max_psi": D(46), "clamps": 6, "bowl_volume_ft3": D("0.2490")}
    assert meter.settings(system="si")["bowl_volume_m3"] == D("0.007051")  # 0.249 x 0.028316846592, exact by definition


def test_without_a_chamber_ratio_it_is_not_fit(register: Register) -> None:
    assert "no chamber ratio" in fit_for_use(register.meters()["M-3"], TODAY)[0]


def test_the_correction_factor_of_the_source(register: Register) -> None:
    calibrated(register, TODAY)
    register.add("M-3", "factor", on=TODAY, source="Alder pit", pct=D("0.3"))
    register.add("M-3", "factor", on=TODAY - timedelta(days=400), source="Alder pit", pct=D("0.9"))
    meter = register.meters()["M-3"]
    assert meter.settings("Alder pit")["aggregate_correction_pct"] == D("0.3") and fit_for_use(meter, TODAY, "Alder pit") == []
    reason, = fit_for_use(meter, TODAY, "Reed quarry")
    assert "Reed quarry" in reason and "Alder pit" in reason
    assert "aggregate_correction_pct" not in meter.settings("Reed quarry")
    register.add("M-3", "intervals", days={"factor_days": 30})
    assert "ran out" in fit_for_use(register.meters()["M-3"], TODAY + timedelta(days=31), "Alder pit")[0]


def test_nothing_is_ever_changed_or_removed(register: Register) -> None:
    calibrated(register, TODAY)
    db = sqlite3.connect(register.path)
    for sql in ("UPDATE entries SET body = '{}'", "DELETE FROM entries"):
        with pytest.raises(sqlite3.IntegrityError, match="only added"):
            db.execute(sql)
    db.close()
    assert [kind for _, _, kind, _ in register.history("M-3")] == ["added", "calibrated"]


def test_a_retired_meter(register: Register) -> None:
    calibrated(register, TODAY)
    register.add("M-3", "retired", why="lid cracked")
    assert fit_for_use(register.meters()["M-3"], TODAY) == ["Meter M-3 is out of use: lid cracked."]


def test_leak_holds_come_from_the_record(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    register = Register(folder)
    register.add("M-3", "added")
    register.add("M-3", "calibrated", chamber_ratio=D("0.06"), on=TODAY)
    assert "no leak hold of today" in fit_for_use(register.meters()["M-3"], TODAY, leak=True)[0]
    for more, final in (({"meter": "M-3"}, "45.16"), ({"meter": "M-3"}, "45.18"),
                        ({"meter": "M-3", "practice": True}, "45.15"), ({"meter": "M-9"}, "45.14")):
        given = script({**READINGS, "leak.final": final}, HEADER | more)
        bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=given)
    meter = register.meters()["M-3"]
    assert [(one.drop_psi, one.verdict, one.on) for one in meter.holds] == [(D("0.05"), "pass", TODAY),
                                                                            (D("0.03"), "pass", TODAY)]
    assert [one.drop_psi for one in register.meters(holds=1)["M-3"].holds] == [D("0.03")]
    assert fit_for_use(meter, TODAY, leak=True) == []
    tomorrow = TODAY + timedelta(days=1)
    assert fit_for_use(meter, tomorrow, leak=True) != [] and fit_for_use(meter, tomorrow) == []
    register.add("M-3", "intervals", days={"leak_days": 0})
    assert fit_for_use(register.meters()["M-3"], tomorrow, leak=True) == [], "it does not run out"


def test_a_failed_leak_hold_bars_the_meter_until_one_passes() -> None:
    held = [LeakHold(TODAY, 7, D("0.20"), "fail"), LeakHold(TODAY, 8, D("0.02"), "pass")]
    meter = Meter("M-3", TODAY, calibrations=(Calibration(TODAY, D("0.06")),), holds=(held[0],))
    assert "failed its last leak hold" in fit_for_use(meter, TODAY)[0] and "test 7" in fit_for_use(meter, TODAY)[0]
    assert fit_for_use(replace(meter, holds=tuple(held)), TODAY) == []
    none = LeakHold(TODAY, 9, None, "invalid"), LeakHold(TODAY, 10, None, "pass")  # it rose; it passed and was scrapped
    for one in none:
        assert "test 7" in fit_for_use(replace(meter, holds=(held[0], one)), TODAY)[0]
        assert "no leak hold of today" in fit_for_use(replace(meter, holds=(one,)), TODAY, leak=True)[0]
        assert fit_for_use(replace(meter, holds=(held[1], one)), TODAY, leak=True) == []


def test_a_failed_hold_is_found_behind_one_that_rose(tmp_path: Path) -> None:
    register = Register(tmp_path)
    register.add("M-3", "added")
    register.add("M-3", "calibrated", chamber_ratio=D("0.06"), on=TODAY)
    for final in ("44.90", "45.50"):
        hold = {**{name: READINGS[name] for name in ("leak.charge", "leak.initial")}, "leak.final": final}
        given = script(hold, {"test": "leak", "meter": "M-3"}, [{"on": "leak.rose", "say": "no"}])
        bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=given)
    assert [one.verdict for one in register.meters(holds=1)["M-3"].holds] == ["fail", "invalid"]
    assert "test 1" in for_run(tmp_path, "M-3", TODAY)[1][0]


def test_a_bowl_measured_again_renews_no_chamber_ratio(register: Register) -> None:
    calibrated(register, TODAY - timedelta(days=366))
    meter = calibrated(register, TODAY, bowl_ft3=D("0.2490"))
    assert "ran out" in fit_for_use(meter, TODAY)[0] and meter.bowl_ft3 == D("0.2490")


def test_the_trend_is_the_slope_that_scipy_finds() -> None:
    drops = [D(x) for x in ("0.50", "0.02", "0.03", "0.02", "0.05", "0.04", "0.07", "0.06", "0.08", "0.09", "0.10")]
    holds = tuple(LeakHold(TODAY, n, drop, "pass") for n, drop in enumerate(drops)) + (LeakHold(TODAY, 99, None, "invalid"),)
    slope = stats.linregress(range(10), [float(x) for x in drops[-10:]]).slope
    assert float(leak_trend(holds)) == pytest.approx(slope, abs=1e-12)
    assert leak_trend(holds[:2]) is None


def test_a_file_that_is_no_register(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"not a database at all, whatever its name")
    bowlside("meter", "list", "--journal", tmp_path).is_one_sentence(2, str(tmp_path / FILE))
    bowlside("meter", "add", "M-1", "--journal", tmp_path).is_one_sentence(2, str(tmp_path / FILE))


def test_a_register_that_was_cut_in_its_first_moment_is_begun_anew(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"")
    assert bowlside("meter", "list", "--journal", tmp_path).code == 0
    assert bowlside("meter", "add", "M-1", "--journal", tmp_path).code == 0 and list(Register(tmp_path).meters()) == ["M-1"]


def test_another_database_and_a_newer_register_are_left_alone(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / FILE)
    db.execute("CREATE TABLE theirs (a)")
    db.commit()
    bowlside("meter", "add", "M-1", "--journal", tmp_path).is_one_sentence(2, "no meter register")
    db.execute("PRAGMA user_version = 99")
    db.commit()
    db.close()
    bowlside("meter", "list", "--journal", tmp_path).is_one_sentence(2, "newer")


# --- the commands --------------------------------------------------------------------------------------------------------

def test_a_meter_from_first_to_last_by_the_commands(tmp_path: Path) -> None:
    def meter(*args: object) -> object:
        done = bowlside("meter", *args, "--journal", tmp_path)
        assert done.code == 0 and done.err == "", done
        return done
    assert "No meter" in meter("list").out
    meter("add", "M-3", "--max-psi", "46", "--clamps", "6")
    assert bowlside("meter", "list", "--journal", tmp_path).code == 1, "without a calibration it is not fit"
    meter("calibrated", "M-3", "--ratio", "0.0612", "--bowl-ft3", "0.2490", "--by", "T-02", "--how", "canister")
    meter("factor", "M-3", "--source", "Alder pit", "--pct", "0.3")
    meter("due", "M-3", "--calibration-days", "180")
    meter("remark", "M-3", "new O-ring")
    one = json.loads(meter("list", "--json").out, parse_float=str)
    assert (one["meter"], one["chamber_ratio"], one["bowl_ft3"], one["not_fit"]) == ("M-3", "0.0612", "0.2490", [])
    assert one["good_until"]["calibration"] == str(TODAY + timedelta(days=180))
    shown = json.loads(meter("show", "M-3", "--json").out)
    assert [each["kind"] for each in shown["history"]] == ["added", "calibrated", "factor", "intervals", "remark"]
    text = meter("show", "M-3").out
    assert "intervals   calibration days 180\n" in text
    assert "new O-ring" in text and "this meter's own" in text and "Iowa DOT IM 318" not in text
    meter("retire", "M-3", "--why", "lid cracked")
    assert "out of use" in meter("list").out


@pytest.mark.parametrize("args", [
    ["show", "M-9"], ["calibrated", "M-9", "--ratio", "0.06"], ["add", "M-3"], ["calibrated", "M-3"],
    ["calibrated", "M-3", "--ratio", "6"], ["calibrated", "M-3", "--ratio", "x"], ["calibrated", "M-3", "--bowl-ft3", "9"],
    ["calibrated", "M-3", "--ratio", "0.06", "--on", "soon"], ["calibrated", "M-3", "--ratio", "0.06", "--on", "2999-01-01"],
    ["factor", "M-3", "--source", "x", "--pct", "30"], ["factor", "M-3", "--source", " ", "--pct", "0.3"],
    ["due", "M-3"], ["due", "M-3", "--leak-days", "-1"], ["add", "M\n4"], ["add", "M-4", "--clamps", "1"]], ids=" ".join)
def test_bad_input_is_one_sentence(args: list[str], register: Register) -> None:
    bowlside("meter", *args, "--journal", register.folder).is_one_sentence(2)
    assert len(register.history()) == 1, "something was entered all the same"


def test_what_is_told_to_type_of_a_meter_with_a_blank_in_its_name_can_be_typed(tmp_path: Path) -> None:
    told = bowlside("meter", "add", "Site 3", "--journal", tmp_path).out.partition("with: bowlside ")[2]
    assert bowlside(*shlex.split(told.replace(" K", " 0.06")), "--journal", tmp_path).code == 0
    other = bowlside("meter", "show", "Site 4", "--journal", tmp_path)
    assert "bowlside meter add 'Site 4'." in other.err
    path = tmp_path / "my job.toml"
    told = bowlside("job", "new", path).out.partition("then: bowlside ")[2]
    assert bowlside(*shlex.split(told), "--journal", tmp_path / "none").code == 0


def test_the_register_says_who_is_there(register: Register) -> None:
    with pytest.raises(MeterError, match="there are: M-3"):
        register.add("M-4", "remark", text="x")


def test_a_calibration_and_a_factor_come_from_tests_of_the_record(register: Register) -> None:
    folder = register.folder
    def rehearse(test: str, readings: dict[str, str], **more: object) -> None:
        header = {"test": test, "bowl_volume_ft3": 0.249, "meter": "M-3", **more}
        lines = [header, *({"on": ident, "key": " ".join([*value.replace(".", "*"), "#"])} for ident, value in readings.items())]
        text = "".join(json.dumps(each) + "\n" for each in lines)
        done = bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=text)
        assert done.code == 0, done
    psi = {f"canister.{kind}.{n}": value for n in (1, 2, 3) for kind, value in (("charge", "14.50"), ("equilibrium", "7.90"))}
    rehearse("calibration", psi)
    rehearse("aggregate-correction", {"water.drawn": "5.0", "air.reading": "5.4"}, fine_aggregate_lb=1, coarse_aggregate_lb=1,
             batch_volume_ft3=1)
    assert bowlside("meter", "calibrated", "M-3", "--test", "1", "--journal", folder).code == 0
    assert bowlside("meter", "factor", "M-3", "--source", "Alder pit", "--test", "2", "--journal", folder).code == 0
    meter = register.meters()["M-3"]
    # k = (A0 / 100) E / (P - E), A0 = 100 x 0.0125 / 0.249: trade arithmetic from Boyle's law
    by_hand = D("0.0125") / D("0.249") * D("7.90") / (D("14.50") - D("7.90"))
    assert meter.chamber_ratio == round(by_hand, 4) and meter.factors["Alder pit"] == (TODAY, D("0.4"))
    assert meter.calibrations[-1].how == "test 1 of the record"
    for args in (["calibrated", "M-3", "--test", "2"], ["factor", "M-3", "--source", "x", "--test", "1"],
                 ["calibrated", "M-3", "--test", "1", "--ratio", "0.06"], ["factor", "M-3", "--source", "x"]):
        bowlside("meter", *args, "--journal", folder).is_one_sentence(2)
    bowlside("meter", "calibrated", "M-3", "--test", "9", "--journal", folder).is_one_sentence(1, "no test 9")
    register.add("M-1", "added")
    bowlside("meter", "calibrated", "M-1", "--test", "1", "--journal", folder).is_one_sentence(2, "with meter M-3, not M-1")
    rehearse("calibration", {**psi, "canister.equilibrium.3": "8.30"})
    said = bowlside("meter", "calibrated", "M-3", "--test", "3", "--journal", folder)
    assert said.code == 0 and "But: the passes do not agree" in said.out, "a mean of what does not agree"
    rehearse("aggregate-correction", {"water.drawn": "2.0", "air.reading": "25.4"})
    bowlside("meter", "factor", "M-3", "--source", "x", "--test", "4", "--journal", folder).is_one_sentence(2, "from 0 to 10")


def test_for_a_run(register: Register, tmp_path: Path) -> None:
    assert for_run(tmp_path / "none", "M-3", TODAY) == ({}, [])
    assert for_run(register.folder, "M-9", TODAY)[1] == ['Meter "M-9" is not in the register; there are: M-3.']
    calibrated(register, TODAY)
    assert for_run(register.folder, "M-3", TODAY) == ({"chamber_ratio": D("0.0612"), "max_psi": D(46), "clamps": 6}, [])
    assert len(for_run(register.folder, "M-3", TODAY + timedelta(days=400))[1]) == 1
