"""Decodes a set of sentences with several models: `python -m models.adapting.evaluate FOLDER SET NAME=MODELDIR...`.

SET: held (tuning voices that were not adapted to: choose by these) or people (festival and joined recordings of two
persons: only to report, never to choose). Every text heard goes into FOLDER/heard-SET.tsv, so that voting rules can
be tried without decoding again; the table of single decodings is printed.
"""

import importlib.util
import random
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np
import pocketsphinx
import soundfile
import soxr

from assistant.core.commands import command
from assistant.core.expect import Expect
from assistant.core.spoken import NotANumber, digits, parse, say
from models import grammar
from models.adapting.features import MODEL, sentences, sound, treat
from models.adapting.noises import KINDS, in_noise, noise
from models.quieten import faster
from models.wav import RATE, read, to_pcm, to_sound

RATIOS = (None, 20, 10)
TREATMENTS = ("quiet", "plain")
Clip = tuple[str, str, str, np.ndarray]
"""Name, engine, text, clean sound."""


class Hearer:
    """A model folder (and settings) with the grammar of all that is said to the station."""

    def __init__(self, model: str, extra: str = "", **settings) -> None:
        with tempfile.NamedTemporaryFile("w", suffix=".dict") as words:
            words.write(_pronunciations() + extra)
            words.flush()
            self._decoder = pocketsphinx.Decoder(hmm=model, dict=words.name, lm=None, loglevel="FATAL",
                                                 **({"silprob": 0.1} | settings))
        built = grammar.automaton(Expect("reading"))
        arcs = [(frm, to, 1.0, word) if word else (frm, to, 1.0) for frm, word, to in built.arcs]
        self._decoder.add_fsg("g", self._decoder.create_fsg("g", built.start, built.end, arcs))
        self._decoder.activate_search("g")

    def hear(self, pcm: bytes) -> str:
        self._decoder.start_utt()
        self._decoder.process_raw(pcm, full_utt=True)
        self._decoder.end_utt()
        best = self._decoder.hyp()
        return best.hypstr if best else ""


def _pronunciations() -> str:
    wanted = set(grammar.words_for(Expect("reading")))
    with open(MODEL / "cmudict-en-us.dict", encoding="utf-8") as dictionary:
        return "".join(line for line in dictionary if line.split(maxsplit=1)[0].split("(")[0] in wanted)


def meaning(text: str) -> str | None:
    """What words mean: a number, a command's id, or None."""
    try:
        return str(parse(text).value.normalize()) if command(text) is None else command(text)
    except NotANumber:
        return None


def held(folder: Path, of_each: int = 30) -> Iterator[Clip]:
    chosen = sentences(folder, "held")
    random.Random(8).shuffle(chosen)
    taken: dict[str, int] = {}
    for name, engine, _, text in chosen:
        if meaning(text) is not None and taken.get(engine, 0) < of_each:
            taken[engine] = taken.get(engine, 0) + 1
            yield name, engine, text, sound(folder, name)


FESTIVAL = ("kal_diphone", "ked_diphone", "cmu_us_slt_arctic_hts")
WOMAN = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
TEENS = dict(zip(("ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen twenty "
                  "thirty forty fifty").split(), [*range(10, 21), 30, 40, 50]))
DIGITS = "zero one two three four five six seven eight nine".split()


def people(folder: Path, of_each: int = 40) -> Iterator[Clip]:
    for who in (*FESTIVAL, "woman", "man"):
        rng = random.Random(who)
        for n in range(of_each):
            value = Decimal(rng.randrange(1, 6000)) / 100
            text = (digits(value).replace(",", "") if rng.random() < 0.5 or who == "man" else say(value))
            if rng.random() < 0.3:
                text = text.replace("zero", "oh") if who != "man" else text
            spoken = _festival(who, text) if who in FESTIVAL else _joined(who, text, rng)
            yield f"{who}-{n}", who, text, np.pad(spoken * (0.5 / np.abs(spoken).max()), RATE // 4).astype(np.float32)


def _festival(voice: str, text: str) -> np.ndarray:
    with tempfile.NamedTemporaryFile(suffix=".wav") as wav:
        subprocess.run(["text2wave", "-o", wav.name, "-eval", f"(voice_{voice})"], input=text.encode(), check=True,
                       timeout=60, capture_output=True)
        sound, rate = soundfile.read(wav.name, dtype="float32")
    return soxr.resample(sound, rate, RATE)


def _joined(who: str, text: str, rng: random.Random) -> np.ndarray:
    parts = []
    for word in text.split():
        parts += [_clip(who, word), np.zeros(int(rng.uniform(0.01, 0.08) * RATE), np.float32)]
    return np.concatenate(parts)


def _clip(who: str, word: str) -> np.ndarray:
    if word == "point":            # the end of the woman's "exclamation point"; for the man the same, played lower
        clip = to_sound(*read(WOMAN / "letters/exclaimation-point.wav"))[int(0.965 * RATE):int(1.37 * RATE)]
        return clip if who == "woman" else faster(clip, 0.8)
    if who == "man":
        package = importlib.util.find_spec("spokennumbers")      # not imported: it wants more than its sounds
        if package is None or package.origin is None:
            raise ModuleNotFoundError("spokennumbers")
        clip, rate = soundfile.read(Path(package.origin).parent / f"default/{DIGITS.index(word)}.wav", dtype="float32")
        clip = soxr.resample(clip if clip.ndim == 1 else clip.mean(axis=1), rate, RATE)
    else:
        name = "letters/o" if word == "oh" else f"digits/{TEENS.get(word) or DIGITS.index(word)}"
        clip = to_sound(*read(WOMAN / f"{name}.wav"))
    loud = np.flatnonzero(np.abs(clip) > 0.02 * np.abs(clip).max())
    clip = clip[max(0, loud[0] - 400):loud[-1] + 800]
    return clip * (0.5 / np.abs(clip).max())


def main(folder: Path, kind: str, models: dict[str, Hearer]) -> None:
    dice = np.random.default_rng(11)
    clips = list({"held": held, "people": people}[kind](folder))
    talk = [clip[3] for clip in clips]
    table: dict[tuple, list[int]] = {}
    with open(folder / f"heard-{kind}.tsv", "a", encoding="utf-8") as out:
        for name, engine, text, clean in clips:
            for ratio in RATIOS:
                noisy = clean if ratio is None else in_noise(clean, noise(str(dice.choice(KINDS)), len(clean), dice, talk),
                                                             ratio)
                sounds = {"quiet": treat(noisy, True), "plain": treat(noisy, False)}
                for model, hearer in models.items():
                    for treatment, given in ((t, sounds[t]) for t in TREATMENTS):
                        heard = hearer.hear(to_pcm(given))
                        print(name, engine, ratio, model, treatment, text, heard, sep="\t", file=out)
                        right, got = meaning(text), meaning(heard)
                        for group in (engine, "all"):
                            cell = table.setdefault((model, treatment, group, ratio), [0, 0, 0])
                            cell[0] += 1
                            cell[1] += got == right
                            cell[2] += got is not None and got != right
    groups = list(dict.fromkeys(key[2] for key in table))
    for model in models:
        for treatment in TREATMENTS:
            row = "  ".join(f"{group[:9]} " + " ".join(f"{100 * c[1] / c[0]:.0f}/{100 * c[2] / c[0]:.0f}" for ratio in RATIOS
                            for c in [table[model, treatment, group, ratio]]) for group in groups)
            print(f"{model:18} {treatment:6} {row}", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], {name: Hearer(path) for name, path in (arg.split("=") for arg in sys.argv[3:])})
