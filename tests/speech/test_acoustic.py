"""The mouth and the ear through a real sound system (PulseAudio without a card): what leaves the loudspeaker
is recorded and measured, what is played into the microphone's side is looked for in the blocks."""

import json
import subprocess
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from hardware import cues
from tests.speech.sound_world import RATE, heard, missing, onsets, running

pytestmark = [pytest.mark.alone, pytest.mark.skipif(bool(missing()), reason=missing() or "")]
LIMIT_S = 25

PRELUDE = """
import faulthandler, json, sys, time
faulthandler.dump_traceback_later(40, exit=True)
import numpy as np
from hardware.microphone import Microphone
from hardware.speaker import Speaker
from hardware.synth import Synth
trouble, spoken = [], {}
begun = time.monotonic()
def now(): return round(time.monotonic() - begun, 3)
speaker = Speaker(Synth(), None, lambda ident: spoken.setdefault(ident, now()), on_trouble=trouble.append)
def until(condition, limit=10):
    end = time.monotonic() + limit
    while not condition() and time.monotonic() < end: time.sleep(0.01)
    return condition()
def tell(**what): print(json.dumps(what), flush=True)
"""


@pytest.fixture
def world(tmp_path):
    with running(tmp_path) as one:
        yield one


def told(station: subprocess.Popen) -> dict:
    try:
        out, _ = station.communicate(timeout=LIMIT_S)
    except subprocess.TimeoutExpired:
        station.kill()
        out, _ = station.communicate()
        pytest.fail(f"the station did not end: {out[-800:]}")
    return json.loads(out.strip().splitlines()[-1])


def test_beeps_come_out_equally_spaced_while_the_program_is_busy(world, tmp_path):
    raw = tmp_path / "heard.raw"
    recorder = world.record(raw)
    time.sleep(0.5)
    result = told(world.station(PRELUDE + """
import threading
def work():
    end = time.monotonic() + 5
    while time.monotonic() < end: sum(range(2000))
until(lambda: speaker.stream.audible)
time.sleep(0.3)
for _ in range(2): threading.Thread(target=work, daemon=True).start()
speaker.cues([("tap", k * 0.5) for k in range(8)])
time.sleep(4.6)
tell(audible=speaker.stream.audible, latency=speaker.stream.latency_s, underruns=speaker.stream.underruns,
     trouble=trouble)
speaker.close()
"""))
    recorder.kill()
    recorder.wait(5)
    assert result["audible"], result
    beat = np.frombuffer(cues.render("tap", RATE), "<i2")
    at = onsets(heard(raw), beat)
    spaces = np.diff(at)
    print("beats at", at, "spaces", spaces.tolist(), result)
    assert len(at) == 8
    # The goal is 5 ms (design §10). Without an underrun of the device every space is exact.
    assert np.abs(spaces - RATE // 2).max() <= (1 if not result["underruns"] else RATE * 5 // 1000)


def test_hush_is_heard_within_150_ms(world, tmp_path):
    raw = tmp_path / "heard.raw"
    recorder = world.record(raw)
    time.sleep(0.5)
    result = told(world.station(PRELUDE + """
until(lambda: speaker.stream.audible)
speaker.say("a", "Hold the lever and tap all round the bowl, and keep holding until the gauge settles.")
until(lambda: speaker.is_deaf())
time.sleep(1.5)
speaker.cue("tap")               # marks the moment of the hush in the recording
speaker.hush()
until(lambda: "a" in spoken)
time.sleep(1.0)
tell(spoken=spoken, trouble=trouble, latency=speaker.stream.latency_s)
speaker.close()
"""))
    recorder.kill()
    recorder.wait(5)
    sound = heard(raw)
    assert result["spoken"], result
    loud = np.nonzero(np.abs(sound) > 200)[0]
    beat = np.frombuffer(cues.render("tap", RATE), "<i2")
    # The beat begins at the frame of the hush: nothing but it may sound after, beyond the 10 ms of fading.
    mark = loud[-1] - len(beat)
    assert np.abs(sound[mark - RATE // 2:mark]).max() > 2000                    # speech just before it
    tail = sound[mark + RATE // 50:mark + len(beat)]
    assert np.abs(np.corrcoef(tail, beat[RATE // 50:][:len(tail)])[0, 1]) > 0.5
    print("device latency", result["latency"])
    assert result["latency"] + 0.01 < 0.150


def test_the_microphone_hears_the_technician_but_never_the_station(world, tmp_path):
    voice = tmp_path / "technician.wav"
    t = np.arange(RATE) / RATE
    with wave.open(str(voice), "wb") as f:
        f.setparams((1, 2, RATE, 0, "NONE", ""))
        f.writeframes((12000 * np.sin(2 * np.pi * 500 * t)).astype("<i2").tobytes())
    station = world.station(PRELUDE + """
blocks = []
mic = Microphone(lambda b: blocks.append((now(), float(np.abs(np.frombuffer(b, "<i2").astype(int)).max()))),
                 speaker.is_deaf, trouble.append)
ok = until(lambda: mic.up and speaker.stream.audible and len(blocks) > 5)
print("ready", flush=True)
sys.stdin.readline()                                       # the technician speaks: heard
loud = max([v for _, v in blocks], default=0)
speaker.say("a", "The station itself is speaking for a while now, and for some time more.")
until(speaker.is_deaf)
time.sleep(0.1)
print("speaking", flush=True)
mark = now(); sys.stdin.readline()                         # he speaks while the station does: not heard
end = now(); still = speaker.is_deaf()
during = [v for at, v in blocks if mark <= at <= end]
until(lambda: not speaker.is_deaf()); time.sleep(0.5)
after = len(blocks); time.sleep(0.5)
tell(ok=ok, loud=loud, during=during, still=still, again=len(blocks) - after, trouble=trouble,
     dropped=mic.dropped, spoken=spoken)
mic.close(); speaker.close()
""")
    assert station.stdout.readline().strip() == "ready"
    world.play(voice)
    print("go", file=station.stdin, flush=True)
    assert station.stdout.readline().strip() == "speaking"
    world.play(voice)
    print("go", file=station.stdin, flush=True)
    result = told(station)
    assert result["ok"], result
    assert 11000 < result["loud"] < 13000
    assert result["still"]
    assert result["during"] == []
    assert 14 <= result["again"] <= 20                       # 30 ms blocks in half a second: hearing again
    assert result["dropped"] == 0
    assert not result["trouble"]


def test_the_sound_system_dies_and_comes_back_and_the_pace_is_kept(world, tmp_path):
    station = world.station(PRELUDE + """
blocks = []
mic = Microphone(lambda b: blocks.append(now()), speaker.is_deaf, lambda s: trouble.append((now(), s)))
speaker._on_trouble = lambda s: trouble.append((now(), s))
until(lambda: mic.up and speaker.stream.audible)
speaker.say("a", "This is said while the sound system is taken away, in the middle of a sentence.")
time.sleep(0.8)
print("speaking", flush=True)
sys.stdin.readline(); lost = now()
until(lambda: "a" in spoken, 12)
until(lambda: not speaker.stream.audible and not mic.up, 4)
gone = now()
print("lost", flush=True)
up = until(lambda: mic.up and speaker.stream.audible, 20); up_at = now()
print("up", flush=True); sys.stdin.readline(); blocks.clear()
speaker.say("b", "Back."); until(lambda: "b" in spoken); until(lambda: len(blocks) > 3, 5)
tell(up=up, back_s=up_at - gone, lost_s=gone - lost, trouble=trouble, lost=lost, spoken=spoken,
     blocks=len(blocks))
mic.close(); speaker.close()
""")
    assert station.stdout.readline().strip() == "speaking"
    world.stop()
    print("gone", file=station.stdin, flush=True)
    assert station.stdout.readline().strip() == "lost"
    begun = time.monotonic()
    world.start()
    raw = tmp_path / "heard.raw"
    recorder = world.record(raw)
    server_s = time.monotonic() - begun
    assert station.stdout.readline().strip() == "up"
    time.sleep(0.3)                                          # the recorder, too, takes a moment
    print("say it", file=station.stdin, flush=True)
    result = told(station)
    recorder.kill()
    recorder.wait(5)
    print(result)
    said = [sentence for _, sentence in result["trouble"]]
    assert set(result["spoken"]) == {"a", "b"}
    assert len([s for s in said if "loudspeaker is gone" in s]) == 1
    assert len([s for s in said if "microphone is gone" in s]) == 1
    assert max(at for at, _ in result["trouble"]) - result["lost"] < 2.5
    assert result["up"], result
    assert result["back_s"] < server_s + 7                   # the longest back-off is 5 s
    assert result["blocks"] > 3
    assert np.abs(heard(Path(raw))).max() > 5000             # "Back." came out of the new loudspeaker
