"""The command line against its contract (design.md, section 6: the project's own): exit codes, output, one sentence for
every mistake. Scripts and an office depend on it."""
from __future__ import annotations

import json
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from assistant import cli
from assistant.job.commands import EXAMPLE
from tests.command import DECIDING, HEADER, READINGS, bowlside, process, script

CONTRACT_IDS = ["leak.charge", "leak.initial", "leak.final",
                *(f"{what}.{run}.{step}" for run in (1, 2) for step in (1, 2, 3) for what in ("charge", "equilibrium"))]

FIELDS = {"said": {"id", "text"}, "listening": {"id"}, "heard": {"text", "source"}, "cue": {"name"},
          "hold": {"id", "event"}, "proposed": {"id", "value", "unit", "source"},
          "taken": {"id", "value", "unit", "source"}, "refused": {"id", "value", "why"}, "taken_back": {"id"},
          "result": {"name", "value", "unit", "rounded", "standing"}, "verdict": {"verdict", "why"},
          "waiting": {"id"}, "note": {"id", "text"}}


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    path = tmp_path / "whole.jsonl"
    path.write_text(script())
    return path


# --- rehearse --------------------------------------------------------------------------------------------------------

def test_a_whole_test_from_a_file(whole: Path) -> None:
    done = bowlside("rehearse", whole, "--answer-rest", "--json")
    assert (done.code, done.err) == (0, "")
    at = -1
    for line in done.lines():
        assert line["kind"] in FIELDS and FIELDS[line["kind"]] <= set(line), line
        assert line["at"] >= at
        at = line["at"]
    assert {line["name"]: line["rounded"] for line in done.lines("result")} == {
        "leak_drop": Decimal("0.05"), "air_content": Decimal("5.7"), "system_air_metric": Decimal("0.20")}
    assert [line["verdict"] for line in done.lines("verdict")][-1] == "pass"
    assert {line["name"] for line in done.lines("cue")} <= {
        "settled", "in_band", "tap_first", "tap", "tap_end", "mark", "count", "refused"}
    assert {line["event"] for line in done.lines("hold")} <= {"start", "mark", "end", "broken"}


def test_taken_values_are_exact_to_the_digit(whole: Path) -> None:
    done = bowlside("rehearse", whole, "--answer-rest", "--json")
    assert {line["id"]: str(line["value"]) for line in done.lines("taken")} == READINGS
    assert all(line["unit"] == "psi" and line["source"] == "keypad" for line in done.lines("taken"))
    metric = next(line for line in done.lines("result") if line["name"] == "system_air_metric")
    assert str(metric["value"]) == "0.20"


def test_the_same_from_standard_input_and_as_a_process(whole: Path) -> None:
    text = whole.read_bytes()
    inside = bowlside("rehearse", "-", "--answer-rest", "--json", stdin=text)
    outside = process("rehearse", "-", "--answer-rest", "--json", stdin=text)
    assert inside == outside == bowlside("rehearse", whole, "--answer-rest", "--json")


def test_lines_for_people(whole: Path) -> None:
    done = bowlside("rehearse", whole, "--answer-rest")
    assert done.code == 0
    assert "TAKEN      equilibrium.2.3  32.01 psi  (keypad)" in done.out
    assert "RESULT     air_content  5.7 %" in done.out and "VERDICT    pass" in done.out


def test_the_order_of_the_deciding_two_is_entry_confirm_again_confirm(whole: Path) -> None:
    asked = [line["id"] for line in bowlside("rehearse", whole, "--answer-rest", "--json").lines("listening")]
    for ident in DECIDING:
        start = asked.index(ident)
        assert asked[start:start + 4] == [ident, f"{ident}.confirm", f"{ident}.again", f"{ident}.again.confirm"]


def test_a_script_that_runs_out_waits_and_the_same_journal_goes_on(tmp_path: Path) -> None:
    """Cut after each reading in turn: the next run goes on there and comes to the same result."""
    for cut in range(0, len(READINGS), 2):
        folder = tmp_path / str(cut)
        first = script(dict(list(READINGS.items())[:cut]))
        done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", folder, stdin=first)
        waiting = list(READINGS)[cut]
        assert done.code == 1 and done.err == ""
        assert {key: done.lines()[-1][key] for key in ("kind", "id")} == {"kind": "waiting", "id": waiting}
        assert [line["id"] for line in done.lines("taken")] == list(READINGS)[:cut]
        rest = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", folder, stdin=script())
        assert rest.code == 0
        assert {line["name"]: line["rounded"] for line in rest.lines("result")}["air_content"] == Decimal("5.7")
        assert [line["id"] for line in rest.lines("taken")] == list(READINGS)[cut:]
        assert "Going on" in rest.lines("said")[0]["text"]
        assert len(bowlside("log", "list", "--json", "--journal", folder).lines()) == 1


def test_answer_rest_never_gives_a_reading_nor_the_second_entry(whole: Path) -> None:
    lines = [line for line in script().splitlines() if ".again" not in line]
    done = bowlside("rehearse", "-", "--answer-rest", "--json", stdin="\n".join(lines))
    assert done.code == 1 and done.lines()[-1]["id"] == "equilibrium.1.3.again"
    empty = bowlside("rehearse", "-", "--answer-rest", "--json", stdin=json.dumps(HEADER))
    assert empty.code == 1 and empty.lines()[-1]["id"] == "leak.charge" and not empty.lines("taken")


def test_without_answer_rest_nothing_is_answered() -> None:
    done = bowlside("rehearse", "-", "--json", stdin=script())
    assert done.code == 1 and done.lines()[-1]["id"] == "zero"


@pytest.mark.parametrize(("limits", "verdict", "code"), [
    ({"air_content": [6.0, 7.5]}, "fail", 1), ({"system_air_metric": [None, 0.19]}, "fail", 1),
    ({"system_air_metric": [None, 0.20]}, "pass", 0), ({}, "none", 0)])
def test_a_verdict_decides_the_exit_code(limits: dict, verdict: str, code: int) -> None:
    done = bowlside("rehearse", "-", "--answer-rest", "--json", stdin=script(header={**HEADER, "limits": limits}))
    assert (done.code, done.lines("verdict")[-1]["verdict"]) == (code, verdict)


def test_a_scrapped_test_is_no_pass(tmp_path: Path) -> None:
    given = script({}, rest=[{"on": "leak.charge", "say": "scrap the test"}, {"on": "scrap.confirm", "say": "yes"}])
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=given)
    assert done.code == 1 and done.lines("verdict")[-1]["verdict"] == "invalid" and not done.lines("waiting")
    again = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=script())
    assert again.code == 0 and [one["id"] for one in bowlside("log", "list", "--json", "--journal", tmp_path).lines()] == [1, 2]


def test_entries_that_differ_are_not_taken() -> None:
    lines = script().replace('{"on": "equilibrium.1.3.again", "key": "3 1 * 8 1 #"}',
                             '{"on": "equilibrium.1.3.again", "key": "3 1 * 1 8 #"}')
    done = bowlside("rehearse", "-", "--answer-rest", "--json", stdin=lines)
    assert done.code == 1 and done.lines()[-1]["id"] == "equilibrium.1.3"
    assert "31.81 and 31.18" in done.lines("refused")[-1]["why"]


# --- what was wrong, in one sentence; and nothing was run --------------------------------------------------------------

def head(**more: object) -> str:
    return json.dumps({**HEADER, **more}) + "\n"


@pytest.mark.parametrize("what, why", [("none.jsonl", "there is no such file"), (".", "it is a folder"),
                                       ("latin", "a letter in line 2 is not in UTF-8")])
def test_a_script_or_job_that_cannot_be_read_is_told_in_plain_words(what: str, why: str, tmp_path: Path) -> None:
    (tmp_path / "latin").write_bytes(b"\n\xe4\n")
    for command in (("rehearse", tmp_path / what), ("job", "check", tmp_path / what)):
        done = bowlside(*command)
        done.is_one_sentence(2, f"{tmp_path / what} can't be read: {why}")
        assert "Errno" not in done.err


BAD_SCRIPTS = {
    "no JSON": (head() + "not json", "line 2", "no JSON"),
    "a list": (head() + "[1]", "line 2", "object"),
    "a number": ("7", "line 1", "object"),
    "unknown key": (head() + '{"on": "zero", "says": "next"}', "line 2", '"says"', "on, after, then, say, key, hear, gauge, event"),
    "unknown prompt": (head() + '{"on": "equilibrum.2.3", "say": "x"}', "line 2", "'equilibrum.2.3'",
                       'did you mean "equilibrium.2.3"'),
    "no prompt": (head() + '{"say": "next"}', "line 2", '"on" is missing'),
    "prompt of another type": (head() + '{"on": ["zero"], "say": "next"}', "line 2"),
    "two answers": (head() + '{"on": "zero", "say": "next", "key": "#"}', "line 2", "exactly one"),
    "no answer": (head() + '{"on": "zero"}', "line 2", "exactly one"),
    "unknown key of the keypad": (head() + '{"on": "zero", "key": "7 E"}', "line 2", "'E'", "A-held"),
    "keys without spaces": (head() + '{"on": "zero", "key": "725"}', "line 2", "'725'", "space"),
    "missing WAV": (head() + '{"on": "zero", "hear": "nowhere.wav"}', "line 2", "nowhere.wav"),
    "a WAV with an endless name": (head() + json.dumps({"on": "zero", "hear": "n" * 900}), "line 2"),
    "negative after": (head() + '{"on": "zero", "after": -1, "say": "next"}', "line 2", '"after"', "not -1."),
    "endless after": (head() + '{"on": "zero", "after": 1e999, "say": "next"}', "line 2"),
    "text as after": (head() + '{"on": "zero", "after": "1", "say": "next"}', "line 2", '"after"'),
    "text as gauge": (head() + '{"on": "leak.charge", "gauge": "45"}', "line 2", '"gauge" is "45"', "without quotes"),
    "endless gauge": (head() + '{"on": "leak.charge", "gauge": 1e999999999}', "line 2", '"gauge"'),
    "tiny gauge": (head() + '{"on": "leak.charge", "gauge": 1e-999999999}', "line 2", '"gauge"'),
    "NaN as gauge": (head() + '{"on": "leak.charge", "gauge": NaN}', "line 2", "NaN"),
    "number as say": (head() + '{"on": "zero", "say": 7}', "line 2", '"say"'),
    "empty say": (head() + '{"on": "zero", "say": " "}', "line 2", '"say"'),
    "half a character": (head() + '{"on": "zero", "say": "\\ud800"}', "line 2", '"say"'),
    "a key twice": (head() + '{"on": "zero", "say": "a", "say": "b"}', "line 2", "twice"),
    "nested without end": (head() + "[" * 100_000, "line 2"),
    "empty": ("", "empty"),
    "only blank lines": ("\n \n", "empty"),
    "no test": ('{"chamber_ratio": 0.06}', "line 1", '"sequential"'),
    "unknown test": ('{"test": "sequentail"}', "line 1", "sequentail", "sequential"),
    "a path as test": ('{"test": "../procedures/sequential"}', "line 1", "no test"),
    "unknown setting": (head(chamber=0.06), "line 1", "'chamber'", "chamber_ratio"),
    "setting out of bounds": (head(chamber_ratio=6), "line 1", "chamber_ratio is 6", "from 0.001 to 1"),
    "setting of another type": (head(tap_s=[1]), "line 1", "tap_s"),
    "limits upside down": (head(limits={"air_content": [7, 4]}), "line 1", "the lowest comes first"),
    "unknown limit": (head(limits={"air": [4, 7]}), "line 1", '"air"', "air_content"),
    "unknown rounding": (head(rounding="up"), "line 1", "half-even or half-up"),
    "number as label": (head(job=7), "line 1", '"job"'),
    "half a character in a label": (head(job="\ud800"), "line 1", '"job"'),
}


@pytest.mark.parametrize("name", BAD_SCRIPTS)
def test_a_bad_script(name: str, tmp_path: Path) -> None:
    text, *parts = BAD_SCRIPTS[name]
    folder, path = tmp_path / "journal", tmp_path / "bad.jsonl"
    path.write_text(text)
    bowlside("rehearse", path, "--json", "--journal", folder).is_one_sentence(2, str(path), *parts)
    bowlside("rehearse", "-", "--json", "--journal", folder, stdin=text).is_one_sentence(2, "standard input", *parts)
    assert not folder.exists(), "something was run"


def test_a_script_in_another_folder_is_named_as_it_was_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "here").mkdir()
    (tmp_path / "bad.jsonl").write_text('{"test": "nonesuch"}')
    monkeypatch.chdir(tmp_path / "here")
    bowlside("rehearse", "../bad.jsonl").is_one_sentence(2, "../bad.jsonl line 1")


@pytest.mark.parametrize("garbage", [b"\x00\xff\xfe\x80garbage", b"\x80", bytes(range(256)), b"\x00" * 5000,
                                     script().encode("utf-16")], ids=["bytes", "one", "all", "zeros", "utf-16"])
def test_binary_garbage(garbage: bytes, tmp_path: Path) -> None:
    path = tmp_path / "garbage"
    path.write_bytes(garbage)
    bowlside("rehearse", path).is_one_sentence(2)
    bowlside("rehearse", "-", stdin=garbage).is_one_sentence(2)
    for locale in ("C", "C.UTF-8"):
        process("rehearse", "-", stdin=garbage, env={"LC_ALL": locale}).is_one_sentence(2)


def test_a_mark_at_the_start_of_a_text_file_is_forgiven() -> None:
    """Some editors begin every UTF-8 file with a byte order mark."""
    text = b"\xef\xbb\xbf" + script().encode()
    assert bowlside("rehearse", "-", "--answer-rest", "--json", stdin=text).code == 0


def test_a_missing_script_and_a_folder_as_script(tmp_path: Path) -> None:
    bowlside("rehearse", tmp_path / "none.jsonl").is_one_sentence(2, "none.jsonl")
    bowlside("rehearse", tmp_path).is_one_sentence(2, str(tmp_path))


def test_a_file_that_is_no_wav_is_told_and_nothing_taken(tmp_path: Path) -> None:
    (tmp_path / "noise.wav").write_text("this is no sound")
    path = tmp_path / "script.jsonl"
    path.write_text(head() + '{"on": "leak.charge", "hear": "noise.wav"}\n')
    done = bowlside("rehearse", path, "--answer-rest", "--json")
    assert done.code == 1 and "noise.wav" in done.lines("refused")[0]["why"] and not done.lines("taken")


@pytest.mark.parametrize("args", [
    ["nonsense"], ["rehearse"], ["rehearse", "-", "--loud"], ["log", "nonsense"], ["log", "show"], ["log", "show", "one"],
    ["hear", "--expect", "tune", "x.wav"], ["practise", "--seed", "many"], ["prompts", "a", "b"]])
def test_wrong_use(args: list[str]) -> None:
    bowlside(*args).is_one_sentence(2, "--help")


@pytest.mark.parametrize("command", ["prompts", "job check", "log show 1", "meter list"])
def test_what_a_command_does_not_know_is_told_by_that_command(command: str) -> None:
    name = command.removesuffix(" 1")
    bowlside(*command.split(), *(["x.toml"] if name == "job check" else []), "--foo").is_one_sentence(
        2, f"bowlside {name}: unrecognized arguments: --foo", f"See bowlside {name} --help")


def test_an_unknown_test_everywhere(tmp_path: Path) -> None:
    for args in (["prompts", "slmup"], ["run", "slmup", "--journal", tmp_path / "j"],
                 ["practise", "slmup", "--journal", tmp_path / "j"]):
        bowlside(*args).is_one_sentence(2, "slmup", "sequential")
    assert not (tmp_path / "j").exists()
    assert bowlside("work", "slmup", stdin="{}").code == 2


BAD_JOBS = {
    "wrong key": ('chamber = 0.06', '"chamber"', "chamber_ratio", "line 1"),
    "no TOML": ('chamber_ratio = \n', "TOML", "line 1"),
    "nested without end": ("a = " + "[" * 100_000, ""),
    "limits no table": ('limits = 4', '"limits"'),
    "wrong limit": ('limits = { air = { min = 4 } }', '"air"', "air_content"),
    "limit as list": ('limits = { air_content = [4, 7] }', "min = "),
    "limit with wrong key": ('limits = { air_content = { least = 4 } }', "min = "),
    "limit upside down": ('limits = { air_content = { min = 7, max = 4 } }', "the lowest comes first"),
    "limit as text": ('limits = { air_content = { min = "four" } }', "a limit of air_content"),
    "limit not a number": ('limits = { air_content = { min = nan } }', "a limit of air_content"),
    "setting out of bounds": ("chamber_ratio = 6.0", "chamber_ratio is 6.0"),
    "date": ("chamber_ratio = 2026-01-01", "chamber_ratio"),
    "number as label": ("job = 7", '"job"'),
}


@pytest.mark.parametrize("name", BAD_JOBS)
def test_a_bad_job_file(name: str, tmp_path: Path) -> None:
    text, *parts = BAD_JOBS[name]
    path = tmp_path / "job.toml"
    path.write_text(text)
    bowlside("run", "--job", path, "--journal", tmp_path / "j").is_one_sentence(2, str(path), *parts)
    assert not (tmp_path / "j").exists(), "something was run"


def test_a_missing_or_binary_job_file(tmp_path: Path) -> None:
    bowlside("run", "--job", tmp_path / "none.toml").is_one_sentence(2, "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\x00")
    bowlside("run", "--job", tmp_path / "binary.toml").is_one_sentence(2, "binary.toml")


def test_live_commands_without_a_terminal_say_so(tmp_path: Path) -> None:
    for command in ("run", "practise"):
        process(command, "--journal", tmp_path / command).is_one_sentence(2, "terminal")
        assert not bowlside("log", "list", "--journal", tmp_path / command, "--json").out


@pytest.mark.parametrize("args", [["--air", "-1"], ["--air", "nan"], ["--metric", "99"], ["--leak", "-5"]])
def test_a_meter_that_can_not_be(args: list[str], tmp_path: Path) -> None:
    bowlside("practise", *args, "--journal", tmp_path / "j").is_one_sentence(2, "practise")


def test_without_a_command_and_terminal_the_demo_is_rehearsed() -> None:
    done = process()
    assert done.code == 0 and done.err == ""
    assert "invented" in done.out and "RESULT     air_content" in done.out and "VERDICT    pass" in done.out


def test_a_reader_that_goes_away_is_no_accident(whole: Path) -> None:
    import subprocess
    import sys

    from tests.command import ROOT
    done = subprocess.run(f"{sys.executable} -m assistant rehearse {whole} --answer-rest --json | head -1", shell=True,
                          cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert "Traceback" not in done.stderr and "Exception" not in done.stderr and len(done.stdout.splitlines()) == 1


# --- prompts ---------------------------------------------------------------------------------------------------------

def test_prompts_have_every_id_of_the_contract() -> None:
    done = bowlside("prompts", "--json")
    lines = done.lines()
    assert done.code == 0 and all(set(line) == {"id", "test", "kind", "words"} for line in lines)
    ids = [line["id"] for line in lines]
    assert len(ids) == len(set(ids))
    for ident in CONTRACT_IDS:
        assert ident in ids and f"{ident}.confirm" in ids
    for ident in DECIDING:
        assert f"{ident}.again" in ids and f"{ident}.again.confirm" in ids
    assert bowlside("prompts", "sequential", "--json") == done
    assert len(bowlside("prompts").out.splitlines()) == len(ids)


def test_prompt_ids_are_stable() -> None:
    """Scripts hang on these: whoever renames or drops one breaks them. A new one is added here knowingly."""
    assert [line["id"] for line in bowlside("prompts", "--json").lines()] == [*_ids()]


def _ids():
    def ask(ident: str, band: bool = True):
        yield from (ident, f"{ident}.confirm")
        if ident in DECIDING:
            yield from (f"{ident}.again", f"{ident}.again.confirm")
        if band:
            yield f"{ident}.override"
    yield from ("zero", "leak.ask", *ask("leak.charge"), "leak.settle", *ask("leak.initial"), "leak.hold",
                *ask("leak.final", band=False), "leak.cure", "leak.again", "leak.stop", "leak.rose", "leak.down",
                "scope", "scope.stop", "fill.1", "fill.2", "fill.3", "strike_off", "full", "full.stop", "clean", "close",
                *ask("water.1", band=False), "flood.1.1", "flood.1.2", "flood.1.3", "clamps", "clamps.fix")
    for run in (1, 2):
        for step in (1, 2, 3):
            place = f"{run}.{step}"
            yield from (f"pump.{place}", f"settle.{place}", *ask(f"charge.{place}"), f"tap.{place}", f"rest.{place}",
                        *ask(f"equilibrium.{place}", band=False), *(["run_2.far"] if place == "2.1" else []))
        if run == 1:
            yield from ("letdown.1", "bleed.2", *ask("water.2", band=False), "flood.2.1", "flood.2.2", "flood.2.3")
    yield from ("metric.keep", "release.2", "finish.letdown", "finish.bleed", "finish.empty", "finish.unclamp", "finish.wash",
                "scrap.confirm", "scrap.why", "change.confirm")


# --- rehearse --wav ----------------------------------------------------------------------------------------------------

def test_a_sound_file_that_can_not_be_written(tmp_path: Path) -> None:
    done = bowlside("rehearse", "-", "--wav", tmp_path / "none" / "x.wav", stdin=script({}))
    assert done.code in (1, 2) and "Traceback" not in done.err and "x.wav" in done.err
    bowlside("rehearse", "-", "--wav", tmp_path, stdin=script({})).is_one_sentence(2, str(tmp_path), "name a file in it")


def test_a_sound_file_that_can_not_be_opened_leaves_one_sentence(tmp_path: Path) -> None:
    if not Path("/proc/self").exists():
        pytest.skip("no /proc here: Linux has it")
    done = process("rehearse", "-", "--wav", "/proc/x.wav", stdin=b'{"test": "slump"}')
    assert done.code == 1 and "/proc/x.wav" in done.err and "Traceback" not in done.err, done.err


@pytest.mark.parametrize("short", [False, True])
def test_a_full_disk_behind_standard_output(short: bool, whole: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here: Linux has it")
    import subprocess
    import sys

    from tests.command import ROOT
    command = ["job", "show", str(EXAMPLE)] if short else ["rehearse", str(whole), "--answer-rest"]
    with open("/dev/full", "wb") as full:
        done = subprocess.run([sys.executable, "-m", "assistant", *command], cwd=ROOT,
                              stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert done.returncode == 1 and "No space left" in done.stderr
    assert "Traceback" not in done.stderr and "Exception" not in done.stderr


def test_a_package_that_is_missing_is_one_sentence(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """As after an upgrade by hand, without set-up."""
    monkeypatch.setitem(sys.modules, "segno", None)
    monkeypatch.delitem(sys.modules, "assistant.board.address", raising=False)
    monkeypatch.delattr("assistant.board.address", raising=False)  # another test may have loaded it into its package
    assert cli.main(["board", "--code"]) == 1
    told = capsys.readouterr().err
    assert "package segno is missing" in told and "python3 assistant" in told and "Traceback" not in told
