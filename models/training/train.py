"""Trains the network with CTC: `python -m models.training.train CORPUS CHECKPOINT [--seconds N] [--weights CHECKPOINT] ...`.

Clips lie in the device's memory; composing, augmenting and features are made for every batch anew. The learning rate falls
along half a cosine over the time given, so a run may be as long or as short as one likes; a moving average of the weights is
what is kept. The checkpoint is written every half minute; CHECKPOINT.jsonl is the curve. Several GPUs each take a batch and
share their gradients: torchrun --nproc-per-node N -m models.training.train ....
"""

import argparse
import json
import math
import os
import sys
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path

import torch
from torch import distributed
from torch.nn import functional
from torch.utils.data import DataLoader, IterableDataset

from models.training.augment import Site
from models.training.compose import Batch, Composer, Corpus
from models.training.features import filterbank, log_mel
from models.training.network import Network, with_edges
from models.training.numpy_network import BINS, HOP, SUBSAMPLE, WINDOW
from models.wav import RATE

SECONDS_OF_SOUND = 4.8
WARPS = torch.linspace(0.84, 1.19, 36)
PEAK_RATE = 2.5e-3
WORDS_WEIGHT = 0.5
AVERAGED = 0.999
FADE = 160
"""Samples over which a clip comes and goes."""

ROW_STEPS = 250
"""The curve has a row for so many steps, their mean loss; a run of few steps has four rows."""


class _Batches(IterableDataset):
    """Endless batches; each worker has dice of its own."""

    def __init__(self, corpus: Corpus, samples: int, items: int, seed: int) -> None:
        self._what = corpus, samples, items, seed

    def __iter__(self) -> Iterator[Batch]:
        corpus, samples, items, seed = self._what
        worker = torch.utils.data.get_worker_info()
        composer = Composer(corpus, samples, seed * 1000 + (worker.id if worker else 0))
        while True:
            yield composer.batch(items)


class Renderer:
    """Batch -> sounds (items, samples), full scale 1: the clips at their place, rate and gain."""

    def __init__(self, corpus: Corpus, samples: int, device: str) -> None:
        self._sound = torch.tensor(corpus.sound, device=device)
        self._time = torch.arange(samples, device=device)
        self._device = device

    def __call__(self, batch: Batch) -> torch.Tensor:
        return self._layer(batch, 0) + self._layer(batch, 1)

    def _layer(self, batch: Batch, first: int) -> torch.Tensor:
        """Every second clip from the first on: what runs into the next one sounds on under its beginning."""
        at, length, source, rate, gain = (torch.tensor(part[:, first::2], device=self._device) for part in
                                          (batch.at, batch.length, batch.source, batch.rate, batch.gain))
        slot = (self._time[None, :, None] >= at[:, None, :]).sum(-1) - 1
        inside = slot >= 0
        slot = slot.clamp(min=0)
        into = self._time[None] - at.gather(1, slot)
        lasts = length.gather(1, slot)
        inside &= into < lasts
        place = source.gather(1, slot) + into.clamp(min=0) * rate.gather(1, slot)
        before = place.floor().long().clamp(1, len(self._sound) - 4)
        part = (place - before).float()
        a, b, c, d = (self._sound[before + step].float() / 32768 for step in (-1, 0, 1, 2))
        cubic = b + 0.5 * part * (c - a + part * (2 * a - 5 * b + 4 * c - d + part * (3 * (b - c) + d - a)))
        fade = torch.minimum(into, lasts - into).clamp(0, FADE) / FADE
        return cubic * inside * gain.gather(1, slot).float() * fade


def masked(features: torch.Tensor) -> torch.Tensor:
    """Two bands and two moments of each item hidden behind its mean (SpecAugment, Park et al. 2019)."""
    items, frames, _ = features.shape
    mean = features.mean((1, 2), keepdim=True)
    for axis, size, widest in ((2, BINS, 7), (2, BINS, 7), (1, frames, 9), (1, frames, 9)):
        width = torch.randint(0, widest, (items, 1), device=features.device)
        first = torch.randint(0, size - widest, (items, 1), device=features.device)
        at = torch.arange(size, device=features.device)[None]
        hidden = (at >= first) & (at < first + width)
        features = torch.where(hidden[:, None] if axis == 2 else hidden[..., None], mean, features)
    return features


def ctc(scores: torch.Tensor, steps: torch.Tensor, said: list[list[int]]) -> torch.Tensor:
    """Mean CTC loss of scores (items, classes, steps) for the numbers said."""
    flat = torch.tensor([number for numbers in said for number in numbers], device=scores.device, dtype=torch.long)
    sizes = torch.tensor([len(numbers) for numbers in said], device=scores.device)
    logs = scores.float().log_softmax(1).permute(2, 0, 1)
    return functional.ctc_loss(logs, flat, steps.clamp(max=logs.shape[0]), sizes, reduction="sum", zero_infinity=True) / len(said)


class Trainer:
    def __init__(self, corpus: Corpus, channels: int, items: int, seed: int, seconds_of_sound: float = SECONDS_OF_SOUND,
                 start: dict[str, torch.Tensor] | None = None, rate: float = PEAK_RATE) -> None:
        """start: weights to go on from, as `save` keeps them. rate: the highest learning rate."""
        torch.manual_seed(seed)
        self.device = "cuda" if torch.cuda.is_available() else "cpu"
        self.samples = int(seconds_of_sound * RATE)
        self.items = items
        self.network = Network(channels, corpus.words)
        if start is not None:
            self.network.load_state_dict(self.network.state_dict() | start)
        self.network.to(self.device)
        torch.manual_seed(seed + 1000 * _rank())            # from here on each GPU draws its own noise
        self.averaged = {name: value.clone() for name, value in self.network.state_dict().items()}
        self._optimiser = torch.optim.AdamW(self.network.parameters(), lr=rate, weight_decay=1e-2)
        self._rate = rate
        self._render = Renderer(corpus, self.samples, self.device)
        self._site = Site(self.samples, self.device)
        self._banks = torch.stack([filterbank(float(warp)) for warp in WARPS]).to(self.device)
        self.step = 0

    @torch.no_grad()
    def features(self, batch: Batch, sound: torch.Tensor | None = None) -> tuple[torch.Tensor, torch.Tensor]:
        """(items, frames, BINS) and how many frames each has. sound: the batch as it was recorded; None: made here."""
        sound = (self._site.site(self._render(batch)) if sound is None else sound) * 32768
        banks = self._banks[torch.randint(0, len(WARPS), (len(sound),), device=self.device)]
        features = log_mel(sound, banks)
        total = torch.tensor(batch.total, device=self.device)
        frames = ((total - WINDOW) // HOP + 1).clamp(max=features.shape[1])
        return masked(features), frames

    def train_on(self, batch: Batch, done: float, sound: torch.Tensor | None = None) -> tuple[torch.Tensor, torch.Tensor]:
        """One step; done: share of the whole run, 0 to 1. Gives the losses of units and words."""
        warm = min(1, max(self.step / 300, 5 * done) + 0.02)               # 300 steps, of a short run a fifth
        for group in self._optimiser.param_groups:
            group["lr"] = self._rate * warm * 0.5 * (1 + math.cos(math.pi * min(1, done))) + 1e-6
        features, frames = self.features(batch, sound)
        self.network.train()
        with torch.autocast(self.device, dtype=torch.bfloat16, enabled=self.device == "cuda"):
            units, words = self.network(with_edges(features, frames))
        steps = (frames + SUBSAMPLE - 1) // SUBSAMPLE
        units_loss, words_loss = ctc(units, steps, batch.units), ctc(words, steps, batch.words)
        self._optimiser.zero_grad()
        (units_loss + WORDS_WEIGHT * words_loss).backward()
        _share_gradients(self.network)
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 20.0)
        self._optimiser.step()
        self.step += 1
        keep = min(AVERAGED, self.step / (self.step + 10))
        for name, value in self.network.state_dict().items():
            if value.is_floating_point():
                self.averaged[name].lerp_(value, 1 - keep)
        return units_loss, words_loss


def _rank() -> int:
    return distributed.get_rank() if distributed.is_initialized() else 0


def _share_gradients(network: Network) -> None:
    """The mean over all GPUs, in each."""
    if distributed.is_initialized():
        gradients = [weight.grad for weight in network.parameters() if weight.grad is not None]
        flat = torch.cat([gradient.flatten() for gradient in gradients])
        distributed.all_reduce(flat)
        for gradient, part in zip(gradients, flat.split([gradient.numel() for gradient in gradients]), strict=True):
            gradient.copy_(part.view_as(gradient) / distributed.get_world_size())


def _all_done(done: float, device: str) -> float:
    """The first one's share of the run: all must end at the same step."""
    if not distributed.is_initialized():
        return done
    shared = torch.tensor([done], device=device)
    distributed.broadcast(shared, 0)
    return shared.item()


def train(corpus: Corpus, checkpoint: Path, seconds: float, channels: int, items: int, seed: int, workers: int,
          steps: int | None = None, start: dict[str, torch.Tensor] | None = None, rate: float = PEAK_RATE) -> None:
    """steps: end after so many instead of after `seconds`, so that the same seed gives the same network on one machine.
    start: weights to go on from. rate: the highest learning rate."""
    trainer = Trainer(corpus, channels, items, seed, start=start, rate=rate)
    began = saved = time.monotonic()
    batches = DataLoader(_Batches(corpus, trainer.samples, items, seed + 100 * _rank()), batch_size=None, num_workers=workers,
                         prefetch_factor=4 if workers else None)
    about = {"parameters": sum(p.numel() for p in trainer.network.parameters()), "minutes": round(corpus.seconds / 60, 1),
             "speakers": corpus.taken, "device": trainer.device, "seed": seed, "items": items,
             "devices": distributed.get_world_size() if distributed.is_initialized() else 1}
    curve = checkpoint.with_suffix(".jsonl")
    tells = _rank() == 0
    if tells:
        curve.write_text(json.dumps(about) + "\n", encoding="utf-8")
        print(about, flush=True)
    every = min(ROW_STEPS, max(1, (steps or ROW_STEPS) // 4))
    losses: deque[torch.Tensor] = deque(maxlen=every)
    for batch in batches:
        passed = time.monotonic() - began
        done = trainer.step / steps if steps else _all_done(passed / seconds, trainer.device)
        if done >= 1:
            break
        losses.append(torch.stack([loss.detach() for loss in trainer.train_on(batch, done)]))
        if tells and trainer.step % every == 0:
            mean = torch.stack([*losses]).mean(0)
            row = {"step": trainer.step, "seconds": round(passed, 1), "units": round(mean[0].item(), 4),
                   "words": round(mean[1].item(), 4)}
            print(row, flush=True)
            with curve.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
            if time.monotonic() - saved > 30:
                save(trainer, checkpoint)
                saved = time.monotonic()
    if tells:
        save(trainer, checkpoint)
        print(f"{trainer.step} steps in {time.monotonic() - began:.0f} s; {checkpoint}", flush=True)


def save(trainer: Trainer, checkpoint: Path) -> None:
    """The averaged weights without what only helps to train."""
    kept = {name: value.cpu() for name, value in trainer.averaged.items() if not name.startswith("words.")}
    part = checkpoint.with_suffix(".part")
    torch.save(kept, part)
    part.replace(checkpoint)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training.train", description=__doc__.splitlines()[0])
    parser.add_argument("corpus", type=Path)
    parser.add_argument("checkpoint", type=Path)
    parser.add_argument("--seconds", type=float, default=8 * 3600, help="how long; a GPU needs ten minutes, a CPU a night")
    parser.add_argument("--steps", type=int, help="end after so many steps instead")
    parser.add_argument("--channels", type=int, default=256)
    parser.add_argument("--items", type=int, default=256 if torch.cuda.is_available() else 32, help="sentences in a batch")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=6 if torch.cuda.is_available() else 0)
    parser.add_argument("--without", default="", help="engines to leave out, comma between")
    parser.add_argument("--speakers", type=int, help="of each engine at most so many")
    parser.add_argument("--weights", type=Path, help="a checkpoint whose weights to go on from")
    parser.add_argument("--rate", type=float, default=PEAK_RATE, help="the highest learning rate (%(default)s)")
    given = parser.parse_args()
    if "WORLD_SIZE" in os.environ:                          # torchrun's: one process a GPU
        if torch.cuda.is_available():
            torch.cuda.set_device(int(os.environ["LOCAL_RANK"]))
        distributed.init_process_group("nccl" if torch.cuda.is_available() else "gloo")
    engines = tuple(engine for engine in ("kokoro", "joe", "hibari", "flite", "espeak") if engine not in given.without.split(","))
    try:
        corpus = Corpus(given.corpus, engines=engines, speakers=given.speakers)
    except LookupError as nothing:
        sys.exit(str(nothing))
    start = torch.load(given.weights, map_location="cpu", weights_only=True) if given.weights else None
    train(corpus, given.checkpoint, given.seconds, given.channels, given.items, given.seed, given.workers, given.steps, start,
          given.rate)
    if distributed.is_initialized():
        distributed.destroy_process_group()


if __name__ == "__main__":
    main()
