"""Clean sentences in, what the station's decoder would be given out: `python -m models.adapting.features FOLDER`.

Each sentence of FOLDER/texts.tsv marked "train" gives two feature files, of two different noises (or none): one as
the denoised decoding hears it, one as the plain one does. They are written by the decoder itself, so the feature
step is the same to the last bit. Beside them: train.ctl, train.lsn (as sphinxtrain's bw wants them).
"""

import os
import random
import sys
from pathlib import Path

import numpy as np
import pocketsphinx
import soundfile

from models.adapting.noises import KINDS, in_noise, noise
from models.quieten import denoise, even_out, faster
from models.wav import RATE, to_pcm

MODEL = Path(pocketsphinx.get_model_path()) / "en-us"
RATIOS = (None, 20, 15, 10, 5)
"""dB; None: no noise."""


def sentences(folder: Path, part: str) -> list[tuple[str, str, str, str]]:
    """(name, engine, speaker, text) of each sentence of `part`."""
    rows = [line.split("\t") for line in (folder / "texts.tsv").read_text("utf-8").splitlines()]
    return [(name, engine, who, text) for name, of, engine, who, text in rows if of == part]


def sound(folder: Path, name: str) -> np.ndarray:
    """The clean sentence with a little quiet around it."""
    clean = soundfile.read(folder / "clean" / f"{name}.flac", dtype="float32")[0]
    return np.pad(clean, RATE // 4)


def treat(heard: np.ndarray, quietly: bool) -> np.ndarray:
    """As PocketsphinxEngine gives a sound to its decoder: denoised, or as it is."""
    return even_out(denoise(heard), -35) if quietly else even_out(heard, -30)


class Features:
    """Writes the features of a sound as pocketsphinx computes them."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._decoder = pocketsphinx.Decoder(hmm=str(MODEL / "en-us"), lm=None, dict=None, loglevel="FATAL",
                                             mfclogdir=str(folder), allphone=None)
        words = self._decoder.create_fsg("any", 0, 1, [(0, 1, 1.0, "<sil>")])
        self._decoder.add_fsg("any", words)
        self._decoder.activate_search("any")

    def write(self, heard: np.ndarray, name: str) -> None:
        for left in self._folder.glob("0*.mfc"):
            left.unlink()
        self._decoder.start_utt()
        self._decoder.process_raw(to_pcm(heard), full_utt=True)
        self._decoder.end_utt()
        (made,) = self._folder.glob("0*.mfc")
        os.replace(made, self._folder / f"{name}.mfc")


def main(folder: Path, limit: int = 10**6) -> None:
    rng, dice = random.Random(3), np.random.default_rng(3)
    known = sentences(folder, "train")
    rng.shuffle(known)
    known = known[:limit]
    talk = [sound(folder, name) for name, *_ in known[:40]]
    features = Features(folder / "mfc")
    with open(folder / "train.ctl", "w") as control, open(folder / "train.lsn", "w") as texts:
        for name, _, _, text in known:
            for quietly in (True, False):
                said = faster(sound(folder, name), rng.uniform(0.9, 1.12))
                ratio = rng.choice(RATIOS)
                if ratio is not None:
                    said = in_noise(said, noise(rng.choice(KINDS), len(said), dice, talk), ratio)
                ident = f"{name}-{'quiet' if quietly else 'plain'}"
                features.write(treat(said, quietly), ident)
                control.write(ident + "\n")
                texts.write(f"<s> {text} </s> ({ident})\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
