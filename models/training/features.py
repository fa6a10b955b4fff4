"""Kaldi's log-mel filterbank in torch, with a warp of the frequency axis for training (vocal tract length perturbation)."""

import math

import torch

from models.training.numpy_network import BINS, FFT, FLOOR, HIGH_HZ, HOP, LOW_HZ, WINDOW
from models.wav import RATE


def _mel(hz: torch.Tensor | float):
    return 1127.0 * torch.log(1 + torch.as_tensor(hz, dtype=torch.float64) / 700.0)


def filterbank(warp: float = 1.0) -> torch.Tensor:
    """(FFT / 2, BINS): triangles evenly spaced in mel. warp: each filter listens at its frequency times this, bent back to
    the top of the range above 6 kHz; 1 is Kaldi's own."""
    hz = torch.arange(FFT // 2, dtype=torch.float64) * RATE / FFT
    knee = 6000.0 * min(1.0, 1 / warp)
    bent = torch.where(hz <= knee * warp, hz / warp, 8000 - (8000 - hz) * (8000 - knee) / (8000 - knee * warp))
    at = _mel(bent)
    edges = torch.linspace(_mel(LOW_HZ), _mel(HIGH_HZ), BINS + 2, dtype=torch.float64)
    left, centre, right = edges[:-2], edges[1:-1], edges[2:]
    up = (at[:, None] - left) / (centre - left)
    down = (right - at[:, None]) / (right - centre)
    return torch.minimum(up, down).clamp(min=0).float()


def log_mel(sound: torch.Tensor, bank: torch.Tensor) -> torch.Tensor:
    """Sound (batch, samples) at 16-bit scale -> (batch, frames, BINS). bank: one for all, or (batch, FFT / 2, BINS)."""
    window = (0.5 - 0.5 * torch.cos(2 * math.pi * torch.arange(WINDOW, device=sound.device) / (WINDOW - 1))) ** 0.85
    frames = sound.unfold(-1, WINDOW, HOP)
    frames = frames - frames.mean(-1, keepdim=True)
    before = torch.cat([frames[..., :1], frames[..., :-1]], -1)
    power = torch.fft.rfft((frames - 0.97 * before) * window, FFT).abs().square()[..., :FFT // 2]
    return torch.matmul(power, bank).clamp(min=FLOOR).log()
