"""Teaches Whisper's encoder our sounds, in people's voices on a site: `python -m models.training.train_people OUT FOLDER ...`.

Encoders of several depths, and if asked the station's own small network, learn from the very same sounds. A batch has one of
four lengths, so that an utterance of half a second is not learned with four seconds of noise behind it. The last layer starts
alone, then the layers above learn faster than those below, which have heard most people. What is kept is a moving average of
the weights. OUT gets people.N.npz for each depth N, own.pt and curve.jsonl, first after a minute.
"""

import argparse
import json
import math
import random
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from torch.nn import functional
from torch.utils.data import DataLoader, IterableDataset

from models import encoder as shipped
from models.training.augment import Site
from models.training.compose import Batch, Composer, Corpus, check
from models.training.encoder import UNITS, Encoder, LogMel, published
from models.training.train import Renderer, Trainer, save
from models.wav import RATE

LENGTHS_S = {1.6: 0.2, 2.6: 0.25, 3.6: 0.25, 4.8: 0.3}
"""Of batches, and their shares; shorter ones have more items, so that each is as much sound."""

CLEAN = 0.15
"""Of the items no noise is added to so many."""

HEAD_STEPS, WARM_STEPS = 200, 400
LOWER = 0.8
"""The learning rate of each layer, as part of that of the layer above."""

AVERAGED = 0.999
SAVE_S = 60.0


class Batches(IterableDataset):
    """Endless (length in samples, batch); each worker has dice of its own."""

    def __init__(self, corpus: Corpus, items: int, seed: int) -> None:
        self._what = corpus, items, seed

    def __iter__(self) -> Iterator[tuple[int, Batch]]:
        corpus, items, seed = self._what
        worker = torch.utils.data.get_worker_info()
        seed = seed * 1000 + (worker.id if worker else 0)
        rng = random.Random(seed)
        composers = {length_s: Composer(corpus, int(length_s * RATE), seed) for length_s in LENGTHS_S}
        longest = max(LENGTHS_S)
        while True:
            length_s = rng.choices(list(LENGTHS_S), list(LENGTHS_S.values()))[0]
            yield int(length_s * RATE), composers[length_s].batch(int(items * longest / length_s))


class Pupil:
    """One encoder and what it needs to learn."""

    def __init__(self, layers: int, weights: dict[str, np.ndarray], rate: float, device: str) -> None:
        self.layers, self.device = layers, device
        self.network = Encoder(layers)
        self._starts_anew = not self.network.take(weights)
        self.network.to(device)
        groups = [{"params": list(self.network.head.parameters()), "top": 1e-3 if self._starts_anew else rate, "head": True}]
        parts = [[self.network.conv1, self.network.conv2], *([layer] for layer in self.network.layers), [self.network.norm]]
        for depth, part in enumerate(parts):
            groups.append({"params": [weight for module in part for weight in module.parameters()], "head": False,
                           "top": rate * LOWER ** max(0, layers - depth)})
        self._optimiser = torch.optim.AdamW(groups, lr=1e-4, weight_decay=1e-2, betas=(0.9, 0.98), fused=device == "cuda")
        self._kept = {name: value.clone() for name, value in self.network.state_dict().items()}
        self.step = 0

    def learn(self, mel: torch.Tensor, steps: torch.Tensor, said: list[list[int]], done: float) -> torch.Tensor:
        """One step; done: share of the run, 0 to 1. Gives the loss a sound."""
        self.network.train()
        for group in self._optimiser.param_groups:
            waits = HEAD_STEPS if self._starts_anew and not group["head"] else 0
            warm = min(1.0, max(0, self.step + 1 - waits) / (100 if group["head"] else WARM_STEPS))
            group["lr"] = group["top"] * warm * (0.5 * (1 + math.cos(math.pi * min(1, done))) + 0.005)
        lost = self.loss(mel, steps, said)
        self._optimiser.zero_grad(set_to_none=True)
        lost.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 1.0)
        self._optimiser.step()
        self.step += 1
        with torch.no_grad():
            torch._foreach_lerp_(list(self._kept.values()), list(self.network.state_dict().values()),
                                 1 - min(AVERAGED, self.step / (self.step + 10)))
        return lost.detach()

    def loss(self, mel: torch.Tensor, steps: torch.Tensor, said: list[list[int]]) -> torch.Tensor:
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            scores = self.network(mel)
        flat = torch.tensor([unit for units in said for unit in units], device=self.device, dtype=torch.long)
        sizes = torch.tensor([len(units) for units in said], device=self.device)
        logs = scores.float().log_softmax(-1).transpose(0, 1)
        total = functional.ctc_loss(logs, flat, steps.clamp(max=len(logs)), sizes, reduction="sum", zero_infinity=True)
        return total / max(1, len(flat))

    def save(self, folder: Path) -> None:
        part = folder / f"people.{self.layers}.part"
        shipped.write(part, {name: value.float().cpu().numpy() for name, value in self._kept.items()}, UNITS)
        part.replace(folder / f"people.{self.layers}.npz")


def recorded(clean: torch.Tensor, site: Site) -> torch.Tensor:
    """As a microphone might give them, some without the site, at some level."""
    sound = site.site(clean)
    spared = torch.rand(len(clean), 1, device=clean.device) < CLEAN
    sound = torch.where(spared, clean + 3e-4 * torch.randn_like(clean), sound)
    level = 10 ** (-torch.rand(len(sound), 1, device=clean.device) * 14 / 20)
    return sound / (sound.abs().amax(1, keepdim=True) + 1e-6) * level * 0.9


def masked(mel: torch.Tensor) -> torch.Tensor:
    """Two bands and three moments of each item hidden behind its mean (SpecAugment, Park et al. 2019)."""
    items, bins, frames = mel.shape
    mean = mel.mean((1, 2), keepdim=True)
    for axis, size, widest in ((1, bins, 14), (1, bins, 14), (2, frames, 18), (2, frames, 18), (2, frames, 12)):
        width = torch.randint(0, widest, (items, 1), device=mel.device)
        first = torch.randint(0, size - widest, (items, 1), device=mel.device)
        at = torch.arange(size, device=mel.device)[None]
        hidden = (at >= first) & (at < first + width)
        mel = torch.where(hidden[:, :, None] if axis == 1 else hidden[:, None, :], mean, mel)
    return mel


def train(corpus: Corpus, out: Path, weights: dict[str, np.ndarray], depths: list[int], seconds: float, items: int, rate: float,
          seed: int, workers: int, own: dict[str, torch.Tensor] | None = None, own_rate: float = 1e-3,
          steps: int | None = None) -> None:
    """own: weights of the station's small network, to be trained on beside the others. steps: end after so many instead."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(seed)
    torch.backends.cuda.matmul.allow_tf32 = True
    out.mkdir(parents=True, exist_ok=True)
    loader = iter(DataLoader(Batches(corpus, items, seed), batch_size=None, num_workers=workers,
                             prefetch_factor=4 if workers else None))
    pupils = [Pupil(depth, weights, rate, device) for depth in depths]
    small = Trainer(corpus, own["units.weight"].shape[1], items, seed, start=own, rate=own_rate) if own is not None else None
    samples = [int(length_s * RATE) for length_s in LENGTHS_S]
    render, site = {n: Renderer(corpus, n, device) for n in samples}, {n: Site(n, device) for n in samples}
    mel_of = LogMel().to(device)
    curve = (out / "curve.jsonl").open("w", encoding="utf-8")
    began = saved = time.monotonic()
    step, sums = 0, []
    while (done := step / steps if steps else (time.monotonic() - began) / seconds) < 1:
        length, batch = next(loader)
        with torch.no_grad():
            sound = recorded(render[length](batch), site[length])
            mel = masked(mel_of(sound))
            spoken = torch.tensor(batch.total, device=device)
        losses = [pupil.learn(mel, (spoken + 319) // 320, batch.units, done) for pupil in pupils]
        if small is not None:
            losses.append(small.train_on(batch, done, sound)[0].detach() / max(1, sum(map(len, batch.units)) / len(batch.units)))
        sums.append(torch.stack(losses))
        step += 1
        if step % 250 == 0 or step in (1, 10):
            row = {"step": step, "seconds": round(time.monotonic() - began, 1),
                   "loss": [round(loss, 4) for loss in torch.stack(sums).mean(0).tolist()]}
            print(row, flush=True)
            curve.write(json.dumps(row) + "\n")
            curve.flush()
            sums = []
        if time.monotonic() - saved > SAVE_S:
            saved = time.monotonic()
            _save(pupils, small, out)
    _save(pupils, small, out)
    print(f"{step} steps in {time.monotonic() - began:.0f} s", flush=True)


def _save(pupils: list[Pupil], small: Trainer | None, out: Path) -> None:
    for pupil in pupils:
        pupil.save(out)
    if small is not None:
        save(small, out / "own.pt")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training.train_people", description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("folders", type=Path, nargs="+", help="people's recordings and synthetic voices, in the corpus' form")
    parser.add_argument("--cuts", type=Path, help="words found inside longer clips, as models.training.cut writes them")
    parser.add_argument("--weights", type=Path, help="people.N.npz to go on from; else the published ones")
    parser.add_argument("--own", type=Path, help="a vosk folder of the own model, or its checkpoint, to be trained on beside")
    parser.add_argument("--layers", default="6", help="depths, comma between (%(default)s)")
    parser.add_argument("--seconds", type=float, default=500)
    parser.add_argument("--steps", type=int, help="end after so many steps instead")
    parser.add_argument("--items", type=int, default=160, help="of 4.8 s in a batch (%(default)s)")
    parser.add_argument("--rate", type=float, default=2e-4)
    parser.add_argument("--own-rate", type=float, default=1e-3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=10 if torch.cuda.is_available() else 0)
    given = parser.parse_args()
    try:
        check(*given.folders)
    except LookupError as wrong:
        sys.exit(str(wrong))
    corpus = Corpus(*given.folders, cuts=json.loads(given.cuts.read_text("utf-8")) if given.cuts else None)
    print({engine: len(people) for engine, people in corpus.people.items()}, corpus.taken, round(corpus.seconds / 60), "min",
          {word: (len(clips), len(corpus.said[False].get(word, []))) for word, clips in corpus.said[True].items()
           if word in "zero oh one two three four five six seven eight nine point".split()}, flush=True)
    own = None
    if given.own:
        from models.training import kaldi
        from models.training.export import state_of
        own = (torch.load(given.own, map_location="cpu", weights_only=True) if given.own.is_file()
               else state_of(kaldi.read_network(given.own / "am/final.mdl")))
    train(corpus, given.out, shipped.weights(shipped.read(given.weights)[0]) if given.weights else published(),
          [int(depth) for depth in given.layers.split(",")], given.seconds, given.items, given.rate, given.seed, given.workers,
          own, given.own_rate, given.steps)


if __name__ == "__main__":
    main()
