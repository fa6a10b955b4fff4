"""What comes of twelve pressures. The metric's definition is from memory (90 %); pressures are invented, after the ideal gas."""

from decimal import Decimal as D

import pytest

from assistant.core.methods import leak, sequential
from assistant.core.settings import Settings

STARTS = [[D("14.5"), D("30"), D("45")], [D("14.5"), D("30"), D("45")]]
GOOD = [[D("7.25"), D("18.63"), D("31.81")], [D("7.32"), D("18.77"), D("32.01")]]


def changed(table, run: int, step: int, value: str):
    copy = [list(row) for row in table]
    copy[run - 1][step - 1] = D(value)
    return copy


METER = {"chamber_ratio": "0.06", "aggregate_correction_pct": "0.0"}


def limited(**limits) -> Settings:
    return Settings.from_mapping({**METER, "limits": limits})


def values(done) -> list[D | None]:
    return [one.value for one in done.results]


def test_a_good_test() -> None:
    done = sequential.assess(STARTS, GOOD, Settings.from_mapping({
        "chamber_ratio": "0.06", "aggregate_correction_pct": "0.3",
        "limits": {"air_content": ["4.5", "7.5"], "system_air_metric": [None, "0.20"]}}))
    assert [(r.name, r.value, r.unit, str(r.rounded)) for r in done.results] == [
        ("air_content", D("5.7"), "%", "5.7"), ("system_air_metric", D("0.20"), "psi", "0.20")]
    assert done.verdict == "pass"
    assert done.warnings == ("the system air metric 0.20 plus or minus 0.01 psi can't be told from the limit 0.20",)
    assert done.why == "inside the limits: air content 5.7 %, system air metric 0.20 psi"
    assert done.results[1].standing.startswith("from memory")


def test_two_figures_of_how_far_the_metric_may_be_off() -> None:
    """By the gauge alone 0.01, derived: the charges are recorded, so their error is half a step. Repeated tests scatter by twice
    0.03 to 0.05 psi near 0.20, from memory, 65 %."""
    done = sequential.assess(STARTS, GOOD, Settings())
    assert [(one.of, one.name, str(one.value), one.unit) for one in done.uncertainty] == [
        ("system_air_metric", "gauge", "0.01", "psi"), ("system_air_metric", "repeat", "0.08", "psi")]
    assert done.uncertainty[0].standing.startswith("derived: ") and done.uncertainty[1].standing.startswith("from memory, about 65")
    its = sequential.assess(STARTS, GOOD, Settings.from_mapping({"metric_repeat_psi": "0.06"}))
    assert its.uncertainty[1].value == D("0.06")
    assert not sequential.assess(STARTS, changed(GOOD, 2, 3, "31.80"), Settings()).uncertainty  # no metric, no figure


@pytest.mark.parametrize("last, limit, words", [
    ("32.01", "0.21", "plus or minus 0.01 psi can't be told from the limit 0.21"), ("32.01", "0.22", "could lie on the other"),
    ("32.01", "0.28", "repeated ones scatter by 0.08 psi"), ("32.01", "0.29", ""), ("32.01", "0.12", "could lie on the other"),
])
def test_a_metric_beside_its_limit(last: str, limit: str, words: str) -> None:
    done = sequential.assess(STARTS, changed(GOOD, 2, 3, last), limited(system_air_metric=[None, limit]))
    assert words in "; ".join(done.warnings) and bool(done.warnings) == bool(words)
    assert done.verdict == ("fail" if D(limit) < D("0.20") else "pass"), "the verdict stays the method's"


def test_a_test_from_before_there_were_two_figures_says_what_it_said() -> None:
    """Its record has no metric_repeat_psi; it took the starts for anything in the band of 0.05 psi."""
    now = limited(system_air_metric=[None, "0.20"]).to_mapping()
    then = Settings.of_record({name: value for name, value in now.items() if name != "metric_repeat_psi"})
    done = sequential.assess(STARTS, changed(GOOD, 2, 3, "31.97"), then)
    assert done.warnings == ("the system air metric 0.16 plus or minus 0.05 psi can't be told from the limit 0.20",)
    assert done.uncertainty == () and Settings.of_record(now).metric_repeat_psi == D("0.08")


def test_values_are_unrounded_beside_their_rounding() -> None:
    air = sequential.assess(STARTS, changed(GOOD, 1, 1, "7.31"), Settings()).results[0]
    assert air.value == pytest.approx(D("5.90150478796"), abs=D("1e-10")) and str(air.rounded) == "5.9"


@pytest.mark.parametrize("limits, verdict, why", [
    ({}, "none", "no limits were given"),
    ({"air_content": [None, None]}, "none", "no limits were given"),
    ({"system_air_metric": [None, "0.19"]}, "fail", "system air metric 0.20 psi is over 0.19 by 0.01"),
    ({"air_content": ["6.5", "9.5"]}, "fail", "air content 6.0 % is under 6.5 by 0.5"),
    ({"air_content": ["4.5", "5.5"], "system_air_metric": [None, "0.10"]}, "fail",
     "air content 6.0 % is over 5.5 by 0.5; system air metric 0.20 psi is over 0.10 by 0.10"),
    ({"air_content": ["6.0", "6.0"]}, "pass", "inside the limits: air content 6.0 %"),
    ({"system_air_metric": [None, "0.1"]}, "fail", "system air metric 0.20 psi is over 0.1 by 0.10"),
])
def test_verdict(limits, verdict: str, why: str) -> None:
    done = sequential.assess(STARTS, GOOD, limited(**limits))
    assert (done.verdict, done.why) == (verdict, why)


def test_a_limit_with_fewer_decimals_passes_what_it_passes_but_says_so() -> None:
    equilibria = changed(GOOD, 2, 3, "32.05")  # a metric of 0.24
    done = sequential.assess(STARTS, equilibria, limited(system_air_metric=[None, "0.2"]))
    assert done.verdict == "pass" and any("fewer decimals" in warning for warning in done.warnings)
    assert sequential.assess(STARTS, equilibria, limited(system_air_metric=[None, "0.20"])).verdict == "fail"


@pytest.mark.parametrize("run, step, value, air, why", [
    (1, 1, "14.5", False, "equilibrium 1.1: 14.5 is the charge itself, as of plain water without any air"),
    (1, 2, "7.25", False, "equilibrium 1.2: 7.25 is not above the last equilibrium"),
    (1, 3, "45.01", False, "equilibrium 1.3: 45.01 is not below the charge"),
    (2, 1, "0", True, "equilibrium 2.1: 0 is no pressure"),
    (2, 3, "18.7", True, "equilibrium 2.3: 18.7 is not above the last equilibrium"),
])
def test_impossible_readings_give_no_number_that_hangs_on_them(run, step, value, air, why) -> None:
    wide = limited(air_content=["0", "99"], system_air_metric=["0", "99"])
    done = sequential.assess(STARTS, changed(GOOD, run, step, value), wide)
    assert done.verdict == "invalid" and done.why == why
    assert [value is not None for value in values(done)] == [air, False]
    assert all(one.rounded is None for one in done.results if one.value is None)


def test_both_runs_impossible_names_both() -> None:
    done = sequential.assess(STARTS, changed(changed(GOOD, 1, 1, "20"), 2, 2, "40"), Settings())
    assert "equilibrium 1.1" in done.why and "equilibrium 2.2" in done.why


def test_a_negative_metric_is_invalid_and_has_no_value() -> None:
    done = sequential.assess(STARTS, changed(GOOD, 2, 3, "31.80"), limited(system_air_metric=[None, "0.20"]))
    assert done.verdict == "invalid" and "would be negative" in done.why
    assert values(done) == [D("6.00"), None]


def test_a_metric_higher_than_is_usual_is_kept_and_marked() -> None:
    run_2 = changed(changed(GOOD, 2, 1, "7.53"), 2, 2, "19.21")  # the same air at each step
    done = sequential.assess(STARTS, changed(run_2, 2, 3, "32.62"), limited(system_air_metric=[None, "9.00"]))
    assert str(done.results[1].value) == "0.81" and done.verdict == "pass"
    assert "repeat the test" in done.why and sum("repeat the test" in w for w in done.warnings) == 1


def test_air_that_no_concrete_has_is_invalid() -> None:
    negative = sequential.assess(STARTS, changed(GOOD, 1, 1, "14.40"), Settings.from_mapping(
        {"aggregate_correction_pct": "0.3"}))
    assert negative.verdict == "invalid" and "negative" in negative.why and negative.results[0].value is None
    over = sequential.assess(STARTS, changed(GOOD, 1, 1, "0.01"), Settings())
    assert over.verdict == "invalid" and "over 100 %" in over.why and over.results[0].value is None


def test_charges_off_the_band_are_named() -> None:
    done = sequential.assess(changed(STARTS, 2, 3, "45.06"), GOOD, limited())
    assert done.warnings == ("charge 2.3: 45.06 is over by 0.06 psi",
                             "the charges of the two runs differ: about +0.03 psi of the metric would come "
                             "from that (not corrected)")
    assert values(done) == values(sequential.assess(STARTS, GOOD, limited()))  # never corrected


def test_a_charge_over_the_meters_maximum_is_impossible() -> None:
    assert sequential.assess(changed(STARTS, 1, 3, "46.01"), GOOD, Settings()).verdict == "invalid"


@pytest.mark.parametrize("initial, final, verdict, drop", [
    ("45.20", "45.20", "pass", "0.00"), ("45.20", "45.08", "pass", "0.12"),
    ("45.20", "45.07", "fail", "0.13"),
    ("45.20", "0.00", "fail", "45.20"), ("45.20", "45.32", "pass", "-0.12"),
    ("45.20", "45.33", "invalid", None),
    ("46.01", "46.00", "invalid", None), ("4.52", "4.52", "invalid", None), ("0", "0", "invalid", None),
    ("45.20", "-1", "invalid", None), ("45.60", "45.60", "pass", "0.00"),
])
def test_leak_hold(initial: str, final: str, verdict: str, drop: str | None) -> None:
    done = leak.assess(D(initial), D(final), Settings(), seconds=D(300))
    assert done.verdict == verdict
    assert (done.results[0].rounded, done.results[0].unit) == (drop and D(drop), "psi")
    assert bool(done.warnings) == (initial == "45.60")


def test_leak_words() -> None:
    assert "the chamber leaks" in leak.assess(D("45.20"), D("45.00"), Settings()).why
    assert "the chamber was warming: repeat" in leak.assess(D("45.20"), D("45.50"), Settings()).why


def test_a_short_hold_is_invalid_whatever_was_read() -> None:
    short = leak.assess(D("45.20"), D("45.20"), Settings(), seconds=D("299.9"))
    assert short.verdict == "invalid" and short.results[0].value is None and "299.9 s" in short.why


def test_a_jobs_own_limit_on_the_leak() -> None:
    settings = limited(leak_drop=[None, "0.05"])
    assert leak.assess(D("45.20"), D("45.14"), settings).verdict == "fail"
    assert leak.assess(D("45.20"), D("45.15"), settings).verdict == "pass"


def test_a_first_equilibrium_that_the_other_steps_contradict_gives_no_air_and_no_pass() -> None:
    """7.97 for 7.25 gave 4.6 percent and a pass."""
    done = sequential.assess(STARTS, changed(GOOD, 1, 1, "7.97"), limited(air_content=["4.5", "7.5"], system_air_metric=[None, "0.25"]))
    assert done.verdict == "invalid" and "run 1 do not show the same air: equilibrium 1.1 stands out" in done.why
    assert done.results[0].value is None and done.results[1].value == D("0.20")


@pytest.mark.parametrize("run, step, off", [(run, step, off) for run in (1, 2) for step in (1, 2, 3) for off in ("-1.20", "1.20")])
def test_the_reading_that_was_changed_is_the_one_that_stands_out(run: int, step: int, off: str) -> None:
    wrong = changed(GOOD, run, step, str(GOOD[run - 1][step - 1] + D(off)))
    done = sequential.assess(STARTS, wrong, Settings())
    assert done.verdict == "invalid" and f"equilibrium {run}.{step} stands out" in done.why
