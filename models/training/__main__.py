"""Trains the station's own speech model from nothing: `python -m models.training FOLDER [--small]`.

Debian: espeak-ng, flite. Python, beside the project's own: the extra "training" (pip install -e '.[training]').

In FOLDER: corpus/ (what is there is kept, and a run that was cut short goes on), network.pt with its curve, and model/, the
folder for vosk. With a GPU the training takes ten minutes, without one a night; the corpus takes hours of one core, most of
them for kokoro (several `python -m models.training.corpus` beside each other share the work). --small is a trial of minutes.
"""

import argparse
import sys
from pathlib import Path

import torch

from models import vosk_folder
from models.training import corpus, export
from models.training.compose import Corpus
from models.training.lexicon import lexicon
from models.training.train import train

SPEAKERS = {"espeak": 260, "flite": 70, "joe": 40, "hibari": 60, "kokoro": 400}
SMALL = {"espeak": 12, "flite": 6}
GPU_S, CPU_S = 570.0, 8 * 3600.0


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training", description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--small", action="store_true", help="few voices, a small network, 40 steps: to see that all of it runs")
    given = parser.parse_args()
    speech, checkpoint = given.folder / "corpus", given.folder / "network.pt"
    for engine, speakers in (SMALL if given.small else SPEAKERS).items():
        print(f"{engine}: {speakers} speakers", flush=True)
        corpus.main(speech, engine, speakers)
    try:
        clips = Corpus(speech)
    except LookupError as nothing:
        sys.exit(str(nothing))
    on_gpu = torch.cuda.is_available()
    if given.small:
        train(clips, checkpoint, 0, channels=32, items=8, seed=1, workers=0, steps=40)
    else:
        train(clips, checkpoint, GPU_S if on_gpu else CPU_S, channels=256, items=256 if on_gpu else 32, seed=1,
              workers=6 if on_gpu else 0)
    vosk_folder.write(given.folder / "model", export.network_of(torch.load(checkpoint, map_location="cpu", weights_only=True)),
                      lexicon())
    print(f"{given.folder / 'model'} can be loaded by vosk.")


if __name__ == "__main__":
    main()
