"""Does the microphone cut utterances where they begin and end? ``python -m tests.bench.endpointing`` prints a table.

Streams of several minutes: readings in one flow, readings digit by digit with 0.2 to 0.5 s between the words, commands and
yes / no, 2 to 3.5 s apart, spoken by flite and espeak-ng word by word so that the truth is known, in noise at an A-weighted
signal-to-noise ratio of the spoken parts; then the noise alone, and a mallet.
"""
from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from models.listener import Listener, end_wait
from models.wav import RATE, to_pcm
from tests.speech.voices import _synthetic
from tests.speech.yard import at_level, diesel, hiss, mallet, spoken_part

VOICES = ("flite slt", "flite rms", "flite kal", "espeak-ng en-us", "espeak-ng en-gb")
COMMANDS = ("next", "say again", "time left", "yes", "no", "take it back")
DIGITS = "zero one two three four five six seven eight nine".split()
FLOOR_DB = -50.0
"""Of the noise; the voice stands above it."""
NOISES = {"hiss": hiss, "diesel": diesel}
BLOCK = 960

Clips = dict[tuple[str, str], np.ndarray]


def trimmed(sound: np.ndarray) -> np.ndarray:
    """From the first to the last sample within 40 dB of the loudest."""
    loud = np.flatnonzero(np.abs(sound) > np.abs(sound).max() / 100)
    return sound[loud[0]:loud[-1] + 1]


class Words:
    """Spoken words, each synthesised once."""

    def __init__(self) -> None:
        self._kept: Clips = {}

    def __call__(self, voice: str, text: str) -> np.ndarray:
        if (voice, text) not in self._kept:
            self._kept[voice, text] = trimmed(_synthetic(*voice.split(), text))
        return self._kept[voice, text]


@dataclass
class Said:
    kind: str
    text: str
    begins: float
    ends: float


def stream(words: Words, voice: str, noise: str, snr_db: float, rng: np.random.Generator, count: int,
           blows: bool = False) -> tuple[np.ndarray, list[Said]]:
    """The sound and what is said in it, times in seconds."""
    parts, truth, at = [np.zeros(6 * RATE, np.float32)], [], 6 * RATE
    for number in range(count):
        kind = ("flow", "gaps", "command")[number % 3]
        digits = [DIGITS[d] for d in rng.integers(0, 10, 3)]
        text = rng.choice(COMMANDS) if kind == "command" else f"{digits[0]} point {digits[1]} {digits[2]}"
        if kind == "gaps":
            pieces = []
            for word in text.split():
                pieces += [words(voice, word), np.zeros(int(rng.uniform(0.2, 0.5) * RATE), np.float32)]
            said = np.concatenate(pieces[:-1])
        else:
            said = words(voice, str(text))
        said = at_level(said, FLOOR_DB + snr_db, spoken_part(said))
        pause = np.zeros(int(rng.uniform(2, 3.5) * RATE), np.float32)
        truth.append(Said(kind, str(text), at / RATE, (at + len(said)) / RATE))
        parts += [said, pause]
        at += len(said) + len(pause)
    sound = np.concatenate(parts)
    sound = sound + at_level(NOISES[noise](len(sound) / RATE, rng), FLOOR_DB)
    return (with_blows(sound, snr_db, rng) if blows else sound), truth


def with_blows(sound: np.ndarray, over_db: float, rng: np.random.Generator) -> np.ndarray:
    """A blow every 0.4 to 2 s, as loud as a voice `over_db` over the noise, or up to 15 dB louder."""
    sound, at = sound.copy(), RATE
    while at < len(sound) - RATE:
        blow = mallet(rng)
        sound[at:at + len(blow)] += at_level(blow, FLOOR_DB + over_db + rng.uniform(0, 15))
        at += int(rng.uniform(0.4, 2.0) * RATE)
    return sound


@dataclass
class Cut:
    begins: float
    ends: float


def cuts(sound: np.ndarray, truth: list[Said]) -> list[Cut]:
    """What a listener makes of it. It is told what is expected, as the live one is: what is said next."""
    listener, pcm, found, after = Listener(), to_pcm(sound), [], 0
    for at in range(0, len(pcm), BLOCK):
        now = at / 2 / RATE
        while after < len(truth) - 1 and now > truth[after].ends + 1.0:
            after += 1
        kind = "command" if not truth or truth[after].kind == "command" else "reading"
        for one in listener.feed(pcm[at:at + BLOCK], end_wait(kind)):
            end = (at + BLOCK) / 2 / RATE
            found.append(Cut(end - len(one) / 2 / RATE, end))
    return found


def score(truth: list[Said], found: list[Cut]) -> dict[str, list[Said] | list[float] | int]:
    out: dict = {"missed": [], "split": [], "late": [], "early": [], "wait": [], "false": 0, "joined": 0, "n": len(truth)}
    for said in truth:
        over = [cut for cut in found if cut.begins < said.ends and cut.ends > said.begins]
        if not over:
            out["missed"].append(said)
            continue
        out["split"] += [said] * (len(over) > 1)
        out["late"] += [said] * (over[0].begins > said.begins + 0.02)
        out["early"] += [said] * (len(over) == 1 and over[-1].ends < said.ends - 0.03)
        out["wait"].append(over[-1].ends - said.ends)
    for cut in found:
        covered = sum(cut.begins < said.ends and cut.ends > said.begins for said in truth)
        out["false"] += covered == 0
        out["joined"] += covered > 1
    return out


KINDS, FAULTS = ("flow", "gaps", "command"), ("missed", "split", "late", "early", "wait")


def main() -> None:
    words, count = Words(), 30
    print(f"{'noise':<8}{'SNR':>4} {'kind':<8}{'n':>4}{'missed':>8}{'split':>7}{'late':>6}{'early':>7}{'wait s: median':>16}"
          f"{'p95':>6}{'false/min':>11}{'joined':>8}")
    for noise in NOISES:
        for snr, blows in ((20, False), (10, False), (5, False), (20, True)):
            kept: dict[str, dict] = {kind: {name: [] for name in FAULTS} for kind in KINDS}
            false = joined = seconds = 0.0
            for seed, voice in enumerate(VOICES):
                sound, truth = stream(words, voice, noise, snr, np.random.default_rng(seed), count, blows)
                found = cuts(sound, truth)
                whole = score(truth, found)
                false, joined, seconds = false + whole["false"], joined + whole["joined"], seconds + len(sound) / RATE
                for kind in KINDS:
                    one = score([said for said in truth if said.kind == kind], found)
                    for name in FAULTS:
                        kept[kind][name] += one[name]
            for kind, one in kept.items():
                missed, split, late, early = (len(one[name]) for name in FAULTS[:4])
                print(f"{noise:<8}{snr:>4} {kind:<8}{len(VOICES) * count // 3:>4}{missed:>8}{split:>7}{late:>6}{early:>7}"
                      f"{np.median(one['wait']):>16.2f}{np.percentile(one['wait'], 95):>6.2f}"
                      f"{false / seconds * 60:>11.2f}{joined:>8.0f}{'  with a mallet' if blows else ''}")
    for name, make in NOISES.items():
        rng = np.random.default_rng(99)
        sound = at_level(make(600, rng), FLOOR_DB)
        print(f"{name} alone, 600 s: {len(cuts(sound, []))} utterances; with a mallet 0 to 15 dB over a voice at 20 dB: "
              f"{len(cuts(with_blows(sound, 20, rng), []))}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
