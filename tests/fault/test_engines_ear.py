"""The recogniser's process may hang, die, flood or talk nonsense: it is cut off in time and started again, what it did not
understand is asked again, and meanwhile keys are answered."""
from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.events import DeviceBack, Heard, Unclear
from assistant.core.expect import Expect
from assistant.station import ears
from assistant.station.ear_process import EarFailed, EarMissing, EarProcess, _expected, _request
from hardware.synth import Synth
from hardware.worker import ROOT
from models import locate
from models.wav import RATE, to_pcm
from tests.fault import stub_worker
from tests.unit.test_ears import BLOCK, FakeLive, FakeMicrophone, room, until, word

SLACK_S, MUCH_S = 0.4, 8.0
"""MUCH_S: for a Python to start on a busy machine; whatever hangs here hangs for ten minutes."""
READING = Expect("reading", Decimal("5"), Decimal("9"), 2, (Decimal("6.50"), Decimal("8")))
SOUND = bytes(RATE // 5 * 2)

@pytest.fixture
def make(tmp_path: Path):
    made: list[EarProcess] = []

    def one(answers: tuple[str, ...] = (), starts: tuple[str, ...] = (), start_s: float = MUCH_S) -> EarProcess:
        (tmp_path / "plan").write_text(json.dumps({"answers": answers, "starts": starts}))
        made.append(EarProcess(command=(sys.executable, "-S", stub_worker.__file__, str(tmp_path / "plan")), slack_s=SLACK_S,
                               start_s=start_s))
        return made[-1]
    yield one
    for ear in made:
        ear.worker.cut()


def gone(pid: int | None) -> bool:
    return not Path(f"/proc/{pid}").exists()


@pytest.mark.parametrize("answer, words", [("hang", "longer than"), ("die", "ended by itself"), ("garbage", "nonsense"),
                                           ("no json", "nonsense"), ("other json", "nonsense"), ("no", "has a cold")])
def test_a_bad_answer_is_one_sentence_and_the_next_is_understood(make, answer: str, words: str) -> None:
    ear = make(("good", answer))
    assert ear.understand(SOUND, RATE, READING).value == "7.25"
    with pytest.raises(EarFailed) as problem:
        ear.understand(SOUND, RATE, READING)
    assert words in str(problem.value) and str(problem.value).endswith(".") and "\n" not in str(problem.value)
    assert ear.understand(SOUND, RATE, READING).value == "7.25"


def test_a_program_that_is_not_there_is_a_sentence() -> None:
    with pytest.raises(EarFailed, match=r"does not start \(No such file or directory\)"):
        EarProcess(command=("/no/such/program",)).start()


def test_a_greeting_in_another_encoding_ends_nothing(make) -> None:
    ear = make(starts=("latin",))
    ear.start()
    assert ear.understand(SOUND, RATE, READING).value == "7.25" and ear.sentence.startswith("Hearing with a st")


def test_a_model_that_is_not_there_is_another_kind_of_no(make) -> None:
    with pytest.raises(EarMissing, match="no model here"):
        make(starts=("refuses",)).start()


def test_what_is_expected_arrives_digit_for_digit() -> None:
    for expect in (READING, Expect("command"), Expect("reading", None, Decimal("7.250"), 0, None, "psi"), Expect("off")):
        assert repr(_expected(json.loads(_request(RATE, expect))["expect"])) == repr(expect)


# --- with what listens ------------------------------------------------------------------------------------------------------


class Post:
    """Ears on a stand-in of the microphone, fed by hand."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, ear: EarProcess) -> None:
        monkeypatch.setattr(ears, "Microphone", FakeMicrophone)
        self.live, self.lost = FakeLive(), []
        self.live.lost = lambda device, words: self.lost.append((device, words))  # type: ignore[method-assign]
        self.ears = ears.Ears(self.live, lambda: False, ear=ear)  # type: ignore[arg-type]
        until(lambda: self.ears._microphone is not None, MUCH_S)

    def say(self) -> Post:
        for sound in (room(2), word(0.5), room(2)):
            pcm = to_pcm(sound)
            for at in range(0, len(pcm), BLOCK):
                self.ears._microphone.on_block(pcm[at:at + BLOCK])  # type: ignore[union-attr]
        return self

    def told(self, kind: type, count: int = 1) -> list:
        until(lambda: len(self.all(kind)) >= count, MUCH_S)
        return self.all(kind)

    def all(self, kind: type) -> list:
        return [one for one in self.live.events if isinstance(one, kind)]


@pytest.fixture
def post(make, monkeypatch: pytest.MonkeyPatch):
    made: list[Post] = []

    def one(*answers: str, starts: tuple[str, ...] = ()) -> Post:
        made.append(Post(monkeypatch, make(answers, starts)))
        return made[-1]
    yield one
    for each in made:
        each.ears.close()


@pytest.mark.parametrize("answer", ["hang", "die"])
def test_words_that_it_failed_on_are_asked_again_and_the_next_are_heard(post, answer: str) -> None:
    one = post(answer)
    one.say()
    unclear = one.told(Unclear)
    assert [each.prompt for each in unclear] == ["equilibrium.1.1"] and "started again" in unclear[0].why
    assert not one.lost and not one.all(Heard)
    one.say()
    assert len(one.told(Heard)) == 1 and not one.lost      # the trial failed; the same sound was not tried once more


def test_one_that_fails_again_and_again_is_a_lost_device_until_it_starts(post) -> None:
    one = post("die", "die")
    one.ears._ear.worker._waits_s = (0.0, 0.6)
    one.say()
    one.told(Unclear)
    one.say()
    until(lambda: bool(one.lost), MUCH_S)
    assert [device for device, _ in one.lost] == ["ear"] and "keypad" in one.lost[0][1]
    assert [each.device for each in one.told(DeviceBack)] == ["ear"]
    one.say()
    assert len(one.told(Heard)) == 1 and len(one.lost) == 1 and len(one.all(DeviceBack)) == 1


def test_one_that_dies_while_nobody_speaks_is_there_again_before_anybody_does(post) -> None:
    one = post(starts=("dies later",))
    first = one.ears._ear.worker.pid
    until(lambda: one.ears._ear.worker.pid not in (None, first) and one.ears._up, MUCH_S)
    one.say()
    assert len(one.told(Heard)) == 1 and not one.all(Unclear) and not one.lost


def test_one_that_could_not_start_at_first_is_heard_of_and_then_hears(post) -> None:
    one = post(starts=("stillborn",))
    assert any("ended by itself" in words for words in one.live.told)
    until(lambda: one.ears._up, MUCH_S)
    one.say()
    assert len(one.told(Heard)) == 1


def test_an_ear_that_never_keeps_up_fills_no_memory(post) -> None:
    one = post("hang")
    one.ears._ear._slack_s = 60.0
    for _ in range(12):
        one.say()
    assert one.ears._utterances.qsize() <= ears.MOST_WAITING


@pytest.mark.alone
def test_keys_are_taken_at_once_while_it_hangs(post) -> None:
    """What a key has to wait for is the longest that another thread of this process is kept from running."""
    one = post("hang")
    one.say()
    worst, end = 0.0, time.monotonic() + 0.5
    while time.monotonic() < end:
        begun = time.monotonic()
        time.sleep(0.001)
        worst = max(worst, time.monotonic() - begun)
    assert not one.all(Unclear) and worst < 0.25        # it is 0.01


# --- the real one -------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def said():
    synth = Synth()
    try:
        yield synth.render("seven point two five"), synth.RATE
    finally:
        synth.close()


def test_the_real_one_stopped_in_its_work_and_killed_between_two_words(said) -> None:
    ear = EarProcess(slack_s=0.1)
    try:
        ear.start()
        os.kill(ear.worker.pid, signal.SIGSTOP)
        begun = time.monotonic()
        with pytest.raises(EarFailed, match="longer than"):
            ear.understand(*said, READING)
        assert time.monotonic() - begun < stub_worker.FOR_EVER_S / 2
        ear._slack_s = MUCH_S
        assert ear.understand(*said, READING).value == "7.25"
        os.kill(ear.worker.pid, signal.SIGKILL)
        until(lambda: ear.worker.pid is None)
        assert ear.understand(*said, READING).value == "7.25"
    finally:
        ear.worker.cut()


def test_the_real_one_finds_a_model_from_where_the_station_was_started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    ear = EarProcess("mine")
    with pytest.raises(EarMissing, match=re.escape(str(tmp_path / "mine"))):
        ear.start()
    (tmp_path / "mine").symlink_to(locate.SHIPPED)
    for named in ("mine", "own"):
        ear = EarProcess(named)
        try:
            ear.start()
            assert "the station's own small model" in ear.sentence
        finally:
            ear.worker.cut()


def test_a_killed_station_leaves_no_ear_behind() -> None:
    station = subprocess.Popen([sys.executable, "-c", "import time; from assistant.station.ear_process import EarProcess; e = EarProcess(); "
                                "e.start(); print(e.worker.pid, flush=True); time.sleep(600)"], cwd=ROOT, stdout=subprocess.PIPE)
    assert station.stdout is not None
    pid = int(station.stdout.readline())
    assert not gone(pid)
    station.kill()
    station.wait()
    station.stdout.close()
    until(lambda: gone(pid) or Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z", MUCH_S)
    assert gone(pid) or Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z"
