"""Trains the station's speech models from nothing: `python -m models.training FOLDER [--people DIR] [--small]`.

Debian: espeak-ng, flite. Python, beside the project's own: the extra "training" (pip install -e '.[training]').

In FOLDER: corpus/ (what is there is kept, and a run that was cut short goes on), network.pt with its curve, and model/, the
folder for vosk. With a GPU the training takes ten minutes, without one a night; the corpus takes hours of one core, most of
them for kokoro (several `python -m models.training.corpus` beside each other share the work). --small is a trial of minutes.

With --people, a folder of recordings in the corpus' form (every tenth speaker is held and never trained on), the own model
learns from them too, and FOLDER/people becomes the model that has heard very many people (models/people): half an hour of a
GPU more. For that the extra brings the published weights (130 MB).
"""

import argparse
import json
import shutil
import sys
from pathlib import Path

import numpy as np
import torch

from models import locate
from models.encoder import Encoder
from models.training import corpus, cut, export, talk, train_people, vosk_folder
from models.training.compose import Corpus, check
from models.training.lexicon import lexicon
from models.training.train import train

SPEAKERS = {"espeak": 260, "flite": 70, "joe": 40, "hibari": 60, "kokoro": 400}
SMALL = {"espeak": 12, "flite": 6}
GPU_S, CPU_S = 570.0, 8 * 3600.0
PEOPLE_GPU_S, PEOPLE_CPU_S = 1500.0, 7 * 24 * 3600.0
LAYERS = 6


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training", description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--small", action="store_true", help="few voices, a small network, 40 steps: to see that all of it runs")
    parser.add_argument("--people", type=Path, metavar="DIR", help="recordings of people, one more source")
    given = parser.parse_args()
    try:                                                    # before hours of work
        check(*([given.people] if given.people is not None else []))
    except LookupError as wrong:
        sys.exit(str(wrong))
    speech, checkpoint = given.folder / "corpus", given.folder / "network.pt"
    for engine, speakers in (SMALL if given.small else SPEAKERS).items():
        print(f"{engine}: {speakers} speakers", flush=True)
        corpus.main(speech, engine, speakers)
    sources, cuts = [speech], None
    if given.people is not None:
        sources.append(given.people)
        cuts = cut.cuts(given.people, Encoder(locate.PEOPLE / "encoder.npz").log_probs)
    try:
        clips = Corpus(*sources, cuts=cuts)
        weights = train_people.published() if given.people is not None else {}
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
    if given.people is not None:
        layers = 1 if given.small else LAYERS
        train_people.train(clips, given.folder, weights, [layers], PEOPLE_GPU_S if on_gpu else PEOPLE_CPU_S,
                           items=256 if on_gpu else 8, rate=2e-4, seed=1, workers=13 if on_gpu else 0,
                           steps=4 if given.small else None)
        people = given.folder / "people"
        people.mkdir(exist_ok=True)
        (given.folder / f"people.{layers}.npz").replace(people / "encoder.npz")
        shutil.copy(given.folder / "model" / vosk_folder.LEXICON, people)
        np.save(people / "talk.npy", talk.of_people(given.people))
        rows = [row for source in sources for row in corpus.manifest(source)]
        (people / "corpus.json").write_text("[\n" + ",\n".join(map(json.dumps, rows)) + "\n]\n", encoding="utf-8")
        print(f"{people} is in the form of models/people; write its checksum into models/manifest.toml.")


if __name__ == "__main__":
    main()
