"""Cuts a running microphone into utterances.

Time is counted in audio, never on a clock: a slow machine hears the same utterances as a quick one.
"""

from collections import deque

import numpy as np

from models.wav import RATE

FRAME_S = 0.02
_FRAME_BYTES = int(RATE * FRAME_S) * 2


def _frames(seconds: float) -> int:
    return round(seconds / FRAME_S)


class Listener:
    """Feed it blocks of 16 kHz 16-bit mono sound of any size; it returns each utterance once it is over.

    An utterance starts when the sound stands `over_db` above the noise floor for 60 ms and ends after `end_s`
    below that. The floor is the 20th percentile of the last five seconds, so that a mixer starting up is
    taken for the new background after a few seconds instead of being listened to for ever.
    """

    def __init__(self, over_db: float = 9.0, end_s: float = 0.7, longest_s: float = 10.0) -> None:
        self._over_db = over_db
        self._end = _frames(end_s)
        self._longest = _frames(longest_s)
        self._shortest = _frames(0.12)
        self._levels: deque[float] = deque(maxlen=_frames(5.0))
        self._rest = b""
        self.reset()

    def reset(self) -> None:
        """Drop what is being listened to (the station itself starts to speak); the noise floor stays."""
        self._rest = b""
        self._before: deque[bytes] = deque(maxlen=_frames(0.3))
        self._said: list[bytes] = []
        self._loud = self._quiet = 0

    @property
    def hearing(self) -> bool:
        """An utterance is under way."""
        return bool(self._said)

    def feed(self, block: bytes) -> list[bytes]:
        """The utterances that ended in this block, each with 0.3 s before it and its closing silence."""
        sound = self._rest + block
        whole = len(sound) // _FRAME_BYTES * _FRAME_BYTES
        self._rest = sound[whole:]
        frames = (sound[at:at + _FRAME_BYTES] for at in range(0, whole, _FRAME_BYTES))
        return [done for frame in frames if (done := self._frame(frame)) is not None]

    def flush(self) -> bytes | None:
        """The utterance under way when the sound stopped for good, if there is one."""
        return self._finish() if self._said else None

    def floor_db(self) -> float:
        """The background now, dB below full scale. Before half a second was heard it is at most -50."""
        if not self._levels:
            return -50.0
        floor = float(np.percentile(self._levels, 20))
        return floor if len(self._levels) >= _frames(0.5) else min(floor, -50.0)

    def _frame(self, frame: bytes) -> bytes | None:
        samples = np.frombuffer(frame, "<i2").astype(np.float32) / 32768
        now = 10 * float(np.log10((samples**2).mean() + 1e-9))
        self._levels.append(now)
        loud = now > max(self.floor_db(), -65.0) + self._over_db
        if not self._said:
            self._before.append(frame)
            self._loud = self._loud + 1 if loud else 0
            if self._loud >= _frames(0.06):
                self._said = list(self._before)
                self._quiet = 0
            return None
        self._said.append(frame)
        self._loud += loud
        self._quiet = 0 if loud else self._quiet + 1
        if self._quiet >= self._end or len(self._said) >= self._longest:
            return self._finish()
        return None

    def _finish(self) -> bytes | None:
        said, loud = self._said, self._loud
        self._said, self._loud, self._quiet = [], 0, 0
        self._before.clear()
        return b"".join(said) if loud >= self._shortest else None
