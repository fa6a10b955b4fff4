"""Job files: what is wrong is told with file, line, key and what is allowed. (The form is ours; no outside source.)"""
from __future__ import annotations

import datetime
import errno
import io
import json
import re
from decimal import Decimal
from pathlib import Path

import pytest

from assistant import job
from assistant.core.settings import Settings
from assistant.files import starter
from assistant.job import places
from assistant.job.places import line_of
from assistant.meters.register import Register
from assistant.record.header import header_of
from tests.command import READINGS, bowlside, script

D = Decimal


@pytest.fixture
def example(tmp_path: Path) -> Path:
    path = tmp_path / "job.toml"
    assert bowlside("job", "new", path).code == 0
    return path


def changed(path: Path, old: str, new: str) -> Path:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    return path


# --- where a key stands ------------------------------------------------------------------------------------------------

TEXT = """# limits = 1
job = "x = 1"
[limits]
air_content = { min = 1 }
[mixes."TH 40.A"]
class = "a"
[mixes."TH 40.A".batch_lb]
"fly ash" = 1
levels.air_content.target = 6
"""


@pytest.mark.parametrize(("key", "line"), [
    (("job",), 2), (("limits",), 3), (("limits", "air_content"), 4), (("limits", "air_content", "min"), 4), (("mixes",), None),
    (("mixes", "TH 40.A"), 5), (("mixes", "TH 40.A", "batch_lb", "fly ash"), 8), (("mixes", "TH 40.A", "batch_lb", "sand"), 7),
    (("x",), None)])
def test_the_line_of_a_key(key: tuple[str, ...], line: int | None) -> None:
    assert line_of(TEXT, *key) == line


def test_what_holds_the_key_best_is_told_even_where_less_follows() -> None:
    assert line_of("[a.b]\nx = 1\n[a]\ny = 1\n", "a", "b", "z") == 1


# --- the example -------------------------------------------------------------------------------------------------------

def test_the_example_is_right_invented_and_starts_a_test(example: Path) -> None:
    one = job.load(example)
    assert one.invented and "(invented)" in one.labels["job"]
    header = header_of({"test": "sequential", **job.read(example)}, "example")
    assert header.settings.limits["system_air_metric"] == (None, D("0.20")) and header.labels["meter"] == "M-3"
    mix = one.mix()
    assert mix.batch_mass == D(4880 + 1220 + 17350 + 11520 + 2440) and mix.cementitious_mass == D(6100)
    assert one.frequency["strength"] == job.Frequency(D(100), 1, D(50)) and one.levels["air_content"].action == D("1.5")
    assert one.aggregate_source() == "Alder pit"


def test_a_mix_has_limits_of_its_own_and_keeps_the_others(example: Path) -> None:
    limits = job.read(example, "TH-30B")["limits"]
    assert limits["air_content"] == [D("4.0"), D("7.0")] and limits["system_air_metric"] == [None, D("0.20")]
    assert job.read(example)["limits"]["air_content"] == [D("4.5"), D("7.5")]
    assert job.read(example, "TH-30B")["mix"] == "TH-30B"
    with pytest.raises(job.JobError, match=r'no mix "TH-9"; the mixes are TH-40A, TH-30B'):
        job.read(example, "TH-9")


def test_a_new_job_on_a_full_disk_leaves_no_empty_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full(io.FileIO):
        def write(self, *_: object) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")
    monkeypatch.setattr(starter, "open", lambda path, *_, **__: Full(path, "x"), raising=False)
    bowlside("job", "new", tmp_path / "job.toml").is_one_sentence(1, "No space left")
    assert list(tmp_path.iterdir()) == []


def test_a_new_job_never_overwrites(example: Path) -> None:
    before = changed(example, "TH-40A", "TH-77").read_text()
    bowlside("job", "new", example).is_one_sentence(2, "there already")
    assert example.read_text() == before
    bowlside("job", "new", example.parent / "none" / "j.toml").is_one_sentence(2, "no folder")


WRONG = {
    "unknown key": ("rounding =", "runding =", '"runding"', 'did you mean "rounding"', "allowed are"),
    "limit upside down": ("{ min = 4.5, max = 7.5 }", "{ min = 7.5, max = 4.5 }", "7.5 and 4.5", "the lowest comes first"),
    "no such result": ("leak_drop = {", "leek_drop = {", '"leek_drop"', 'did you mean "leak_drop"', "the results are"),
    "rounding": ('"half-even"', '"half-odd"', "rounding", "half-even or half-up"),
    "setting out of bounds": ("aggregate_correction_pct = 0.3", "aggregate_correction_pct = 30", "from 0 to 10"),
    "label as number": ('technician = "T-07"', "technician = 7", '"technician" is 7', "in quotes"),
    "number as text": ("warning = 1.0", 'warning = "1.0"', "warning", "without quotes"),
    "levels the wrong way round": ("warning = 1.0", "warning = 1.8", "warning is 1.8 and action 1.5"),
    "levels without target": ("target = 6.0\n", "", "give target too"),
    "switch as text": ("check_test = true", 'check_test = "yes"', "true or false"),
    "retest key": ("check_test =", "check_tests =", 'did you mean "check_test"'),
    "frequency of what": ("[frequency.slump]", "[frequency.slumps]", '"slumps"', 'did you mean "slump"'),
    "every 0 yards": ("every_yd3 = 100 ", "every_yd3 = 0 ", "every_yd3 is 0"),
    "half a sample": ("at_least_per_day = 1", "at_least_per_day = 1.5", "whole number"),
    "negative volume": ("waived_under_yd3 = 50", "waived_under_yd3 = -50", "must not be negative"),
    "cementitious of nothing": ('"fly ash"]', '"slag"]', "list of materials", "cement, fly ash"),
    "mass given twice": ("cementitious = [", "batch_mass_lb = 37410\ncementitious = [", "batch_mass_lb is given and so are"),
    "no volume": ("design_yield_yd3 = 10.0", "design_yield_yd3 = 0", "from 0.01 to 1000"),
    "units of the other system": ("rounding = ", 'units = "si"\nrounding = ', "give the amounts of this job in its own units"),
    "mass as text": ("cement = 4880", 'cement = "4880"', "cement", "without quotes"),
    "mix not described": ('mix = "TH-40A"', 'mix = "TH-50"', '"TH-50"', "TH-40A, TH-30B"),
    "mix with a wrong key": ('class = "AE, 1', 'klass = "AE, 1', '"klass"', 'did you mean "class"'),
    "mix with limits upside down": ("{ min = 4.0, max = 7.0 }", "{ min = 7.0, max = 4.0 }", "the lowest comes first"),
    "date as text": ("plant = \"Plant 1\"", "plant = 2031-05-17", '"plant"', "in quotes"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_told_with_its_line(name: str, example: Path) -> None:
    old, new, *parts = WRONG[name]
    changed(example, old, new)
    done = bowlside("job", "check", example, "--journal", example.parent).is_one_sentence(2, f"{example} line ", *parts)
    line = int(re.search(r"line (\d+)", done.err)[1])
    if name not in ("levels without target", "units of the other system"):  # there the table's own line is told
        assert new.split("\n")[0].split("=")[-1].strip() in example.read_text().splitlines()[line - 1], done.err


def test_a_frequency_and_a_table_that_say_nothing(example: Path) -> None:
    changed(example, "[frequency.slump]\nevery_yd3 = 10\n", "[frequency.slump]\n")
    bowlside("job", "check", example, "--journal", example.parent).is_one_sentence(2, "every_yd3, every_m3 or at_least_per_day", "line ")
    example.write_text("retest = 1\n")
    bowlside("job", "check", example, "--journal", example.parent).is_one_sentence(2, "line 1", "it must be a table")


def test_letters_that_are_not_in_utf_8_are_told_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    for data, line in (('mix = "A"\r\njob = "Brücke"\r\n'.encode("latin-1"), 2), ('job = "Brücke"\n'.encode("utf-16"), 1)):
        path.write_bytes(data)
        bowlside("job", "check", path).is_one_sentence(2, str(path), f"a letter in line {line} is not in UTF-8")


def test_the_job_files_of_old_stay_valid(tmp_path: Path) -> None:
    path = tmp_path / "old.toml"
    path.write_text('job = "Tern Hollow footbridge"\nmix = "TH-40A"\nmeter = "M-3"\nchamber_ratio = 0.0612\n'
                    "[limits]\nsystem_air_metric = { max = 0.20 }\n")
    assert job.read(path) == {"job": "Tern Hollow footbridge", "mix": "TH-40A", "meter": "M-3", "chamber_ratio": D("0.0612"),
                              "limits": {"system_air_metric": [None, D("0.20")]}}


def test_what_belongs_together_is_checked_together(tmp_path: Path) -> None:
    path = tmp_path / "j.toml"
    path.write_text("clamps = 6\nleak_low = 45.6\n")
    bowlside("job", "check", path, "--journal", tmp_path).is_one_sentence(2, "line 2", "leak_low is 45.6 and leak_high 45.5")


def test_a_meter_that_the_register_lacks(example: Path) -> None:
    folder = example.parent / "j"
    assert "not looked up" in bowlside("job", "check", example, "--journal", folder).out
    Register(folder).add("M-1", "added")
    done = bowlside("job", "check", example, "--journal", folder)
    done.is_one_sentence(2, 'meter "M-3" is not in the register; there are: M-1', "bowlside meter add M-3")
    line = int(re.search(r"line (\d+)", done.err)[1])
    assert example.read_text().splitlines()[line - 1].startswith("meter =")


def test_show_tells_what_comes_from_where(example: Path) -> None:
    text = bowlside("job", "show", example).out
    assert re.search(r"\* aggregate_correction_pct +0\.3 +the job's", text)
    assert re.search(r"  leak_hold_s +300 +common practice, no source", text)
    assert "THIS JOB IS INVENTED" in text and "37410 lb" in text
    found = json.loads(bowlside("job", "show", example, "--mix", "TH-30B", "--json").out)
    assert found["mix"]["name"] == "TH-30B" and found["settings"]["limits"]["air_content"] == ["4.0", "7.0"]
    assert set(found["settings"]) == set(Settings().to_mapping())
    assert job.read(example)["batch_mass_lb"] == D(37410) and job.read(example)["design_yield_yd3"] == D("10.0")
    assert "batch_mass_lb" not in job.read(example, "TH-30B")


# --- a sample is due ---------------------------------------------------------------------------------------------------

@pytest.mark.dates
def test_due_counts_what_the_record_holds(example: Path) -> None:
    journal = example.parent / "journal"
    def due(*more: object) -> dict:
        done = bowlside("job", "due", example, "--volume", "130", "--json", "--journal", journal, *more)
        found = json.loads(done.out)
        assert done.code == (1 if found["due"] else 0)
        return found
    assert due()["taken"] == 0 and due()["due"] and due()["needed"] == 2
    header = {"test": "sequential", "job": "Tern Hollow footbridge (invented)", "mix": "TH-40A", "chamber_ratio": 0.06}
    for more in ({}, {"mix": "TH-30B"}, {"practice": True}, {"job": "another"}):
        bowlside("rehearse", "-", "--answer-rest", "--journal", journal, stdin=script(header=header | more))
    assert due()["taken"] == 1 and due("--mix", "TH-30B")["taken"] == 1 and due("--taken", "2")["due"] is False
    yesterday = datetime.date.today() - datetime.timedelta(days=1)
    assert due("--day", yesterday)["taken"] == 0 and due("--day", "today")["taken"] == 1
    small = ("job", "due", example, "--volume", "49.9", "--journal", example.parent / "none")
    assert bowlside(*small).out.startswith("A sample is due: 49.9 cubic yards placed, 1 needed")
    assert bowlside(*small, "--of", "strength").out.startswith("49.9 cubic yards placed: under 50")


def test_due_counts_concrete_and_nothing_else(example: Path) -> None:
    """A hold of the empty meter is no sample; air is air by whichever meter; a thermometer alone needs no composite sample
    (C1064, second-hand)."""
    more = "".join(f"\n[frequency.{name}]\nat_least_per_day = 9\n" for name in ("air", "temperature"))
    example.write_text(example.read_text() + more)
    journal = example.parent / "journal"
    def taken(of: str) -> int:
        done = bowlside("job", "due", example, "--volume", "30", "--json", "--of", of, "--journal", journal)
        return json.loads(done.out)["taken"]
    its = {"job": "Tern Hollow footbridge (invented)", "mix": "TH-40A"}
    leak = {name: READINGS[name] for name in ("leak.charge", "leak.initial", "leak.final")}
    for given, counted in (({"test": "leak"}, {"sample": 0, "air": 0, "temperature": 0}),
                           ({"test": "temperature"}, {"sample": 0, "air": 0, "temperature": 1}),
                           ({"test": "sequential", "chamber_ratio": 0.06}, {"sample": 1, "air": 1, "temperature": 1}),
                           ({"test": "pressure-air"}, {"sample": 2, "air": 2, "temperature": 1})):
        readings = {"leak": leak, "temperature": {"temperature": "68"}, "pressure-air": {"air.reading": "6.2"}}
        done = bowlside("rehearse", "-", "--answer-rest", "--journal", journal,
                        stdin=script(readings.get(given["test"], READINGS), given | its))
        assert done.code == 0, done
        assert {of: taken(of) for of in counted} == counted, given


def test_a_frequency_in_cubic_meters(tmp_path: Path) -> None:
    path = tmp_path / "si.toml"
    path.write_text('units = "si"\n[frequency.sample]\nevery_m3 = 75\nwaived_under_m3 = 40\n')
    found = json.loads(bowlside("job", "due", path, "--volume", "80", "--taken", "1", "--json").out)
    assert found["due"] and found["placed_m3"] == 80 and found["next_over_m3"] == 150 and "cubic meters" in found["words"]
    assert json.loads(bowlside("job", "show", path, "--json").out)["frequency"]["sample"] == {
        "every_m3": 75, "at_least_per_day": 0, "waived_under_m3": 40}
    assert "every 75 m3 or part" in bowlside("job", "show", path).out
    path.write_text("[frequency.sample]\nevery_m3 = 75\nwaived_under_yd3 = 40\n")
    done = bowlside("job", "check", path)
    done.is_one_sentence(2)
    assert "cubic meters: give all of it in one" in done.err


@pytest.mark.parametrize("more", [["--volume", "-1"], ["--volume", "many"], ["--volume", "1", "--taken", "-1"],
                                  ["--volume", "1", "--day", "17.5."], ["--volume", "1", "--of", "air"],
                                  ["--volume", "1", "--mix", "x"]])
def test_due_of_what_can_not_be(more: list[str], example: Path) -> None:
    done = bowlside("job", "due", example, *more, "--journal", example.parent)
    done.is_one_sentence(2)
    assert "isoformat" not in done.err


@pytest.mark.parametrize("text, said", [
    ('units = "si"\n[limits]\nslump = { min = 3, max = 5 }', "the slump limit 5 is in mm, since the units are si"),
    ('[limits]\nslump = { max = 100 }', "the slump limit 100 is in in., since the units are inch-pound"),
    ('units = "si"\n[limits]\ntemperature = { max = 90 }', "the temperature limit 90 is in \u00b0C"),
    ('[limits]\ndensity = { min = 2240 }', "the density limit 2240 is in lb/ft3"),
    ('units = "si"\n[limits]\nslump = { min = 75, max = 125 }\ntemperature = { max = 32 }\ndensity = { min = 2240 }', ""),
    ('[limits]\nslump = { min = 3, max = 5 }\ntemperature = { min = 50, max = 90 }\ndensity = { min = 90 }', ""),
])
def test_a_limit_in_the_other_systems_unit_is_doubted(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(text)
    done = bowlside("job", "check", path, "--journal", tmp_path)
    assert done.code == 0 and (said in done.out if said else "But:" not in done.out), done.out


@pytest.mark.parametrize("limits, words", [
    ("system_air_metric = { max = 0.2 }", "limit 0.2 before they are compared: write 0.20"),
    ("air_content = { min = 4, max = 7.5 }", "write 4.0"),
    ("system_air_metric = { max = 0.20 }\nair_content = { min = 4.5 }\nslump = { min = 3, max = 5 }", "")])
def test_a_limit_with_a_place_too_few_is_doubted(tmp_path: Path, limits: str, words: str) -> None:
    """0.249 passes 0.2 and 3.6 passes 4, as Iowa DOT IM 202 (published) has it: who wrote them so may not know."""
    path = tmp_path / "job.toml"
    path.write_text(f"[limits]\n{limits}\n")
    done = bowlside("job", "check", path, "--journal", tmp_path)
    assert done.code == 0 and words in done.out and ("But: " in done.out) == bool(words)


@pytest.mark.parametrize("text, words", [
    ("chamber_ratio = 0.61", "chamber_ratio is 0.61, and 0.02 to 0.2 is usual"), ("chamber_ratio = 0.0612", ""),
    ("measure_volume_ft3 = 2.494", "measure_volume_ft3 is 2.494, and 0.1 to 1 is usual"), ("measure_volume_ft3 = 0.2494", ""),
    ("strength_psi = 400", "strength_psi is 400"), ("cylinder_count = 20", "cylinder_count is 20"),
    ("[mixes.A]\nstrength_psi = 40000", "")])
def test_an_absurd_value_is_doubted_or_refused(tmp_path: Path, text: str, words: str) -> None:
    """Where no method has a value of its own; a leak hold of 5 s is refused, since the method has 300 (test_method_values)."""
    path = tmp_path / "job.toml"
    path.write_text(text)
    done = bowlside("job", "check", path, "--journal", tmp_path)
    if text.endswith("40000"):
        done.is_one_sentence(2, "strength_psi is 40000", "line 2")
    else:
        assert done.code == 0 and words in done.out and ("is a digit wrong?" in done.out) == bool(words), done.out
    path.write_text("leak_hold_s = 5")
    bowlside("job", "check", path, "--journal", tmp_path).is_one_sentence(2, "leak_hold_s is 5", "an agency may set 120 to 1800")


def test_countless_mixes_are_not_checked_one_by_one(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text("".join(f"[mixes.M{number}]\n" for number in range(1001)))
    bowlside("job", "check", path).is_one_sentence(2, "1001 mixes", "at most 1000")


def test_the_lines_of_a_large_file_are_found_in_one_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "".join(f"[mixes.M{number}]\ntap_s = 8\n" for number in range(300))
    read = 0
    real = places._LINE

    class Counted:
        def match(self, line: str):
            nonlocal read
            read += 1
            return real.match(line)
    monkeypatch.setattr(places, "_LINE", Counted())
    assert [line_of(text, "mixes", f"M{number}", "tap_s") for number in range(300)] == list(range(2, 602, 2))
    assert read <= 600
