"""The station's own network in numpy: the features and the convolutions that vosk runs, for checks.

The same as network.py (torch) makes and Kaldi computes: log-mel features, convolutions with ReLU and batch norm, every
third frame, log-softmax over the units. An utterance's edges repeat its first and its last frame.
"""

import functools
from dataclasses import dataclass

import numpy as np

from models.encoder import log_softmax
from models.wav import RATE

BINS, WINDOW, HOP, FFT = 40, 400, 160, 512
LOW_HZ, HIGH_HZ = 60.0, 7600.0
FLOOR = 1.1920929e-07
"""Kaldi's: the smallest step of a 32-bit float. Power is that of 16-bit samples."""
SUBSAMPLE = 3


@dataclass(frozen=True)
class Layer:
    """A convolution over time, ReLU, batch norm."""

    weight: np.ndarray
    """(outputs, inputs, offsets), float32."""

    bias: np.ndarray
    """(outputs,)"""

    offsets: tuple[int, ...]
    """In frames of 10 ms, ascending, around 0."""

    mean: np.ndarray
    """(outputs,), of the batch norm after ReLU."""

    var: np.ndarray
    """(outputs,); what is added to it before the root is taken is in it."""

    residual: bool = False
    """What goes in is added to what comes out."""


@dataclass(frozen=True)
class Network:
    """Layers, then one more linear layer to the units."""

    layers: tuple[Layer, ...]
    output_weight: np.ndarray
    """(units, channels)"""

    output_bias: np.ndarray
    """(units,)"""

    units: tuple[str, ...]
    """Their names; the first is CTC's blank."""

    @property
    def context(self) -> int:
        """Frames that an output sees on either side."""
        return sum(layer.offsets[-1] for layer in self.layers)

    def log_probs(self, features: np.ndarray) -> np.ndarray:
        """Features (frames, BINS) -> (steps, units): natural logarithms that add up to 1 as probabilities.

        Step n belongs to frame 3 n.
        """
        if not len(features):
            return np.zeros((0, len(self.units)), np.float32)
        last = (len(features) - 1) // SUBSAMPLE * SUBSAMPLE
        context, step = self.context, 1
        at = np.arange(-context, last + context + 1)                       # the frames that `now` holds
        now = features[np.clip(at, 0, len(features) - 1)].astype(np.float32)
        for number, layer in enumerate(self.layers):
            context -= layer.offsets[-1]
            later = {offset for one in self.layers[number + 1:] for offset in one.offsets}
            wide = SUBSAMPLE if all(offset % SUBSAMPLE == 0 for offset in later) else 1
            at_next = np.arange(-context, last + context + 1, wide)
            here = (at_next - at[0]) // step
            seen = np.concatenate([now[here + offset // step] for offset in layer.offsets], axis=1)
            flat = layer.weight.transpose(0, 2, 1).reshape(len(layer.bias), -1)
            out = (np.maximum(seen @ flat.T + layer.bias, 0) - layer.mean) / np.sqrt(layer.var)
            now, at, step = (out + now[here] if layer.residual else out), at_next, wide
        return log_softmax(now @ self.output_weight.T + self.output_bias)


def fbank(sound: np.ndarray) -> np.ndarray:
    """Kaldi's log-mel filterbank (frames, BINS) of a sound at RATE, full scale 1; shorter than one window: no frame."""
    if len(sound) < WINDOW:
        return np.zeros((0, BINS), np.float32)
    samples = np.asarray(sound, np.float64) * 32768
    frames = np.lib.stride_tricks.sliding_window_view(samples, WINDOW)[::HOP]
    frames = frames - frames.mean(axis=1, keepdims=True)
    before = np.concatenate([frames[:, :1], frames[:, :-1]], axis=1)
    window, bank = _tables()
    power = np.abs(np.fft.rfft((frames - 0.97 * before) * window, FFT))[:, :FFT // 2] ** 2
    return np.log(np.maximum(power @ bank, FLOOR)).astype(np.float32)


@functools.cache
def _tables() -> tuple[np.ndarray, np.ndarray]:
    """Kaldi's "povey" window, and triangles evenly spaced in mel, (FFT / 2, BINS)."""
    window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / (WINDOW - 1))) ** 0.85

    def mel(hz: np.ndarray | float) -> np.ndarray:
        return 1127 * np.log(1 + np.asarray(hz) / 700)

    at = mel(np.arange(FFT // 2) * RATE / FFT)[:, None]
    edges = np.linspace(mel(LOW_HZ), mel(HIGH_HZ), BINS + 2)
    left, centre, right = edges[:-2], edges[1:-1], edges[2:]
    return window, np.maximum(np.minimum((at - left) / (centre - left), (right - at) / (right - centre)), 0)
