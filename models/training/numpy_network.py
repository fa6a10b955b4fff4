"""The station's own network as numbers, between torch (network.py) and Kaldi's file (kaldi.py).

Log-mel features, convolutions with ReLU and batch norm, every third frame, log-softmax over the units. An utterance's edges
repeat its first and its last frame.
"""

from dataclasses import dataclass

import numpy as np

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
