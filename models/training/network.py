"""The network, as torch trains it: convolutions over time, each with ReLU and batch norm, every third frame from the third on.

Kaldi's nnet3 can express all of it, so vosk runs it as it is: see export.py and numpy_network.py.
"""

import torch
from torch import nn
from torch.nn import functional

from models.training.numpy_network import BINS, SUBSAMPLE
from models.training.texts import SOUNDS

DILATIONS = (1, 1, 2, 1, 2, 1, 2, 1)
"""Of the blocks behind the third, in steps of 30 ms. All in all a step sees 0.37 s on either side."""


class Block(nn.Module):
    """Convolution without padding, ReLU, batch norm; `residual` adds what went in, cut to fit."""

    def __init__(self, inputs: int, outputs: int, kernel: int, dilation: int = 1, stride: int = 1, residual: bool = False,
                 dropout: float = 0.1) -> None:
        super().__init__()
        self.conv = nn.Conv1d(inputs, outputs, kernel, stride=stride, dilation=dilation)
        self.norm = nn.BatchNorm1d(outputs, affine=False)
        self.dropout = nn.Dropout(dropout)
        self.residual = residual
        self.edge = dilation * (kernel // 2)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = self.dropout(self.norm(functional.relu(self.conv(x))))
        return x[..., self.edge:-self.edge] + y if self.residual else y


class Network(nn.Module):
    """Features (batch, BINS, frames) with `context` more frames at each end -> unit and word scores at each third frame."""

    context = 4 + SUBSAMPLE * sum(DILATIONS)

    def __init__(self, channels: int = 256, words: int = 0, dropout: float = 0.1) -> None:
        """words: size of a second output that only helps to train (a word each, like the units); 0: none."""
        super().__init__()
        self.norm = nn.BatchNorm1d(BINS, affine=False)
        first = (Block(BINS, channels, 5, dropout=dropout), Block(channels, channels, 3, dropout=dropout),
                 Block(channels, channels, 3, stride=SUBSAMPLE, dropout=dropout))
        rest = (Block(channels, channels, 3, dilation=dilation, residual=True, dropout=dropout) for dilation in DILATIONS)
        self.blocks = nn.ModuleList([*first, *rest])
        self.units = nn.Conv1d(channels, 1 + len(SOUNDS), 1)
        self.words = nn.Conv1d(channels, words, 3, padding=1) if words else None

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor | None]:
        x = self.norm(x)
        for block in self.blocks:
            x = block(x)
        return self.units(x), self.words(x) if self.words is not None else None


def with_edges(features: torch.Tensor, lengths: torch.Tensor) -> torch.Tensor:
    """Features (batch, frames, BINS) -> (batch, BINS, frames + 2 context): the first and the last frame of each repeated,
    as Kaldi does at an utterance's edges. lengths: frames of each."""
    context = Network.context
    at = torch.arange(-context, features.shape[1] + context, device=features.device)
    at = torch.minimum(at[None].clamp(min=0), lengths[:, None] - 1)
    return features.gather(1, at[..., None].expand(-1, -1, features.shape[2])).transpose(1, 2)
