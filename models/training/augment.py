"""Makes a building site of clean clips, on the GPU if there is one: rooms, distance, noise, telephones, clipping, gain.

Everything works on a batch (n, samples), float, full scale 1, and draws from torch's seeded dice.
"""

import math
from dataclasses import dataclass

import torch
from torch.nn import functional

from models.wav import RATE


@dataclass(frozen=True)
class Noise:
    """Ranges from which one noise of a kind is drawn; shares are by loudness against the coloured hiss, which has 1."""

    slope: tuple[float, float] = (0.0, 2.0)
    """Of the hiss: power falls with frequency to this power; 0 is white, 1 pink, 2 brown."""

    swing_hz: tuple[float, float] = (0.2, 20.0)
    swing: tuple[float, float] = (0.0, 0.9)
    tone_hz: tuple[float, float] = (20.0, 160.0)
    tone: tuple[float, float] = (0.0, 2.0)
    """A tone with its overtones: firing strokes, a gear, mains hum, a whistle."""

    fall: tuple[float, float] = (0.3, 1.2)
    """How fast overtones fall: amplitude by 1 / number to this power."""

    blows_hz: tuple[float, float] = (0.8, 40.0)
    blows: tuple[float, float] = (0.0, 3.0)
    ring_hz: tuple[float, float] = (150.0, 6000.0)


NOISES = {
    "anything": Noise(),
    "diesel idling": Noise((0.8, 2.0), (0.3, 3), (0.1, 0.5), (18, 45), (0.5, 2.5), (0.3, 0.9), blows=(0, 0.3)),
    "diesel revving": Noise((0.5, 1.5), (0.2, 1), (0, 0.4), (40, 120), (0.5, 2.5), (0.3, 1), blows=(0, 0.2)),
    "generator": Noise((0.5, 1.2), (0.2, 1), (0, 0.2), (45, 65), (0.5, 2), (0.4, 1.2), blows=(0, 0.2)),
    "mixer drum": Noise((0.4, 1.4), (0.2, 6), (0.3, 0.9), (15, 40), (0, 0.8), blows_hz=(4, 40), blows=(0.2, 1.5)),
    "gravel": Noise((0, 0.6), (0.5, 4), (0.2, 0.9), tone=(0, 0), blows_hz=(20, 40), blows=(0.5, 3), ring_hz=(1500, 7000)),
    "water jet": Noise((-0.3, 0.5), (0.2, 2), (0, 0.3), tone=(0, 0), blows=(0, 0)),
    "air escaping": Noise((-0.8, 0.2), (0.2, 8), (0, 0.5), (400, 3000), (0, 0.4), (0.8, 1.5), blows=(0, 0)),
    "wind": Noise((1.5, 3.0), (0.2, 1.2), (0.3, 0.9), tone=(0, 0), blows=(0, 0.2), ring_hz=(40, 200)),
    "rain": Noise((-0.3, 0.6), (0.2, 1), (0, 0.2), tone=(0, 0), blows_hz=(20, 40), blows=(0.3, 1.5), ring_hz=(800, 7000)),
    "traffic": Noise((0.8, 1.8), (0.1, 0.5), (0.2, 0.8), (30, 90), (0, 0.6), blows=(0, 0.2)),
    "saw": Noise((0, 0.8), (0.3, 4), (0.1, 0.6), (80, 600), (0.5, 2.5), (0.1, 0.7), blows=(0, 0.3)),
    "grinder": Noise((-0.5, 0.4), (0.3, 4), (0.1, 0.6), (100, 800), (0.3, 1.5), (0, 0.5), blows=(0, 0.3)),
    "poker vibrator": Noise((0.2, 1.2), (0.5, 8), (0, 0.4), (120, 250), (0.5, 2.5), (0.2, 0.8), blows=(0, 0.4)),
    "piston pump": Noise((0.6, 1.4), (0.5, 2.5), (0.4, 0.9), (30, 90), (0, 1), blows_hz=(0.8, 3), blows=(0.3, 1.5)),
    "reversing beeper": Noise((0.6, 1.6), (0.8, 2), (0.8, 0.99), (900, 1600), (1, 3), (1.5, 3), blows=(0, 0)),
    "steel on steel": Noise((0.4, 1.6), blows_hz=(0.8, 4), tone=(0, 0.3), blows=(1, 4), ring_hz=(600, 6500)),
    "hammer on wood": Noise((0.6, 1.6), blows_hz=(0.8, 5), tone=(0, 0.3), blows=(1, 4), ring_hz=(120, 900)),
    "footsteps": Noise((0.6, 1.6), blows_hz=(1.5, 3), tone=(0, 0.1), blows=(0.5, 2), ring_hz=(100, 2500)),
    "mains hum": Noise((0.2, 1.2), (0.1, 0.5), (0, 0.1), (48, 62), (0.5, 2.5), (0.2, 1), blows=(0, 0)),
    "whistling fan": Noise((0, 1), (0.1, 0.5), (0, 0.2), (200, 900), (0.2, 1.2), (0.3, 1), blows=(0, 0)),
}
"""Kinds of noise of a building site, made; the shares are ours, no source. With other people's talk (see `site`) 22."""

ANYTHING_SHARE = 0.3
"""Noises drawn from the whole range, so that a kind nobody thought of is not new either."""

_FIELDS = ("slope", "swing_hz", "swing", "tone_hz", "tone", "fall", "blows_hz", "blows", "ring_hz")
_LOGARITHMIC = ("swing_hz", "tone_hz", "blows_hz")


class Site:
    """Augments batches of a fixed length on one device. Noise and speech are compared A-weighted (IEC 61672's formula, from
    memory), as the bench does: a rumble that hides no word is strong otherwise."""

    def __init__(self, samples: int, device: str) -> None:
        self.samples, self.device = samples, device
        self._time = torch.arange(samples, device=device)
        self._hz = torch.linspace(0, RATE / 2, samples // 2 + 1, device=device)
        f2 = self._hz**2
        self._ear = (12194**2 * f2**2 / ((f2 + 20.6**2) * ((f2 + 107.7**2) * (f2 + 737.9**2)).sqrt() * (f2 + 12194**2)) * 1.26)
        table = torch.tensor([[getattr(kind, name) for name in _FIELDS] for kind in NOISES.values()], device=device)
        self._table = table.permute(1, 2, 0)                # (field, low or high, kind)

    def _between(self, low, high, *shape: int) -> torch.Tensor:
        return low + (high - low) * torch.rand(*shape, device=self.device)

    def _some(self, n: int, share: float) -> torch.Tensor:
        return torch.rand(n, 1, device=self.device) < share

    def _curve(self, n: int, db: float) -> torch.Tensor:
        """A smooth random curve over frequency, as amplitudes (n, samples / 2 + 1)."""
        knots_db = self._between(-db, db, n, 1, 9)
        return 10 ** (functional.interpolate(knots_db, size=len(self._hz), mode="linear", align_corners=True)[:, 0] / 20)

    def _filtered(self, sound: torch.Tensor, curve: torch.Tensor) -> torch.Tensor:
        return torch.fft.irfft(torch.fft.rfft(sound) * curve, n=self.samples)

    def _convolved(self, sound: torch.Tensor, response: torch.Tensor) -> torch.Tensor:
        size = 2 * self.samples
        return torch.fft.irfft(torch.fft.rfft(sound, n=size) * torch.fft.rfft(response, n=size), n=size)[:, :self.samples]

    def noise(self, n: int) -> torch.Tensor:
        """n noises of random kinds, each with a standard deviation of 1."""
        kind = torch.where(torch.rand(n, device=self.device) < ANYTHING_SHARE, 0,
                           torch.randint(0, len(NOISES), (n,), device=self.device))
        drawn = {}
        for row, name in enumerate(_FIELDS):
            low, high = self._table[row, 0, kind][:, None], self._table[row, 1, kind][:, None]
            if name in _LOGARITHMIC:
                low, high = low.log(), high.log()
            drawn[name] = self._between(low, high, n, 1)
            if name in _LOGARITHMIC:
                drawn[name] = drawn[name].exp()
        tilt = self._hz.clamp(min=25)[None] ** (-drawn["slope"] / 2) * self._curve(n, 8)
        sound = self._filtered(torch.randn(n, self.samples, device=self.device), tilt)
        sound = sound / sound.std(1, keepdim=True)
        seconds = self._time / RATE
        swing = torch.sin(2 * math.pi * drawn["swing_hz"] * seconds + self._between(0, 6.3, n, 1))
        sound = sound * (1 + drawn["swing"] * swing)
        sound = sound + drawn["tone"] * self._tone(n, drawn["tone_hz"], drawn["fall"]) * (1 + drawn["swing"] * swing)
        sound = sound + drawn["blows"] * self._blows(n, drawn["blows_hz"], self._table[-1, :, kind])
        return sound / (sound.std(1, keepdim=True) + 1e-6)

    def _tone(self, n: int, hz: torch.Tensor, fall: torch.Tensor) -> torch.Tensor:
        """A wavering tone and its overtones: a train of waves shaped in the spectrum would be cheaper, but this is plain."""
        waver = functional.interpolate(torch.randn(n, 1, 20, device=self.device), size=self.samples, mode="linear")[:, 0]
        phase = 2 * math.pi * torch.cumsum(hz * (1 + 0.01 * waver) / RATE, 1)
        sound = torch.zeros(n, self.samples, device=self.device)
        for number in range(1, 25):
            audible = number * hz < 7600
            sound += torch.sin(number * phase + self._between(0, 6.3, n, 1)) * number ** -fall * audible
        return sound / (sound.std(1, keepdim=True) + 1e-6)

    def _blows(self, n: int, hz: torch.Tensor, ring: torch.Tensor) -> torch.Tensor:
        strength = torch.randn(n, self.samples, device=self.device).exp()
        hits = (torch.rand(n, self.samples, device=self.device) < hz / RATE) * strength
        seconds = torch.arange(4800, device=self.device) / RATE
        low, high = ring[0][:, None].log(), ring[1][:, None].log()
        body = sum(torch.exp(-seconds * self._between(20, 250, n, 1))
                   * torch.sin(2 * math.pi * self._between(low, high, n, 1).exp() * seconds) for _ in range(5))
        struck = self._convolved(hits, body)
        return struck / (struck.std(1, keepdim=True) + 1e-6)

    def site(self, clean: torch.Tensor) -> torch.Tensor:
        """The clean sounds as a microphone at the pour might give them, each in its own place, full scale 1."""
        n = len(clean)
        sound = self._in_a_room(clean)
        sound = self._filtered(sound, self._microphone(n))
        spoken = sound.abs() > 0.05 * sound.abs().amax(1, keepdim=True)
        weighed = self._filtered(sound, self._ear)
        loudness = ((weighed**2 * spoken).sum(1) / (spoken.sum(1) + 1)).sqrt()[:, None] + 1e-5
        snr_db = torch.where(self._some(n, 0.2), self._between(30, 60, n, 1), self._between(-2, 30, n, 1))
        talk = torch.roll(sound, 1, 0) + 0.6 * torch.roll(sound, 2, 0) + 0.5 * torch.roll(sound, 3, 0)
        others = self._some(n, 0.08)                        # 22nd kind: other people, never louder than 8 dB below
        noise = torch.where(others, talk, self.noise(n))
        snr_db = torch.where(others, snr_db.clamp(min=8), snr_db)
        noise = noise / (self._filtered(noise, self._ear).std(1, keepdim=True) + 1e-5)
        sound = sound + noise * loudness * 10 ** (-snr_db / 20)
        return self._recorded(sound)

    def _in_a_room(self, sound: torch.Tensor) -> torch.Tensor:
        """Half of them with reflections: exponentially fading noise, stronger with distance; a direct sound before it."""
        n, length = len(sound), 8000
        seconds = torch.arange(length, device=self.device) / RATE
        echo = torch.randn(n, length, device=self.device) * torch.exp(-6.9 * seconds / self._between(0.08, 0.7, n, 1))
        echo = echo / (echo.square().sum(1, keepdim=True).sqrt() + 1e-6) * 10 ** (self._between(-20, 2, n, 1) / 20)
        echo[:, :24] *= 0.2
        echo[:, 0] = 1
        return torch.where(self._some(n, 0.5), self._convolved(sound, echo), sound)

    def _microphone(self, n: int) -> torch.Tensor:
        """Each microphone colours; four in ten cut what a telephone cuts."""
        curve = self._curve(n, 8)
        telephone = self._some(n, 0.42)
        low = torch.where(telephone, self._between(100, 400, n, 1), self._some(n, 0.3) * self._between(30, 300, n, 1))
        high = torch.where(telephone, self._between(2800, 3950, n, 1),
                           torch.where(self._some(n, 0.25), self._between(4500, 7500, n, 1), 9000.0))
        return curve * torch.sigmoid((self._hz[None] - low) / 25) * torch.sigmoid((high - self._hz[None]) / 60)

    def _recorded(self, sound: torch.Tensor) -> torch.Tensor:
        """Clipped, squeezed through a telephone codec or a coarse transform codec, at some gain, with the input's own hiss."""
        n = len(sound)
        sound = sound / (sound.abs().amax(1, keepdim=True) + 1e-6)
        ceiling = torch.where(self._some(n, 0.15), self._between(0.15, 0.9, n, 1), 1.0)
        sound = torch.minimum(torch.maximum(sound, -ceiling), ceiling)
        squeezed = torch.sign(sound) * torch.log1p(255 * sound.abs()) / math.log(256)          # mu-law, ITU-T G.711
        squeezed = torch.round(squeezed * 127) / 127
        sound = torch.where(self._some(n, 0.2), torch.sign(squeezed) * (256 ** squeezed.abs() - 1) / 255, sound)
        coded = max(1, n // 8)
        sound = torch.cat([self._coarse(sound[:coded]), sound[coded:]])
        sound = sound * 10 ** (self._between(-30, 0, n, 1) / 20)
        return sound + torch.randn_like(sound) * 10 ** (self._between(-95, -66, n, 1) / 20)

    def _coarse(self, sound: torch.Tensor) -> torch.Tensor:
        """What a cheap transform codec or a denoiser leaves: weak cells of the spectrum dropped."""
        window = torch.hann_window(512, device=self.device)
        cells = torch.stft(sound, 512, 128, window=window, return_complex=True)
        loud = cells.abs()
        floor = loud.amax(1, keepdim=True) * 10 ** (self._between(-45, -22, len(sound), 1, 1) / 20)
        return torch.istft(cells * (loud > floor), 512, 128, window=window, length=self.samples)
