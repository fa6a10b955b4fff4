"""Renders the clean sentences that adaptation uses: `python -m models.adapting.corpus FOLDER [ENGINE] [SENTENCES]`.

Writes FOLDER/clean/NAME.flac (16 kHz mono) and a line `name, part, engine, speaker, text` (tab-separated) each in
FOLDER/texts.tsv, at once, so that a run that is cut short keeps what it has. Sentences are random walks through the
station's own grammar: readings in every spoken form, and the commands.
"""

import random
import sys
from pathlib import Path

import numpy as np
import soundfile

from models import grammar
from models.adapting.speakers import ENGINES, RATE, speaker

SENTENCES = {"espeak": 1400, "flite": 700, "joe": 500, "hibari": 500, "kokoro": 900}
A_SPEAKER_SAYS = {"espeak": 10, "flite": 20, "joe": 20, "hibari": 20, "kokoro": 12}
HELD_SHARE = 0.2


def sentence(rng: random.Random) -> str:
    """One sentence of the grammar of all that is ever said to the station."""
    return grammar.automaton(grammar.EVERYTHING).sentence(rng)


def render(folder: Path, engine: str, count: int, seed: int = 1) -> None:
    rng = random.Random(f"{engine} {seed}")
    (folder / "clean").mkdir(parents=True, exist_ok=True)
    done = 0
    while done < count:
        part = "held" if rng.random() < HELD_SHARE else "train"
        try:
            name, say = speaker(engine, part, rng)
        except LookupError:
            continue
        for _ in range(A_SPEAKER_SAYS[engine]):
            text = sentence(rng)
            sound = say(text)
            loud = np.abs(sound).max(initial=0)
            if not np.isfinite(sound).all() or loud < 1e-3 or not 0.2 < len(sound) / RATE < 9:
                continue
            done += 1
            ident = f"{engine}-{seed}-{done:04d}"
            soundfile.write(folder / "clean" / f"{ident}.flac", sound * (0.7 / loud), RATE)
            with open(folder / "texts.tsv", "a", encoding="utf-8") as table:
                table.write("\t".join((ident, part, engine, name, text)) + "\n")


if __name__ == "__main__":
    for each in sys.argv[2:3] or ENGINES:
        render(Path(sys.argv[1]), each, int(sys.argv[3]) if len(sys.argv) > 3 else SENTENCES[each])
