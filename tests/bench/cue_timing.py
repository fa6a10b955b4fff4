"""Measures the mouth on this machine: `python -m tests.bench.cue_timing`. Prints one JSON object.

It uses the sound device where there is one, else silence in its place, and says which (`sound_device`).
"""

from __future__ import annotations

import json
import threading
import time

import numpy as np

from hardware import cues
from hardware.mixer import RATE, Mixer
from hardware.speaker import Speaker
from hardware.stream import OfflineStream
from hardware.synth import Synth, seconds

TEXTS = ["seven, point, two, five", "Charge the chamber to thirty psi.", "Yes or no?",
         "Hold the lever and tap all round the bowl for ten seconds. Keep holding until the gauge settles."]


def busy(stop: threading.Event) -> None:
    while not stop.is_set():
        sum(range(500))


def spacing_error_frames() -> int:
    """Largest error of 100 beats, half a second apart, pulled in odd blocks while two threads are busy."""
    mixer, stop = Mixer(), threading.Event()
    stream = OfflineStream(mixer, 331)
    for _ in range(2):
        threading.Thread(target=busy, args=(stop,), daemon=True).start()
    mixer.place_row([(cues.render("tap", RATE), k * RATE // 2) for k in range(100)])
    stream.advance_to(50)
    stop.set()
    loud = np.nonzero(stream.samples)[0]
    starts = loud[np.concatenate([[True], np.diff(loud) > RATE // 4])]
    return int(np.abs(np.diff(starts) - RATE // 2).max())


def render_times(synth: Synth) -> dict:
    synth.render("first words")
    took, off = [], []
    for k in range(25):
        for text in TEXTS:
            begun = time.perf_counter()
            pcm = synth.render(f"{text} {k}.")
            took.append(time.perf_counter() - begun)
            off.append(abs(synth.estimate(f"{text} {k}.") - seconds(pcm)))
    return {"render_ms_median": round(1000 * float(np.median(took)), 1),
            "render_ms_max": round(1000 * max(took), 1),
            "estimate_error_s_mean": round(float(np.mean(off)), 2)}


def waits(synth: Synth) -> dict:
    """From the call to the first pulled sample, and from hush to silence, device latency added."""
    mixer = Mixer()
    said = threading.Event()
    speaker = Speaker(synth, None, lambda ident: said.set(), mixer=mixer)
    pulled, fill = [], mixer.fill

    def watch(frames):
        block = fill(frames)
        pulled.append((time.perf_counter(), bool(block.any())))
        return block

    mixer.fill = watch
    begins, ends = [], []
    for _ in range(10):
        time.sleep(0.2)
        mark = time.perf_counter()
        speaker.cue("key_click")
        time.sleep(0.15)
        begins.append(next(at for at, loud in pulled if loud and at > mark) - mark)
    for k in range(5):
        speaker.say("a", TEXTS[3] + f" {k}")
        time.sleep(1.0)
        mark = time.perf_counter()
        speaker.hush()
        time.sleep(0.3)
        ends.append(max([at for at, loud in pulled if loud and at > mark], default=mark) - mark)
    result = {"sound_device": speaker.stream.audible,
              "device_latency_ms": round(1000 * speaker.stream.latency_s, 1),
              "key_to_click_ms_max": round(1000 * (max(begins) + speaker.stream.latency_s), 1),
              "hush_ms_max": round(1000 * (max(ends) + speaker.stream.latency_s), 1),
              "underruns": speaker.stream.underruns}
    speaker.close()
    return result


def main() -> None:
    begun = time.perf_counter()
    synth = Synth()
    synth.render("ready")
    result = {"first_words_ms": round(1000 * (time.perf_counter() - begun)),
              "spacing_error_frames": spacing_error_frames(), **render_times(synth), **waits(synth)}
    print(json.dumps(result))


if __name__ == "__main__":
    main()
