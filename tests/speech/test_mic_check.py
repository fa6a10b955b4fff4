"""`bowlside mic check`, on recordings, and for real through a sound system without a card, its own echo included."""
import json
import subprocess
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from assistant.speech import mic_report
from hardware.stream import write_wav
from models.wav import RATE
from tests.command import bowlside
from tests.speech.sound_world import ROOT, SoundWorld, running
from tests.speech.voices import speak
from tests.speech.yard import at_level, diesel, hiss, spoken_part

NOISE_DB = -50.0


@pytest.fixture(scope="module")
def digits() -> np.ndarray:
    return np.concatenate([speak("flite slt", word) for word in "one two three four five".split()])


def recording(path: Path, digits: np.ndarray, voice_db: float, noise_db: float = NOISE_DB, gain: float = 1.0,
              channels: tuple[float, ...] = (1.0,), offset: float = 0.0) -> str:
    said = np.concatenate([np.zeros(3 * RATE), at_level(digits, voice_db, spoken_part(digits))])
    sound = said + at_level(diesel(len(said) / RATE + 0.1, np.random.default_rng(7))[:len(said)], noise_db)
    sides = np.stack([np.clip(sound * gain * side + offset, -1, 1) for side in channels], axis=1)
    if len(channels) > 1:
        sides += np.random.default_rng(1).standard_normal(sides.shape) * 1e-4
    with wave.open(str(path), "wb") as file:
        file.setparams((len(channels), 2, RATE, 0, "NONE", ""))
        file.writeframes((sides * 32767).astype("<i2").tobytes())
    return str(path)


def check(*arguments: str) -> tuple[int, dict]:
    done = bowlside("mic", "check", "--json", "--wav", *arguments)
    return done.code, json.loads(done.out.splitlines()[-1]) if done.out else {}


def test_a_good_recording_is_good(tmp_path, digits):
    code, found = check(recording(tmp_path / "good.wav", digits, -28))
    assert code == 0 and found["good"]
    assert found["snr_db"] == pytest.approx(22, abs=3)
    assert found["noise_db"] == pytest.approx(NOISE_DB, abs=2)
    assert any("22 dB over the noise" in one or "dB over the noise: good" in one for one in found["remarks"])


@pytest.mark.parametrize("what, words", [
    ({"voice_db": -45}, "Move the microphone closer: speech is only"),
    ({"voice_db": -38}, "Move the microphone closer: speech is 1"),
    ({"voice_db": -5}, "Turn the input down"),
    ({"voice_db": -52, "noise_db": -75}, "Turn the input up"),
    ({"voice_db": -28, "channels": (1.0, -1.0)}, "cancel each other"),
    ({"voice_db": -28, "offset": 0.1}, "stands off zero by 10 %"),
    ({"voice_db": -28, "gain": 0.0}, "gives no sound at all"),
    ({"voice_db": -90}, "No voice stood out"),
])
def test_what_is_wrong_is_told_with_what_to_do(tmp_path, digits, what, words):
    code, found = check(recording(tmp_path / "bad.wav", digits, **what))
    assert code == 1 and not found["good"]
    assert any(words in one for one in found["remarks"]), found["remarks"]


def test_two_good_channels_are_as_good_as_one(tmp_path, digits):
    assert check(recording(tmp_path / "two.wav", digits, -28, channels=(1.0, 1.0)))[0] == 0


def test_the_share_of_clipped_samples_is_told(tmp_path, digits):
    _, found = check(recording(tmp_path / "loud.wav", digits, -8, gain=3.0))
    assert found["clipped_pct"] > 1
    assert any("samples clip" in one for one in found["remarks"])


def test_several_files_and_wrong_ones(tmp_path, digits):
    good = recording(tmp_path / "good.wav", digits, -28)
    done = bowlside("mic", "check", "--wav", good, str(tmp_path / "none.wav"), good)
    assert done.code == 2 and done.out.count("good.wav: ok") == 4 and "none.wav: can't be read" in done.err
    assert bowlside("mic", "check", "--seconds", "0").code == 2


@pytest.mark.parametrize("echo, good, words", [(None, True, "does not hear"), (0.12, True, "right"),
                                               (0.45, False, "move the loudspeaker")])
def test_the_deaf_time_is_judged_by_what_is_heard(echo, good, words):
    quiet = at_level(hiss(2, np.random.default_rng(1)), -60)
    remark = mic_report.remarks(mic_report.of(quiet, quiet, tail_s=0.3, echo_s=echo))[-1]
    assert remark.good is good and words in remark.words


def test_hum_is_told():
    t = np.arange(5 * RATE) / RATE
    hum = (0.02 * sum(np.sin(2 * np.pi * 50 * k * t) / k for k in (1, 2, 3)) + at_level(hiss(5, np.random.default_rng(2)), -60))
    found = mic_report.of(hum.astype(np.float32), hum.astype(np.float32))
    assert any("hum at 50 Hz" in one.words for one in mic_report.remarks(found))


@pytest.fixture
def world(tmp_path: Path):
    with running(tmp_path) as one:
        yield one


@pytest.mark.alone
@pytest.mark.long
@pytest.mark.parametrize("echo_ms", [0, 60, 450])
def test_for_real_with_an_engine_and_an_echo(world: SoundWorld, tmp_path: Path, digits: np.ndarray, echo_ms: int):
    write_wav(tmp_path / "engine.wav", at_level(diesel(45, np.random.default_rng(3)), NOISE_DB) * 32767, RATE)
    write_wav(tmp_path / "digits.wav", at_level(digits, -28, spoken_part(digits)) * 32767, RATE)
    if echo_ms:
        world.echo(echo_ms)
    engine = world.play_on(tmp_path / "engine.wav")
    station = subprocess.Popen([sys.executable, "-m", "assistant", "mic", "check", "--json", "--seconds", "6"], cwd=ROOT,
                               env=world.env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        while "Now say" not in (line := station.stderr.readline()):
            assert line, "it ended before it asked for the digits"
        time.sleep(6)                   # its own words, and the tail
        world.play(tmp_path / "digits.wav")
        found = json.loads(station.communicate(timeout=30)[0])
    finally:
        station.kill()
        engine.kill()
        engine.wait(5)
    print(found)
    assert found["noise_db"] == pytest.approx(NOISE_DB, abs=2)
    assert found["voice_db"] == pytest.approx(-28, abs=3)
    assert found["snr_db"] == pytest.approx(22, abs=3)
    if not echo_ms:
        assert found["echo_s"] is None and station.returncode == 0
    else:
        assert echo_ms / 1000 - 0.05 < found["echo_s"] < echo_ms / 1000 + 0.25
        assert station.returncode == (0 if found["echo_s"] < found["deaf_s"] else 1)
    assert (station.returncode == 1) == (echo_ms == 450)


def test_without_a_microphone_it_says_so(tmp_path):
    """ALSA's null device, which is what a machine without a card may offer: it gives zeros as fast as they are taken."""
    (tmp_path / "asound.conf").write_text("pcm.!default { type null }\n")
    env = {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path), "PULSE_SERVER": f"unix:{tmp_path}/none",
           "PATH": "/usr/bin:/bin", "ALSA_CONFIG_PATH": str(tmp_path / "asound.conf")}
    done = subprocess.run([sys.executable, "-m", "assistant", "mic", "check"], cwd=ROOT, env=env, capture_output=True, text=True,
                          timeout=40)
    assert done.returncode == 2 and done.stdout == ""
    assert "microphone" in done.stderr and "Traceback" not in done.stderr
