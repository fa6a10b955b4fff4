"""Whether the station can hear: what it would tell the technician of the microphone's last minute, in audio time."""
from __future__ import annotations

from collections import deque
from typing import Literal

import numpy as np

from models import level
from models.wav import RATE, to_sound

Hearing = Literal["good", "noisy", "silent", "clipping"]

POOR_DB, GOOD_AGAIN_DB = level.POOR_SNR_DB, level.POOR_SNR_DB + 4
"""Voice over noise: below the one it has become too loud, above the other it is good again. The 4 dB between are more than the
estimate is off, so that it does not say both by turns."""
NOISE_S = 8.0
"""The noise must have been so for this long: a passing truck is nobody's news."""
USUAL_VOICE_DB = -22.0
"""Of a voice at working distance, until one was heard. With `bowlside mic check` in order none is softer by much; ours."""
MINUTE_S = 60.0
"""Between two changes that are told, and how far back utterances count. Audio time: while the station talks it stands."""
SILENT_S, AGAIN_S = level.STUCK_S, 1.0
LAST = 3
"""Of the last so many voices two must clip, or none any more; and the usual voice is their middle one."""
SHORTEST_S = 0.14
"""See level.Voice.seconds: anything shorter is a blow."""


class Watch:
    """Feed it what the microphone gives (not what it gives while the mallet strikes); tell it of each utterance.

    ``feed``, ``measure`` and ``news`` belong to one thread, ``heard`` may be called from another.

    ``told`` is what the technician knows; ``news()`` is the change that he should be told now, at most one a minute.
    """

    def __init__(self) -> None:
        self.told: Hearing = "good"
        self._told_at = -MINUTE_S
        self._now = 0.0
        self._power: deque[float] = deque(maxlen=round(NOISE_S / level.FRAME_S))
        self._voices: deque[tuple[float, level.Voice]] = deque(maxlen=LAST)
        self._levels: deque[float] = deque(maxlen=LAST)
        self._voice_db = USUAL_VOICE_DB
        self._dead_s = self._alive_s = 0.0
        self._rest = np.zeros(0, np.float32)

    def feed(self, block: bytes) -> None:
        """16-bit mono sound at 16 kHz, any length."""
        sound = to_sound(block, RATE)
        seconds = len(sound) / RATE
        self._now += seconds
        if level.is_silent(sound):
            self._dead_s, self._alive_s = self._dead_s + seconds, 0.0
        else:
            self._dead_s, self._alive_s = 0.0, self._alive_s + seconds
        self._rest = np.concatenate([self._rest, sound])
        power = level.spectra(self._rest) @ level.A_WEIGHT
        self._rest = self._rest[len(power) * level.FRAME:]
        self._power.extend(power)

    def measure(self, pcm: bytes) -> level.Voice | None:
        """The utterance that was just cut out, over the background of now."""
        return level.voice(to_sound(pcm, RATE), self.background())

    def heard(self, voice: level.Voice | None, understood: bool) -> None:
        """Only what was understood tells how loud the technician is; what clips may be his voice, as it can't be understood."""
        if voice is None or voice.seconds < SHORTEST_S or not (understood or voice.snr_db >= POOR_DB):
            return
        self._voices.append((self._now, voice))
        if understood:
            self._levels.append(voice.level_db)
            self._voice_db = float(np.median(list(self._levels)))

    def background(self) -> float:
        """Power of the last eight seconds without voice and blows."""
        return level.background(np.array(self._power))

    @property
    def snr_db(self) -> float:
        """The usual voice over the noise of the last eight seconds."""
        return self._voice_db - float(level.db(self.background()))

    def news(self) -> Hearing | None:
        """What has changed since it was last told; None: nothing, or it is too soon. Counts as told."""
        now = self._judge()
        if now == self.told or self._now - self._told_at < MINUTE_S:
            return None
        self.told, self._told_at = now, self._now
        return now

    def _judge(self) -> Hearing:
        if self._dead_s >= SILENT_S or (self.told == "silent" and self._alive_s < AGAIN_S):
            return "silent"
        if len(self._power) == self._power.maxlen and self.snr_db < (GOOD_AGAIN_DB if self.told == "noisy" else POOR_DB):
            return "noisy"
        clip = [voice.clipped > level.CLIPPED_SHARE for at, voice in list(self._voices) if self._now - at < MINUTE_S]
        if sum(clip) >= (1 if self.told == "clipping" else 2):
            return "clipping"
        return "good"
