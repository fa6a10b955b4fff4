"""What `bowlside mic check` found, in plain sentences: what is right, and what to move."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from models import level
from models.level import Voice
from models.listener import Listener
from models.wav import RATE, to_pcm, to_sound

NO_VOICE_DB = 2.0
"""Over the noise: less than this is the noise itself rising and falling (see level.voice)."""


@dataclass(frozen=True)
class Measured:
    """One check. Levels are A-weighted dB below full scale."""
    noise_db: float | None
    """The background; None: there was no sound at all (switched off, unplugged, stuck)."""
    voice: Voice | None
    """The words that were asked for; None: none were heard."""
    offset_db: float = -120.0
    hum_hertz: int = 0
    cancels: bool = False
    """Two channels in opposite sense."""
    tail_s: float | None = None
    """How long the microphone stays deaf after the station's own voice; None: not checked."""
    echo_s: float | None = None
    """How long it really hears the station after its voice ends; None: not checked, or it does not hear it at all."""


@dataclass(frozen=True)
class Remark:
    good: bool
    words: str


def of(quiet: np.ndarray, spoken: np.ndarray, **more: Any) -> Measured:
    """From 16 kHz sound in -1..1: ``quiet`` without a voice, then ``spoken`` with one, cut as the station cuts it."""
    if level.is_silent(np.concatenate([quiet, spoken])):
        return Measured(None, None, **more)
    floor = level.background(level.loudness(quiet))
    listener = Listener()
    listener.feed(to_pcm(quiet))
    listener.reset()
    words = [*listener.feed(to_pcm(spoken)), listener.flush() or b""]
    voice = level.voice(to_sound(b"".join(words), RATE), floor) if any(words) else None
    return Measured(float(level.db(floor)), voice, level.offset_db(quiet), level.hum_hertz(quiet), **more)


def remarks(measured: Measured) -> list[Remark]:
    """Every one with what to do, if there is something to do."""
    if measured.cancels:
        return [Remark(False, "The two channels cancel each other: the microphone is wired for a balanced input. "
                              "Use its own adapter, or a mono plug.")]
    if measured.noise_db is None:
        return [Remark(False, "The microphone gives no sound at all: look at its plug, its switch and the input's level.")]
    return [*_voice(measured), *_faults(measured), *_deaf(measured)]


def _voice(measured: Measured) -> list[Remark]:
    voice = measured.voice
    if voice is None or voice.snr_db < NO_VOICE_DB:
        return [Remark(False, "No voice stood out of the noise: say the digits when asked, closer to the microphone.")]
    told = [_snr(round(voice.snr_db))]
    if voice.clipped > level.CLIPPED_SHARE:
        told.append(Remark(False, f"Turn the input down: {_percent(voice.clipped)} of the samples clip while you speak."))
    elif voice.peak_db > -level.HEADROOM_DB:
        told.append(Remark(False, f"Turn the input down a little: your voice peaks only {-voice.peak_db:.1f} dB below full "
                                  "scale, and over an engine you will speak louder."))
    elif voice.level_db < level.TOO_QUIET_DB:
        told.append(Remark(False, f"Turn the input up, or move the microphone closer: your voice is at {voice.level_db:.0f} dB; "
                                  f"{level.TOO_QUIET_DB:.0f} or more is good."))
    else:
        told.append(Remark(True, f"The level is right: your voice is at {voice.level_db:.0f} dB, its peak "
                                 f"{-voice.peak_db:.0f} dB below full scale."))
    return told


def _snr(over: int) -> Remark:
    good, poor = round(level.GOOD_SNR_DB), round(level.POOR_SNR_DB)
    if over >= good:
        return Remark(True, f"Speech is {over} dB over the noise: good.")
    if over >= poor:
        return Remark(False, f"Move the microphone closer: speech is {over} dB over the noise, so you will be asked again now "
                             f"and then; {good} or more is good.")
    return Remark(False, f"Move the microphone closer: speech is only {over} dB over the noise; {good} or more is good. "
                         "As it is, key the readings.")


def _faults(measured: Measured) -> list[Remark]:
    told = []
    if measured.hum_hertz:
        told.append(Remark(False, f"The mains hum at {measured.hum_hertz} Hz: use another power supply or a shielded cable."))
    if measured.offset_db > level.OFFSET_DB:
        told.append(Remark(False, f"The input stands off zero by {10 ** (measured.offset_db / 20) * 100:.0f} % of full scale: "
                                  "use another input or sound device."))
    return told


def _deaf(measured: Measured) -> list[Remark]:
    if measured.tail_s is None:
        return []
    if measured.echo_s is None:
        return [Remark(True, "The microphone does not hear the station's own voice.")]
    heard = f"The microphone hears the station for {max(measured.echo_s, 0.0):.2f} s after its voice has ended"
    if measured.echo_s <= measured.tail_s:
        return [Remark(True, f"{heard}, and is deaf for {measured.tail_s:.2f} s: right.")]
    return [Remark(False, f"{heard}, but is deaf for {measured.tail_s:.2f} s only: move the loudspeaker away from the "
                          "microphone, or turn it down.")]


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %" if share >= 0.01 else f"{share * 100:.1f} %"


def plain(measured: Measured) -> dict[str, object]:
    """For ``--json``: every figure, null where there is none."""
    voice, told = measured.voice, remarks(measured)
    return {"noise_db": _round(measured.noise_db),
            "voice_db": _round(voice.level_db if voice else None), "snr_db": _round(voice.snr_db if voice else None),
            "peak_db": _round(voice.peak_db if voice else None), "clipped_pct": round(voice.clipped * 100, 2) if voice else None,
            "offset_db": _round(measured.offset_db), "hum_hz": measured.hum_hertz or None, "channels_cancel": measured.cancels,
            "deaf_s": measured.tail_s, "echo_s": None if measured.echo_s is None else round(measured.echo_s, 3),
            "good": all(remark.good for remark in told), "remarks": [remark.words for remark in told]}


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
