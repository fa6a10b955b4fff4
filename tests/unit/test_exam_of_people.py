"""The exam of people: nobody in it is trained on, its clips are the same each time, its tables count right. No recording is
needed: where one is, ten tones stand in for what people say."""
from __future__ import annotations

import argparse
import json
import random
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.core.spoken import UNITS, parse
from models.ear import Understood
from models.training.corpus import is_held
from models.wav import RATE
from tests.bench.hearing import a_stranger, exam, exam_tables, idle, no_as_yes, noises, scorer, strangers, voices
from tests.bench.hearing import people as recorded

ROOT = Path(__file__).resolve().parents[2]
SAID = [("word", word) for word in ("zero", "one", "five", "eight", "left")] + [
    ("talk", "up"), ("talk", "we are done here"), ("command", "yes"), ("command", "no"), ("talk", "stop")]


# --- who is in it ----------------------------------------------------------------------------------------------------------


def lists_that_ship() -> Iterator[tuple[Path, list[dict]]]:
    """Every list of speakers below models/: a JSON list of rows that name an engine and a speaker."""
    for path in sorted((ROOT / "models").rglob("*.json")):
        rows = json.loads(path.read_text("utf-8"))
        if isinstance(rows, list) and rows and isinstance(rows[0], dict) and {"engine", "speaker", "held"} <= set(rows[0]):
            yield path, rows


def taught(rows: list[dict]) -> list[recorded.Person]:
    """Those of the exam or of its tuning part whom such a list has as trained on: by number, or by name under any number."""
    numbers = {(row["engine"], row["number"]) for row in rows if not row["held"]}
    names = {(row["engine"], row["speaker"]) for row in rows if not row["held"]}
    return [one for one in recorded.people() if (one.engine, one.number) in numbers or (one.engine, one.speaker) in names]


def test_nobody_in_the_exam_was_trained_on():
    found = dict(lists_that_ship())
    assert ROOT / "models/own/corpus.json" in found
    for path, rows in found.items():
        assert taught(rows) == [], path.name


def test_a_list_that_teaches_an_examined_speaker_is_seen():
    one = recorded.people("exam")[0]
    row = {"engine": one.engine, "number": one.number, "speaker": one.speaker, "held": False}
    assert taught([row]) == [one]
    assert taught([row | {"number": 1}]) == [one]                           # the same person under another number
    assert taught([row | {"held": True}]) == taught([row | {"speaker": "somebody", "number": 1}]) == []


def test_only_held_speakers_are_in_it_and_nobody_both_tunes_and_examines():
    tune, examined = recorded.people("tune"), recorded.people("exam")
    everybody = recorded.people()
    assert all(is_held(one.number) for one in everybody) and everybody == sorted(everybody, key=lambda p: (p.engine, p.number))
    assert [one.role for one in everybody] == [("tune", "exam")[n % 2] for n in range(len(everybody))]
    assert not {(one.engine, one.speaker) for one in tune} & {(one.engine, one.speaker) for one in examined}
    assert len(examined) > 40 and {one.engine for one in examined} == {"gsc", "an4", "so762"}


def test_the_list_is_what_the_rule_gives():
    """Where the recordings are: every held speaker is in it, in order, and words of runs lie within what was said."""
    if not recorded.DEFAULT.is_dir():
        pytest.skip("the recordings of people are not here")
    rows = [json.loads(path.read_text("utf-8")) for path in recorded.DEFAULT.glob("*/*.json") if is_held(int(path.stem))]
    rows.sort(key=lambda one: (one["engine"], one["number"]))
    assert [(one["engine"], one["number"], one["speaker"]) for one in rows] == [
        (one.engine, one.number, one.speaker) for one in recorded.people()]
    for run in recorded.runs("all"):
        words = recorded.together(run)
        assert any(clip.start <= words.start and words.start + words.length <= clip.start + clip.length
                   and words.text in clip.text for _, clip in recorded.said(recorded.DEFAULT, words.person))


# --- its clips -------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Everybody says SAID: half a second of a tone each, another one for each word; number words are where people.json says."""
    place = tmp_path_factory.mktemp("people")
    t = np.arange(RATE // 2) / RATE
    sound = np.concatenate([0.3 * np.sin(2 * np.pi * (200 + 100 * n) * t) * np.hanning(len(t)) for n in range(len(SAID))])
    clips = [{"kind": kind, "text": text, "start": n * len(t), "length": len(t)} for n, (kind, text) in enumerate(SAID)]
    long = np.tile(sound, 8).astype(np.float32)                             # also as long as those of connected numbers
    for one in recorded.people():
        file = place / one.engine / f"{one.number:04d}.json"
        file.parent.mkdir(exist_ok=True)
        file.write_text(json.dumps({"engine": one.engine, "number": one.number, "speaker": one.speaker, "held": True,
                                    "clips": clips}))
    for one in recorded.people():
        soundfile.write(place / one.engine / f"{one.number:04d}.flac", long if one.engine == "an4" else sound, RATE)
    return place


@pytest.fixture(scope="module")
def clips(folder) -> list[strangers.Clip]:
    """Sixteen of each row of the exam."""
    return list(strangers.build(folder, count=16))


def test_the_same_seed_gives_the_same_clips_and_fewer_are_the_first_of_more(folder):
    rows = ("single digits", "readings joined from digits said alone")
    few, same, more, other = (list(strangers.build(folder, seed, "exam", rows, count)) for seed, count in
                              ((1, 4), (1, 4), (1, 8), (2, 4)))
    assert few == same and len({clip.ident for clip in more}) == len(more)
    assert {clip.ident: clip for clip in more}.items() >= {clip.ident: clip for clip in few}.items()
    assert [clip.speaker for clip in few] != [clip.speaker for clip in other]
    assert few[0].pcm == same[0].pcm


def test_every_row_has_clips_of_many_speakers_and_every_noise(clips):
    assert {clip.group for clip in clips} == set(strangers.ROWS)
    assert len({clip.speaker for clip in clips if clip.group == "single digits"}) == 16       # nobody twice before all once
    assert {clip.scene.noise for clip in clips} == {"", *noises.kinds("all")}
    answers = [clip for clip in clips if clip.group == "yes and no" and clip.condition == "10 dB"]
    assert len({clip.text for clip in answers}) == 2


def test_readings_mean_what_is_said_and_lie_where_they_are_expected(clips):
    readings = [clip for clip in clips if clip.group.startswith("readings")]
    assert len(readings) == 3 * 3 * 16
    for clip in readings:
        assert parse(clip.text).value == Decimal(clip.truth) and " point " in clip.text
        assert clip.expect.low <= Decimal(clip.truth) <= clip.expect.high, clip.ident


def test_where_nothing_of_ours_is_said_nothing_is_right(clips):
    for clip in clips:
        assert (clip.truth is None) == clip.group.startswith(("other words", "sentences")), clip.ident
        if clip.truth is None:
            assert clip.text in ("up", "stop", "left", "we are done here")      # no yes, no no, no digit


def test_a_tuning_run_uses_no_speaker_voice_or_noise_that_reports(folder, clips):
    reporting = {voice.name for voice in voices.voices().values() if voice.role != "tune"}
    tuning = list(strangers.build(folder, role="tune", count=16))
    assert {clip.role for clip in tuning} == {"tune"} and {clip.group for clip in tuning} == set(strangers.ROWS)
    assert {clip.scene.noise for clip in tuning} <= {"", *noises.kinds("tune")}
    stand_ins = {bit.voice for clip in tuning for bit in clip.bits if isinstance(bit, voices.Saying)}
    assert stand_ins and not stand_ins & reporting
    for clip in clips:
        assert {bit.voice for bit in clip.bits if isinstance(bit, voices.Saying)} <= {"recorded woman", "recorded man"}


def test_words_laid_end_to_end_are_all_there_with_short_gaps(folder):
    one = recorded.people("exam")[0]
    bits = tuple(clip for _, clip in recorded.said(folder, one)[:3])
    sound = recorded.joined(folder, bits, np.random.default_rng(1))
    assert 0.45 < np.abs(sound).max() <= 0.5 + 1e-6
    assert 0.6 < len(sound) / RATE < 1.5                    # three half seconds, their silence taken off
    quiet = np.flatnonzero(np.abs(sound) < 1e-4)
    assert len(quiet) < 0.2 * RATE
    tones = [np.abs(np.fft.rfft(part)).argmax() * RATE / len(part) for part in np.array_split(sound, 3)]
    assert tones == pytest.approx([200, 300, 400], rel=0.15)


def test_the_cuts_of_connected_numbers_are_one_after_the_other():
    """Frozen, so that every ear hears the same: in order, none empty, and each run within the speech of one breath."""
    runs = recorded.runs("all")
    assert len(runs) > 20 and {run[0].person.engine for run in runs} == {"an4"}
    for run in runs:
        for word, then in zip(run, run[1:], strict=False):
            assert word.start + word.length == then.start
        assert all(0.08 < word.length / RATE < 1.5 for word in run)
        assert recorded.together(run).length == sum(word.length for word in run)


def hisses(sound: np.ndarray) -> str:
    """ "h" for each 10 ms of an s or an f: more above 3 kHz than below 1 kHz, and no silence; else "." """
    frames = np.lib.stride_tricks.sliding_window_view(sound, 320)[::160] * np.hanning(320)
    power = np.abs(np.fft.rfft(frames)) ** 2
    low, high = power[:, 2:20].sum(1), power[:, 60:].sum(1)
    return "".join(np.where((high > low) & (low + high > 1e-4 * (low + high).max()), "h", "."))


def test_a_six_has_both_of_its_s():
    """By the sound alone: a hiss of 50 ms and more, a voice, another hiss."""
    if not recorded.DEFAULT.is_dir():
        pytest.skip("the recordings of people are not here")
    sixes = [word for run in recorded.runs("all") for word in run if word.text == "six"]
    assert len(sixes) >= 8
    for word in sixes:
        assert re.search("h{5}.*[.]{5}.*h{5}", hisses(recorded.sound_of(recorded.DEFAULT, word))), word


# --- what it counts ----------------------------------------------------------------------------------------------------------


def row(group: str = "g", condition: str = "clean", truth: str | None = "5", value: str | None = "5", clip: str = "1",
        ear: str = "one", **more: object) -> dict:
    return {"ear": ear, "way": "ours", "clip": clip, "group": group, "condition": condition, "speaker": "gsc 0009", "accent": "gsc",
            "noise": "", "form": "five", "text": "five", "truth": truth, "heard": "five", "value": value, "audio_s": 1.0,
            "cpu_s": 0.1} | more


def test_intervals_are_wilsons():
    """56 of 100, and none of 100: 46.2 to 65.3 and 0 to 3.7 (values of a table of the interval, from memory)."""
    assert scorer.interval(56, 100) == pytest.approx((46.2, 65.3), abs=0.1)
    assert scorer.interval(0, 100) == pytest.approx((0, 3.7), abs=0.05)
    assert scorer.interval(0, 0) == (0, 100)


def test_the_table_counts_known_cases():
    rows = [row(), row(value="4"), row(value=None), row(value=None), row("o", truth=None, value="yes"), row("o", truth=None,
                                                                                                          value=None)]
    text = "\n".join(exam_tables.tables(rows))
    assert "| g | 1 | 4 | 25 (5–70) / 25 (5–70) / 50 (15–85) |" in text
    assert "| o | 1 | 2 | 50 (9–91) / 50 (9–91) |" in text              # taken, left alone


def test_word_errors_are_of_what_was_heard():
    assert exam_tables.distance("two two nine".split(), "two nine nine three".split()) == 2
    assert exam_tables.distance([], ["one"]) == exam_tables.distance(["one"], []) == 1
    rows = [row(text="four oh", heard="four zero", truth="40"), row(text="four five", heard=None, truth="45", value=None)]
    assert "| g | 4 | 50 (15–85) |" in "\n".join(exam_tables.word_errors(rows))


def test_a_no_heard_as_yes_is_shown():
    rows = [row("yes and no", truth="no", value="yes", text="no"), row("yes and no", truth="yes", value="yes", text="yes")]
    assert "| no | 1 | 1 | 100 (21–100) | 0 (0–79) | 0 (0–79) |" in "\n".join(exam_tables.tables(rows))


def test_groups_of_speakers_are_compared():
    rows = [row(), row(accent="an4", value=None), row(accent="an4")]
    assert "| what counts | 50 (9–91) | 100 (21–100) | 50 |" in "\n".join(exam_tables.tables(rows))


def test_two_ears_are_compared_on_the_same_clips_only():
    rows = [row(clip="1"), row(clip="2", value=None), row(clip="3", value="4"), row(clip="4"),
            row(clip="1", ear="two"), row(clip="2", ear="two"), row(clip="3", ear="two", value=None)]
    text = "\n".join(exam_tables.compared(rows, "one", "two"))
    assert "the same 3 clips" in text
    assert text.endswith("| 0 | 1 | 1.000 | 0 | 1 |")
    assert exam_tables.by_chance(0, 10) == pytest.approx(2 / 1024)


# --- running it --------------------------------------------------------------------------------------------------------------


def arguments(folder: Path, **more: object) -> argparse.Namespace:
    return argparse.Namespace(**{"people": folder, "role": "exam", "rows": "", "count": 2, "hours": 0.1, "synthetic": 0,
                                 "ways": "ours", "seed": 1, "save": None, "ear": "today"} | more)


def test_a_run_does_only_its_rows_and_goes_on_after_a_cut(folder, monkeypatch):
    monkeypatch.setattr(strangers, "ROWS", {name: strangers.ROWS[name] for name in (
        "single digits", "single digits cut out of connected speech", "yes and no")})
    every = list(exam.jobs(arguments(folder), set()))
    assert [one for one in every if one[0] == "hour"] == [("hour", 0, "ours"), ("hour", 1, "ours")]
    some = list(exam.jobs(arguments(folder, rows="single digits"), set()))
    assert len(some) == 12 and not [one for one in some if one[0] == "hour"]
    first = exam.clips(arguments(folder, rows="single digits"))[0]
    assert len(list(exam.jobs(arguments(folder, rows="single digits"), {("ours", first.ident)}))) == 11


def test_a_clip_is_heard_and_kept_with_its_cost(folder, monkeypatch):
    clip = exam.clips(arguments(folder, rows="single digits"))[0]
    monkeypatch.setitem(exam._ways, "ours", lambda clip: Understood(clip.text, clip.truth, True, None))
    kept = json.loads(json.dumps(exam.heard(clip, "ours")))
    assert kept["value"] == kept["truth"] == clip.truth and kept["speaker"] == clip.speaker and kept["cpu_s"] >= 0
    assert 1.0 < kept["audio_s"] < 2.0


def test_strangers_talk_in_the_hours_of_noise(folder, monkeypatch):
    monkeypatch.setattr(idle, "PIECE_S", 8)
    monkeypatch.setattr(idle.noises, "kinds", lambda role: ("hiss",))
    talk = exam.talk_of(folder, "exam")
    assert 0.4 < len(talk(random.Random(1))) / RATE < 1.6
    spoken = idle.sound("talk", "a test", "tune", talk)
    assert len(spoken) == idle.PIECE_S * RATE
    assert not np.array_equal(spoken, idle.sound("noise", "a test", "tune"))


def test_a_whole_test_is_said_with_the_strangers_own_words_where_there_are_any(folder):
    of = a_stranger.words_of(folder, "an4 0039")
    assert {bit.person.name for word in UNITS[:10] for bit in of[word]} == {"an4 0039"}
    assert {bit.person.name for bit in of["thirty"]} == {"an4 0019"}            # another who only reports
    with pytest.raises(SystemExit, match="an4 0019 never said four, nine, three"):
        a_stranger.words_of(folder, "an4 0019")


def test_a_whole_tests_report_tells_what_was_wrong():
    one = {"snr": 20.0, "code": 0, "prompts": 70, "sayings": 77, "readings": 16, "reading sayings": 20, "offered": 18,
           "offered wrong": 2, "taken": 15, "taken wrong": 1}
    assert "| 20 dB | 2 | 1 | 140 | 154 | 1.100 | 1.250 | 4 of 36: 11 (4–25) | 2 of 30 |" in "\n".join(
        a_stranger.report([one, one | {"code": 1}]))


def test_each_no_is_heard_in_each_noise_and_a_yes_out_of_it_is_shown(folder):
    of = [one for one, _, _ in no_as_yes.clips(folder, 2, 1) if one["text"] == "no" and one["kind"] == "held speaker"]
    assert len({one["clip"] for one in of}) == len(of) == len(recorded.people()) * (2 * 2 * len(noises.kinds("all")) + 1)
    told = "\n".join(no_as_yes.report([{"text": "no", "kind": "held speaker", "speaker": "a", "value": value} for value in
                                       ("yes", "no", "no", None)]))
    assert "| no | held speaker | 1 | 4 | 1: 25 (5–70) | 2: 50 (15–85) | 1: 25 (5–70) |" in told


def test_the_recorded_womans_next_is_one_word():
    try:
        assert 0.2 < len(voices.clean(voices.Saying("recorded woman", "next"))) / RATE < 0.6
    except voices.Missing as missing:
        pytest.skip(str(missing))


def test_without_recordings_it_says_what_to_do(tmp_path, capsys):
    with pytest.raises(SystemExit):
        exam.main(["--people", str(tmp_path / "none")])
    assert "there are no recordings of people here; give their folder with --people" in capsys.readouterr().err
