"""The network that has heard very many people, in numpy: Whisper's encoder with a last layer of ours for 39 sounds and a blank.

Radford et al. 2022, "Robust Speech Recognition via Large-Scale Weak Supervision" (the architecture, from memory; checked
against another program's output of the same weights in tests/outside). Two convolutions halve the steps of 10 ms to 20, then
each layer attends to the whole utterance and passes it through two linear maps. Weights lie in one file as 8-bit whole
numbers with a scale a row: 20 MB with six layers, 10 with three.
"""
from __future__ import annotations

import functools
import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.wav import RATE

FORM = 1
"""Of the file: another number is another version."""

BINS, FFT, HOP = 80, 400, 160
WIDTH, HEADS = 512, 8
STEP_S = 0.02
PEAK = 0.6
"""Of full scale: to this every utterance is brought."""


class BadModel(Exception):
    """The file is torn, of another version or not there. The message is one plain sentence."""


def log_mel(sound: np.ndarray) -> np.ndarray:
    """(samples // HOP, BINS): Whisper's; nothing is more than eight tenth powers below the loudest."""
    bank, window = _tables()
    frames = np.lib.stride_tricks.sliding_window_view(np.pad(sound, FFT // 2, "reflect"), FFT)[::HOP][:len(sound) // HOP]
    power = (np.abs(np.fft.rfft(frames * window)) ** 2).astype(np.float32) @ bank
    logs = np.log10(np.maximum(power, 1e-10))
    return (np.maximum(logs, logs.max() - 8) + 4) / 4


@functools.cache
def _tables() -> tuple[np.ndarray, np.ndarray]:
    """Triangles evenly spaced on Slaney's mel scale, each of area one, (FFT / 2 + 1, BINS); and the window."""
    top = 15 + np.log(RATE / 2 / 1000) / (np.log(6.4) / 27)
    marks = np.linspace(0, top, BINS + 2)
    edges = np.where(marks >= 15, 1000 * np.exp(np.log(6.4) / 27 * (marks - 15)), marks * 200 / 3)
    away = edges[:, None] - np.arange(FFT // 2 + 1)[None] * RATE / FFT
    widths = np.diff(edges)
    rise, fall = -away[:-2] / widths[:-1, None], away[2:] / widths[1:, None]
    bank = np.maximum(0, np.minimum(rise, fall)) * (2 / (edges[2:] - edges[:-2]))[:, None]
    return bank.T.astype(np.float32), np.hanning(FFT + 1)[:-1].astype(np.float32)


def positions(steps: int) -> np.ndarray:
    """(steps, WIDTH): sines, then cosines, of ever lower frequency."""
    turns = np.arange(steps)[:, None] * np.exp(-np.log(10000) / (WIDTH // 2 - 1) * np.arange(WIDTH // 2))
    return np.concatenate([np.sin(turns), np.cos(turns)], 1).astype(np.float32)


def write(path: Path, weights: dict[str, np.ndarray], units: tuple[str, ...]) -> None:
    """weights: by the name that models/training/encoder.py gives them; those of two and more dimensions become whole numbers."""
    kept: dict[str, np.ndarray] = {"form": np.array(FORM), "units": np.array(units)}
    for name, value in weights.items():
        if value.ndim < 2:
            kept[name] = value.astype(np.float32)
            continue
        rows = value.reshape(len(value), -1)
        scale = np.maximum(np.abs(rows).max(1, keepdims=True), 1e-8) / 127
        kept[name + "|whole"] = np.round(rows / scale).astype(np.int8)
        kept[name + "|scale"] = scale.astype(np.float32)
        kept[name + "|shape"] = np.array(value.shape)
    with path.open("wb") as file:
        np.savez(file, **kept)                              # type: ignore[arg-type]


@dataclass(frozen=True)
class Map:
    """A linear map as it is kept, a byte a weight: (inputs, outputs), neighbours of a convolution in one row of inputs."""

    whole: np.ndarray
    scale: np.ndarray
    """(outputs,)"""

    bias: np.ndarray

    def __call__(self, now: np.ndarray) -> np.ndarray:
        return now @ self.whole.astype(np.float32) * self.scale + self.bias


def log_softmax(scores: np.ndarray) -> np.ndarray:
    """Over the last axis."""
    scores = scores - scores.max(-1, keepdims=True)
    return scores - np.log(np.exp(scores).sum(-1, keepdims=True))


def checksum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read(path: Path, sha256: str = "") -> tuple[dict[str, np.ndarray], tuple[str, ...]]:
    """What the file holds: its arrays as `write` names them, and the units' names. sha256: what it must have. Raises BadModel."""
    try:
        if sha256 and checksum(path) != sha256:
            raise BadModel(f"The speech model {path} is torn or not this station's; get the station's files again.")
        with np.load(path, allow_pickle=False) as kept:
            if int(kept["form"]) != FORM:
                raise BadModel(f"The speech model {path} is of another version (form {int(kept['form'])}, here {FORM}); get the "
                               "station's files again.")
            return {name: kept[name] for name in kept.files}, tuple(str(unit) for unit in kept["units"])
    except BadModel:
        raise
    except FileNotFoundError:
        raise BadModel(f"The speech model {path} is not there; get the station's files again.") from None
    except Exception as error:
        raise BadModel(f"The speech model {path} can't be read ({type(error).__name__}); get the station's files "
                       "again.") from None


def weights(kept: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """In 32 bits and their own shape, for training to go on from."""
    plain = {name: value for name, value in kept.items() if "|" not in name and name not in ("form", "units")}
    return plain | {name: (kept[name + "|whole"] * kept[name + "|scale"]).reshape(kept[name + "|shape"])
                    for name in (name[:-6] for name in kept if name.endswith("|whole"))}


class Encoder:
    """Sound -> how likely each sound of English is at each step of 20 ms."""

    def __init__(self, path: Path, sha256: str = "") -> None:
        """Raises BadModel."""
        kept, self.units = read(path, sha256)
        try:
            self.layers = 1 + max(int(name.split(".")[1]) for name in kept if name.startswith("layers."))
            self._maps, self._norms = {}, {}
            for name in (name.partition(".weight")[0] for name in kept if name.endswith((".weight", ".weight|whole"))):
                if name + ".weight" in kept:
                    self._norms[name] = kept[name + ".weight"], kept[name + ".bias"]
                    continue
                whole = kept[name + ".weight|whole"].reshape(kept[name + ".weight|shape"])
                inputs_first = whole.transpose(2, 1, 0).reshape(-1, len(whole)) if whole.ndim == 3 else whole.T
                self._maps[name] = Map(np.ascontiguousarray(inputs_first), kept[name + ".weight|scale"].ravel(),
                                       kept[name + ".bias"])
            self.log_probs(np.zeros(RATE // 5, np.float32))
        except (ValueError, KeyError, IndexError):
            raise BadModel(f"The speech model {path} lacks a part; get the station's files again.") from None

    def log_probs(self, sound: np.ndarray) -> np.ndarray:
        """Sound at RATE -> (steps of STEP_S, units): natural logarithms that add up to 1 as probabilities."""
        sound = sound * np.float32(PEAK / max(float(np.abs(sound).max(initial=0)), 1e-4))
        sound = np.pad(sound, (0, -len(sound) % (2 * HOP))).astype(np.float32)
        mel = np.pad(log_mel(sound), ((1, 1), (0, 0)))
        now = _gelu(self._map(np.concatenate([mel[:-2], mel[1:-1], mel[2:]], 1), "conv1"))
        now = np.pad(now, ((1, 1), (0, 0)))
        now = _gelu(self._map(np.concatenate([now[:-2:2], now[1:-1:2], now[2::2]], 1), "conv2"))
        now = now + positions(len(now))
        for number in range(self.layers):
            layer = f"layers.{number}."
            now = now + self._map(self._attended(self._map(self._evened(now, layer + "n1"), layer + "qkv")), layer + "out")
            now = now + self._map(_gelu(self._map(self._evened(now, layer + "n2"), layer + "up")), layer + "down")
        return log_softmax(self._map(self._evened(now, "norm"), "head"))

    def _map(self, now: np.ndarray, name: str) -> np.ndarray:
        return self._maps[name](now)

    def _evened(self, now: np.ndarray, name: str) -> np.ndarray:
        """Layer norm."""
        now = now - now.mean(1, keepdims=True)
        weight, bias = self._norms[name]
        return now / np.sqrt((now * now).mean(1, keepdims=True) + 1e-5) * weight + bias

    @staticmethod
    def _attended(asked: np.ndarray) -> np.ndarray:
        """(steps, 3 WIDTH) of what each step asks, offers and gives -> what each gets from all of them, in HEADS parts."""
        steps = len(asked)
        query, key, value = asked.reshape(steps, 3, HEADS, -1).transpose(1, 2, 0, 3)
        likeness = query @ key.transpose(0, 2, 1) * np.float32(1 / np.sqrt(WIDTH // HEADS))
        likeness = np.exp(likeness - likeness.max(-1, keepdims=True))
        likeness /= likeness.sum(-1, keepdims=True)
        return (likeness @ value).transpose(1, 0, 2).reshape(steps, WIDTH)


def _gelu(x: np.ndarray) -> np.ndarray:
    """By the tangent's formula, which is quicker than the error function and as good here."""
    return 0.5 * x * (1 + np.tanh(np.float32(0.79788456) * (x + np.float32(0.044715) * x * x * x)))
