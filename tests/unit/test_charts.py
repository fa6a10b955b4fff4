"""Control charts: each level, range and run rule on a series made for it; what belongs to a chart; how it is drawn and told.

Levels of air: UFGS 03373, published; ranges of slumps: UFGS 03700, published. The run rules' sources stand in core/charts.py; how
often they call chance a signal is checked in tests/outside/test_run_rules.py. Every series is invented.
"""
from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from reportlab.graphics.shapes import Line

from assistant import job
from assistant.core.charts import Levels, Point, Signal, signals
from assistant.report import drawings, findings, pdf_file, series

D = Decimal
AIR = Levels(D(6), D("1.0"), D("1.5"), D("2.0"), D("3.0"), 0, 0, 0, 0)
"""UFGS 03373, no run rules."""
METRIC = Levels(D("0.15"), D("0.05"), D("0.10"))


def points(*values: str) -> list[Point]:
    """One each; "7.5+6.4": a test and its check test."""
    split = ([D(each) for each in one.split("+")] for one in values)
    return [Point(f"S-{at}", first, tuple(checks)) for at, (first, *checks) in enumerate(split, 1)]


def told(name: str, unit: str, values: str, levels: Levels, high_only: bool = False) -> list[Signal]:
    return signals(name, unit, points(*values.split()), levels, high_only)


# --- levels and ranges ---------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("value, level", [("6.9", ""), ("7.0", "warning"), ("7.4", "warning"), ("7.5", "action"),
                                          ("4.5", "action"), ("5.0", "warning"), ("7.5+6.4", ""),
                                          ("7.5+7.0", "warning"), ("7.6+7.4", "action")])
def test_the_levels_of_air(value: str, level: str) -> None:
    """UFGS 03373: the average of both counts once the second is there."""
    found = told("air_content", "%", value, AIR)
    assert [one.verdict for one in found] == [level] * bool(level)
    if level == "action":
        assert ("out of control" if "+" in value else "a second test at once") in found[0].why
        assert "UFGS 03373" in found[0].standing


def test_the_metrics_levels_are_judged_and_a_low_one_is_none() -> None:
    found = told("system_air_metric", "psi", "0.02 0.15 0.19 0.20 0.25", METRIC, high_only=True)
    assert [(one.at, one.verdict) for one in found if one.at == one.since] == [(3, "warning"), (4, "action")]
    assert found[1].why == "system air metric 0.25 is 0.10 from the target, 0.15: action; look for the reason, and test again"
    assert found[1].standing.startswith("common practice, no source") and found[2].verdict == "run"
    assert told("system_air_metric", "psi", "0.02", METRIC)[0].verdict == "action", "unless it has a lowest limit too"


def test_a_check_test_takes_no_high_metric_away() -> None:
    """Of the metric no rule has the average of a test and its check test: the higher of the two is told."""
    alone = Levels(D("0.15"), D("0.05"), D("0.10"), run_one_side=0, run_beyond_warning=0, run_beyond_half=0)
    found, = told("system_air_metric", "psi", "0.29+0.02", alone, high_only=True)
    assert found.verdict == "action" and "0.29 is 0.14 from the target" in found.why
    found, = told("system_air_metric", "psi", "0.18+0.02", alone)
    assert "0.02 is 0.13" in found.why


@pytest.mark.parametrize("off, level", [("1.9", ""), ("2.0", "warning"), ("2.9", "warning"), ("3.0", "action")])
def test_the_range_of_two_airs(off: str, level: str) -> None:
    for pair in (f"5 {5 + D(off)}", f"{5 + D(off)} 5"):
        found = told("air_content", "%", pair, Levels(range_warning=D(2), range_action=D(3)))
        assert [(one.since, one.at, one.verdict) for one in found] == [(0, 1, level)] * bool(level)


def test_the_range_of_two_slumps_may_be_two_inches() -> None:
    """UFGS 03700: not over 2 in."""
    levels = Levels(range_action=D(2))
    found, = told("slump", "in.", "3.00 5.00 2.75", levels)
    assert (found.since, found.at) == (1, 2)
    assert found.why.startswith("slump of two samples is 2.25 inches apart, at the action level 2")
    found, = told("slump", "mm", "75 125 70", Levels(range_action=D(50)))
    assert "55 millimeters apart" in found.why


def test_a_test_and_its_check_test_are_not_two_samples_far_apart() -> None:
    """8.5 and 5.5 of one sample are 3.0 apart; their mean, 7.0, is 1.0 from the sample before."""
    levels = Levels(range_warning=D(2), range_action=D(3))
    assert told("air_content", "%", "6.0 8.5+5.5", levels) == []
    assert [one.verdict for one in told("air_content", "%", "6.0 8.5 5.5", levels)] == ["warning", "action"]


# --- run rules -----------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("rule, values, at, since, words", [
    ("run_one_side", "6.1 " * 8, 7, 0, "8 samples in a row above 6"),
    ("run_one_side", "5.9 " * 8, 7, 0, "8 samples in a row below 6"),
    ("run_one_side", "6.1 " * 7 + "6.0 " + "6.1 " * 7, None, None, ""),
    ("run_beyond_warning", "6.0 7.0 6.2 7.1", 3, 1, "2 of 3 samples in a row at 7.0 or above"),
    ("run_beyond_warning", "6.0 5.0 4.9", 2, 0, "2 of 3 samples in a row at 5.0 or below"),
    ("run_beyond_warning", "7.0 6.0 6.0 7.0 5.0", None, None, ""),
    ("run_beyond_half", "6.5 6.6 6.0 6.7 6.5", 4, 0, "4 of 5 samples in a row at 6.5 or above"),
    ("run_beyond_half", "5.5 5.5 5.5 5.5", 3, 0, "4 of 5 samples in a row at 5.5 or below"),
    ("run_beyond_half", "6.5 6.6 6.0 6.7 6.4", None, None, ""),
    ("run_trend", "5.4 5.6 5.7 5.9 6.2 6.3", 5, 0, "6 samples in a row, each above the one before"),
    ("run_trend", "6.3 6.2 6.1 6.0 5.9 5.8", 5, 0, "6 samples in a row, each below the one before"),
    ("run_trend", "5.4 5.6 5.7 5.7 6.2 6.3 6.4", None, None, ""),
])
def test_each_run_rule_on_a_series_made_for_it(rule: str, values: str, at: int | None, since: int, words: str) -> None:
    """Western Electric (1956) and, for the trend, Nelson (1984), both from memory; alone, so that no other rule speaks."""
    on = {"run_one_side": 8, "run_beyond_warning": 2, "run_beyond_half": 4, "run_trend": 6}
    levels = Levels(D(6), D("1.0"), **{name: wanted if name == rule else 0 for name, wanted in on.items()})
    found = [one for one in told("air_content", "%", values, levels) if one.verdict == "run"]
    assert [(one.at, one.since) for one in found] == ([] if at is None else [(at, max(0, since))])
    assert all(words in one.why and "look for the reason" in one.why for one in found)
    off = Levels(D(6), D("1.0"), **dict.fromkeys(on, 0))
    assert not [one for one in told("air_content", "%", values, off) if one.verdict == "run"], "a rule at 0 is none"


def test_a_run_that_goes_on_is_told_once_and_a_result_with_a_maximum_runs_high_only() -> None:
    only = Levels(D("0.15"), run_beyond_warning=0, run_beyond_half=0)
    assert [one.at for one in told("system_air_metric", "psi", "0.16 " * 20, only, high_only=True)] == [7]
    assert told("system_air_metric", "psi", "0.14 " * 20, only, high_only=True) == []


@pytest.mark.parametrize("text, words", [
    ("run_one_side = 7.5", "run_one_side is 7.5: it must be a whole number"),
    ("run_beyond_warning = 4", "run_beyond_warning is 4: it is so many of 3 in a row, so at most 3"),
    ("run_trends = 6", 'did you mean "run_trend"')])
def test_run_rules_are_the_jobs(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[levels.air_content]\ntarget = 6\nrun_one_side = 9\nrun_trend = 6\nrun_beyond_half = 0\n")
    assert job.load(path).levels["air_content"] == Levels(D(6), run_one_side=9, run_trend=6, run_beyond_half=0)
    path.write_text(f"[levels.air_content]\ntarget = 6\n{text}\n")
    with pytest.raises(job.JobError) as refused:
        job.load(path)
    assert words in str(refused.value) and "line 3" in str(refused.value)


# --- what belongs to a chart ---------------------------------------------------------------------------------------------

def test_of(ident: int, value: str, day: int = 17, name: str = "air_content", **labels: object) -> dict:
    row = {"name": name, "value": D(value), "rounded": D(value), "unit": "%", "limits": [D("4.5"), D("7.5")]}
    return {"id": ident, "test": "sequential", "title": "Test", "started": f"2031-05-{day}T10:00:00+02:00", "outcome": "done",
            "results": [row], **labels}


test_of.__test__ = False  # type: ignore[attr-defined]


def test_a_series_is_of_one_mix_by_one_pair_of_hands_and_a_check_test_is_of_its_sample() -> None:
    tests = [test_of(1, "6.0", round="R-1"), test_of(2, "8.5", round="R-2"), test_of(3, "5.5", round="R-2", check_of="test 2"),
             test_of(4, "6.1", round="R-2", comparison=True), test_of(5, "6.2", round="R-3", mix="B"),
             test_of(6, "6.3", round="R-4", outcome="scrapped"), test_of(7, "6.4", round="R-5", practice=True),
             test_of(8, "6.5", day=18, round="R-2", check_of="nothing of that day")]
    found = series.of(tests, ("air_content",))
    ids = {(key.mix, key.practice): [[each["id"] for each in one.tests] for one in samples] for key, samples in found.items()}
    assert ids == {("", False): [[1], [2, 3], [8]], ("B", False): [[5]], ("", True): [[7]]}
    mean = next(iter(found.values()))[1].point()
    assert (mean.first, mean.checks, mean.value) == (D("8.5"), (D("5.5"),), D("7.0"))


def test_two_mixes_have_a_chart_each() -> None:
    """Else the range of two would be one mix against another, and both would stand between the newest one's limits."""
    def titles(*tests: dict) -> list[str]:
        return [title for title, _, _ in pdf_file._charts(tests, "2031-05-17", None)]
    one = [test_of(at, "6.0", mix="A", job="J") for at in (1, 2)]
    assert titles(*one) == ["Control chart: Air content"] and titles(one[0]) == []
    assert titles(*one, *(test_of(at, "6.0", mix="B", job="J") for at in (3, 4))) == [
        "Control chart: Air content, J, mix A", "Control chart: Air content, J, mix B"]
    assert titles(one[0], {**one[1], "practice": True}) == []


def test_a_chart_goes_on_from_day_to_day_and_tells_what_this_day_completes(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[levels.air_content]\ntarget = 6.0\nwarning = 1.0\naction = 1.5\n")
    tests = [test_of(at, "6.2", day=10 + at) for at in range(1, 8)] + [test_of(8, "6.1", day=18), test_of(9, "7.2", day=18)]
    (title, _, said), = pdf_file._charts(tests, "2031-05-18", job.load(path))
    assert title == "Control chart: Air content, since 2031-05-11"
    assert [each.words.split(":")[0] for each in said] == ["Tests 1 to 8", "Test 9"]
    assert "8 samples in a row above 6.0" in said[0].words and said[0].standing.startswith("from memory, about 95 % sure: Western Electric")
    assert pdf_file._charts(tests[:7], "2031-05-18", job.load(path)) == [], "that day has none of it"
    calm = [*tests, test_of(10, "6.0", day=19)]
    assert pdf_file._charts(calm, "2031-05-19", job.load(path))[0][2] == [], "what was told on its own day"
    assert pdf_file._charts(tests[:7], "2031-05-17", job.load(path))[0][2] == []


# --- the drawing ---------------------------------------------------------------------------------------------------------

def test_each_line_lies_where_its_words_say_and_a_check_test_at_its_sample() -> None:
    values, ranges = drawings.control_axes("Air content", "%", points("5.0", "6.5", "6.3+5.9"),
                                           Levels(D(6), D(1), D("1.5"), D(2), D(3)), (D("4.5"), D("7.5")))
    assert [size for _, size in ranges.plotted["ranges"]] == pytest.approx([1.5, 0.4])
    assert set(values.words) >= {"target 6", "warning 7", "warning 5", "action, limit 7.5", "action, limit 4.5", "6.1"}
    lines = {round((one.y1 - values.box[1]) / (values.box[3] - values.box[1]) * (values.up[1] - values.up[0]) + values.up[0], 9)
             for one in values.drawing.contents if isinstance(one, Line) and one.x2 - one.x1 > 400}
    assert lines >= {6, 7, 5, 7.5, 4.5}
    assert values.plotted["values"] == [(1, 5.0), (2, 6.5), (3, 6.1)] and values.plotted["check 3"] == [(3, 6.3), (3, 5.9)]


def test_no_findings_without_levels() -> None:
    tests = [test_of(1, "3.0"), test_of(2, "9.0")]
    (key, samples), = series.of(tests, ("air_content",)).items()
    assert findings.of_chart(samples, [one.point() for one in samples], key, Levels(), "2031-05-17") == []
