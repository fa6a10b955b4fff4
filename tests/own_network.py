"""The station's own network computed in numpy, to hold vosk and torch against: the features and the convolutions."""
from __future__ import annotations

import functools

import numpy as np

from models.encoder import log_softmax
from models.training.numpy_network import BINS, FFT, FLOOR, HIGH_HZ, HOP, LOW_HZ, SUBSAMPLE, WINDOW, Network
from models.wav import RATE


def log_probs(network: Network, features: np.ndarray) -> np.ndarray:
    """Features (frames, BINS) -> (steps, units): natural logarithms that add up to 1 as probabilities.

    Step n belongs to frame 3 n.
    """
    if not len(features):
        return np.zeros((0, len(network.units)), np.float32)
    last = (len(features) - 1) // SUBSAMPLE * SUBSAMPLE
    context, step = sum(layer.offsets[-1] for layer in network.layers), 1
    at = np.arange(-context, last + context + 1)                       # the frames that `now` holds
    now = features[np.clip(at, 0, len(features) - 1)].astype(np.float32)
    for number, layer in enumerate(network.layers):
        context -= layer.offsets[-1]
        later = {offset for after in network.layers[number + 1:] for offset in after.offsets}
        wide = SUBSAMPLE if all(offset % SUBSAMPLE == 0 for offset in later) else 1
        at_next = np.arange(-context, last + context + 1, wide)
        here = (at_next - at[0]) // step
        seen = np.concatenate([now[here + offset // step] for offset in layer.offsets], axis=1)
        flat = layer.weight.transpose(0, 2, 1).reshape(len(layer.bias), -1)
        out = (np.maximum(seen @ flat.T + layer.bias, 0) - layer.mean) / np.sqrt(layer.var)
        now, at, step = (out + now[here] if layer.residual else out), at_next, wide
    return log_softmax(now @ network.output_weight.T + network.output_bias)


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
