"""A job that leaves the method is refused, or told wherever the result is told. The method's values: trade facts in
registry.SOURCES, most of them common practice, no source; how far an agency may move one is ours."""
from __future__ import annotations

import csv
import io
import json
from dataclasses import fields, replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from assistant.core import deviations
from assistant.core.methods import registry
from assistant.core.settings import METHOD, Settings, key_of
from tests.command import HEADER, bowlside, script
from tests.scenario.dialogue import Dialogue


def checked(folder: Path, text: str):
    path = folder / "job.toml"
    path.write_text(f'job = "a job (invented)"\n{text}\n')
    return bowlside("job", "check", path, "--journal", folder / "none")


# --- the table ----------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("name", METHOD)
def test_the_default_is_the_methods_own_and_its_range_lies_in_what_an_agency_may_set(name: str) -> None:
    row, bounds = METHOD[name], {one.name: one.metadata for one in fields(Settings)}.get(name)
    assert row.agency[0] <= row.own[0] <= Settings().used(name) <= row.own[1] <= row.agency[1]
    assert registry.SOURCES[key_of(name)] and any(row in each.values for each in registry.METHODS.values())
    assert bounds is None or bounds["low"] <= row.agency[0] and row.agency[1] <= bounds["high"]


def test_without_a_job_nothing_is_told() -> None:
    assert deviations.of(Settings()) == [] and Settings.for_test({}) == Settings()


def test_every_value_that_may_be_moved_has_its_sentence() -> None:
    for name, row in METHOD.items():
        for value in row.agency:
            if not row.own[0] <= value <= row.own[1]:
                (told,) = deviations.of(replace(Settings(), **{name: value}))
                assert told.name == name and told.words.endswith(".") and "{" not in told.words


# --- refused: the typos, each with file and line ----------------------------------------------------------------

TYPOS = {
    "leak_hold_s = 30": ("leak_hold_s is 30", "the method has 300", "120 to 1800"),
    "leak_limit_psi = 1.2": ("leak_limit_psi is 1.2", "0 to 0.12", "0 to 0.24"),
    "step_targets = [10, 20, 30]": ("step_targets is 10, 20, 30", "for step 1", "nobody may move it"),
    "step_targets = [14.5, 30, 40]": ("step_targets", "for step 3"),
    "band_psi = 0.5": ("band_psi is 0.5", "0.01 to 0.10"),
    "band_psi = 5": ("band_psi",),
    "tap_s = 1": ("tap_s is 1", "the method has 10"),
    "tap_every_s = 10": ("tap_every_s is 10",),
    "settle_s = 0": ("settle_s is 0",),
    "slump_s = 1500": ("slump_s is 1500", "60 to 150"),
    "thermometer_s = 12": ("thermometer_s is 12",),
    "start_within_s = 3000": ("start_within_s is 3000",),
    "metric_high_psi = 8": ("metric_high_psi is 8", "usual is"),
    "ratio_difference = 1": ("ratio_difference is 1",),
    "[mixes.A]\ntap_s = 1": ("tap_s is 1",),
    "[limits]\nleak_drop = { max = 1.2 }": ("the limit of leak_drop is 1.2", "0 to 0.24"),
    "leak_limit_psi = 0.2\n[limits]\nleak_drop = { max = 0.12 }": ("leak_limit_psi is 0.2", "give one of them"),
}


@pytest.mark.parametrize("text", TYPOS)
def test_a_typo_in_a_job_is_refused_where_it_stands(tmp_path: Path, text: str) -> None:
    checked(tmp_path, text).is_one_sentence(2, "job.toml line ", *TYPOS[text])


@pytest.mark.parametrize("test, more", [("sequential", {"tap_s": 1}), ("sequential", {"limits": {"leak_drop": [None, 1.2]}}),
                                        ("slump", {"slump_s": 1500})])
def test_a_script_and_work_refuse_it_too(test: str, more: dict) -> None:
    bowlside("rehearse", "-", stdin=json.dumps({"test": test, **more}) + "\n").is_one_sentence(2, "line 1", "an agency may set")


def test_what_was_recorded_is_replayed_whatever_is_refused_today(tmp_path: Path) -> None:
    t = Dialogue(tmp_path, leak_hold_s="30", tap_s="1")  # Settings.from_mapping, as the machine begins and replays
    assert t.state.settings.leak_hold_s == 30
    t.kill().restart()
    assert t.state.settings.leak_hold_s == 30


# --- told ---------------------------------------------------------------------------------------------------------------

MOVED = {"leak_hold_s": 120, "band_psi": 0.1, "limits": {**HEADER["limits"], "leak_drop": [None, 0.2]}}
TOLD = ("A start may be off by: 0.1 psi; the method has at most 0.05 psi.", "Leak hold: 2 minutes; the method has 5 minutes.",
        "The chamber may lose: 0.2 psi; the method has at most 0.12 psi.")


def test_job_check_tells_each_with_its_line(tmp_path: Path) -> None:
    done = checked(tmp_path, "leak_hold_s = 120\nband_psi = 0.1\n[limits]\nleak_drop = { max = 0.2 }\n[mixes.A]\ntap_s = 8")
    assert done.code == 0 and "right." not in done.out and "not as the method has it" in done.out
    for line, words in ((2, TOLD[1]), (3, TOLD[0]), (5, TOLD[2]), (7, "Tapping: 8 seconds; the method has 10 seconds.")):
        assert f"line {line}: {words}" in done.out, done.out
    assert "right.\n" in checked(tmp_path, "leak_hold_s = 300\nsettle_s = 6\nband_psi = 0.02").out  # within the method itself


def test_job_show_tells_them(tmp_path: Path) -> None:
    checked(tmp_path, "tap_s = 8")
    assert "Tapping: 8 seconds; the method has 10 seconds." in bowlside("job", "show", tmp_path / "job.toml").out


@pytest.fixture(scope="module")
def moved(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("moved")
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", folder, stdin=script(header={**HEADER, **MOVED}))
    assert done.code == 0, done
    return folder, done.out


def test_they_are_said_before_anything_else_is_asked(moved: tuple[Path, str]) -> None:
    said = [line for line in map(json.loads, moved[1].splitlines()) if line["kind"] == "said"]
    first = next(at for at, line in enumerate(said) if all(words in line["text"] for words in TOLD))
    assert first < next(at for at, line in enumerate(said) if line["id"] == "zero")
    assert not any("five minutes" in line["text"] or "5 minutes" in line["text"] for line in said[first + 1:])


def test_they_stand_in_the_record_and_on_every_export(moved: tuple[Path, str], tmp_path: Path) -> None:
    folder, _ = moved
    shown = bowlside("log", "show", "1", "--journal", folder)
    assert all(words in shown.out for words in TOLD)
    files = {kind: tmp_path / f"day.{kind}" for kind in ("csv", "json", "pdf")}
    assert bowlside("log", "export", "--journal", folder, *(part for kind, path in files.items()
                                                          for part in (f"--{kind}", path))).code == 0
    row = next(csv.DictReader(io.StringIO(files["csv"].read_text(encoding="utf-8-sig"))))
    assert row["deviations"] == " ".join(TOLD)
    assert json.loads(files["json"].read_text())["tests"][0]["deviations"] == list(TOLD)
    page = " ".join(PdfReader(files["pdf"]).pages[0].extract_text().split())
    assert f"Test 1, deviations from the method: {' '.join(TOLD)}" in page
    assert "five-minute" not in page and "five minute" not in page
    assert any(words.rstrip(".") in bowlside("log", "read", "1", "--journal", folder).out for words in TOLD)


def test_an_old_record_of_a_short_hold_says_what_it_was(tmp_path: Path) -> None:
    """From before they were told: no word of it in its header, so it is taken from its settings."""
    from assistant.record import summary
    t = Dialogue(tmp_path, leak_hold_s="30")
    assert summary.of(t.journal, 1)["deviations"] == ["Leak hold: 30 seconds; the method has 5 minutes."]
    assert "A deviation" not in str(registry.SOURCES["leak_drop"]) and "five" not in str(registry.SOURCES["leak_drop"])


def test_each_test_tells_only_what_it_uses() -> None:
    settings = Settings.for_test({"tap_s": "8", "slump_s": "200", "thermometer_s": "90", "start_within_s": "600"})
    assert [[one.name for one in deviations.of(settings, test)] for test in ("sequential", "slump", "temperature", "sampling",
                                                                          "density")] == [
        ["tap_s"], ["slump_s"], ["thermometer_s"], ["start_within_s"], []]


def test_in_a_round_what_is_left_of_the_thermometers_time_is_no_deviation() -> None:
    settings = Settings.from_mapping({"thermometer_s": "31.5"})
    assert deviations.recorded({"round": "R-1"}, settings, "temperature") == []
    assert len(deviations.recorded({}, settings, "temperature")) == 1
    assert deviations.recorded({"round": "R-1", "deviations": ["Told."]}, settings, "temperature") == ["Told."]


# --- limits that no concrete has ----------------------------------------------------------------------------------------

@pytest.mark.parametrize("text, words", [
    ("[limits]\nsystem_air_metric = { max = 2.00 }", "the system_air_metric limit 2.00 is outside"),
    ("[limits]\nair_content = { min = 4.5, max = 75.0 }", "the air_content limit 75.0 is outside"),
    ("aggregate_correction_pct = 3", "the aggregate correction 3 % is over 1 %")])
def test_job_check_doubts_a_digit_too_many(tmp_path: Path, text: str, words: str) -> None:
    assert words in checked(tmp_path, text).out


