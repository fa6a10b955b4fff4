"""The microphone: blocks of 30 ms, kept away while the station itself sounds."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable

import numpy as np
import soxr

from hardware.over_talk import OverTalk
from hardware.ports import Device, Trouble
from hardware.sound_devices import LOST_AFTER_S, Kept, SoundError, close_stream, open_stream, reason

RATE = 16000               # samples a second, 16-bit signed mono: what the recognisers take
BLOCK = 480                # samples in a block: 30 ms
HELD_BLOCKS = 200          # 6 s wait for a busy recogniser; older blocks are dropped and counted


class MicrophoneError(SoundError):
    """No microphone can be had; str() is one plain sentence."""


class SoundInput:
    """The recording device, open. `take(bytes)` is called from PortAudio's thread with whatever length it
    gives, at RATE: recorded so, or at the device's own rate and resampled."""

    latency_s = 0.0

    def __init__(self, take: Callable[[bytes], None], device: str | int | None = None) -> None:
        self._take = take
        self._last = time.monotonic()
        self.flows = False                 # a first block has come
        self.overruns = 0
        try:
            self._stream = open_stream(lambda sd: self._start(sd, device))
        except MicrophoneError:
            raise
        except SoundError as e:
            raise MicrophoneError(str(e)) from None
        self._last = time.monotonic()      # PortAudio's start alone may take longer than LOST_AFTER_S
        self.latency_s = self._stream.latency

    def _start(self, sd, device: str | int | None):
        try:
            own = int(sd.query_devices(device, "input")["default_samplerate"])
        except (sd.PortAudioError, ValueError) as e:
            raise _missing(e) from None
        for rate in (RATE, own):
            self._resampler = None if rate == RATE else soxr.ResampleStream(rate, RATE, 1, "int16", "MQ")
            stream = None
            try:
                stream = sd.RawInputStream(rate, round(rate * BLOCK / RATE), device, 1, "int16",
                                           callback=lambda data, n, _t, status: self._callback(data, status))
                stream.start()
            except (sd.PortAudioError, ValueError, OSError) as e:
                problem = e
                if stream is not None:     # open, and would keep the device from the next try
                    stream.close()
            else:
                return stream
        raise _missing(problem)

    def _callback(self, data, status) -> None:
        self._last, self.flows = time.monotonic(), True
        self.overruns += bool(status.input_overflow)
        pcm = bytes(data)
        if self._resampler:
            pcm = self._resampler.resample_chunk(np.frombuffer(pcm, np.int16)).tobytes()
        self._take(pcm)

    @property
    def alive(self) -> bool:
        return self._stream.active and time.monotonic() - self._last < LOST_AFTER_S

    def close(self) -> None:
        close_stream(self._stream)


class Microphone:
    """Calls `on_block(bytes)` with 960 bytes (30 ms) at a time from its own thread, as long as `is_deaf()`
    is false.

    on_block     what listens; an exception in it is told to on_trouble and the microphone goes on
    is_deaf      usually `Speaker.is_deaf`
    on_trouble   one plain sentence when the microphone is missing or lost; it is tried again after
                 0.25 to 5 s
    on_back      called each time a device has opened, the first time too
    on_deaf      called once as a deaf time begins: half an utterance caught before it is not to be joined
                 with what comes after
    open_input   takes `take(bytes)`, returns an open device (another one in tests)
    over         takes the station's own voice out of each block (`hardware.over_talk`); None: nothing does
    """

    RATE, BLOCK = RATE, BLOCK

    def __init__(self, on_block: Callable[[bytes], None], is_deaf: Callable[[], bool],
                 on_trouble: Trouble = lambda sentence: None, on_deaf: Callable[[], None] = lambda: None,
                 on_back: Callable[[], None] = lambda: None, device: str | int | None = None,
                 open_input: Callable[[Callable[[bytes], None]], Device] | None = None,
                 over: OverTalk | None = None) -> None:
        self._on_block, self._is_deaf, self._over = on_block, is_deaf, over
        self._on_trouble, self._on_deaf = on_trouble, on_deaf
        self.dropped = 0                   # blocks lost because the listener was too slow
        self._queue: queue.Queue[tuple[bytes, float, bool] | None] = queue.Queue(HELD_BLOCKS)
        self._rest = b""
        self._thread = threading.Thread(target=self._run, name="microphone", daemon=True)
        self._thread.start()
        opener = open_input or (lambda take: SoundInput(take, device))
        self._kept = Kept(lambda: opener(self._take), on_trouble, lambda _device: on_back(),
                          lost="The microphone is gone: use the keypad; connect the microphone again.")

    @property
    def up(self) -> bool:
        """True while a device records."""
        return self._kept.up

    def close(self) -> None:
        self._kept.close()
        self._put(None)
        if self._thread is not threading.current_thread():
            self._thread.join(2)

    def _take(self, pcm: bytes) -> None:
        # Deafness is decided as the sound arrives, not when a busy listener gets to it.
        deaf, stamp = self._is_deaf(), self._over.stamp() if self._over else 0.0
        if deaf and not self._over:
            self._rest = b""
            self._put((b"", 0.0, True))
            return
        pcm = self._rest + pcm
        whole = len(pcm) - len(pcm) % (2 * BLOCK)
        for at in range(0, whole, 2 * BLOCK):
            self._put((pcm[at:at + 2 * BLOCK], stamp - (len(pcm) - at - 2 * BLOCK) / 2 / RATE, deaf))
        self._rest = pcm[whole:]

    def _put(self, block: tuple[bytes, float, bool] | None) -> None:
        while True:
            try:
                self._queue.put_nowait(block)
                return
            except queue.Full:
                try:
                    self._queue.get_nowait()
                    self.dropped += 1
                except queue.Empty:
                    pass

    def _run(self) -> None:
        was_deaf = told = False
        while (waiting := self._queue.get()) is not None:
            block, stamp, deaf = waiting
            try:
                if self._over:
                    block = self._over.clean(block, stamp)
                if not deaf:
                    self._on_block(block)
                elif not was_deaf:
                    self._on_deaf()
                told = False
            except Exception as e:
                if not told:
                    self._on_trouble(f"Listening failed ({e}): use the keypad; the microphone goes on.")
                told = True
            was_deaf = deaf


def two_channels(seconds: float) -> tuple[np.ndarray, np.ndarray] | None:
    """Left and right as the device gives them, int16 as floats in -1..1, at the device's own rate; None where it has no two
    channels. Nothing else may record meanwhile."""
    parts: list[bytes] = []

    def start(sd):
        about = sd.query_devices(None, "input")
        if about["max_input_channels"] < 2:
            raise SoundError("This microphone has one channel.")
        stream = sd.RawInputStream(int(about["default_samplerate"]), 0, None, 2, "int16",
                                   callback=lambda data, *_: parts.append(bytes(data)))
        stream.start()
        return stream
    try:
        stream = open_stream(start)
    except Exception:
        return None
    time.sleep(seconds)
    close_stream(stream)
    both = np.frombuffer(b"".join(parts), "<i2").reshape(-1, 2).astype(np.float32) / 32768
    return (both[:, 0], both[:, 1]) if len(both) else None


def _missing(problem: Exception) -> MicrophoneError:
    return MicrophoneError(f"No microphone opens ({reason(problem)}): connect one, or use the keypad.")
