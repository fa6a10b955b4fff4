"""PortAudio itself: when its list of devices is read again, a start that fails or takes long, a stream that opens but does not
start. A stand-in for the library alone, on waits made ten times as short.
"""
from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from hardware import sound_devices
from hardware.microphone import RATE, Microphone
from hardware.mixer import Mixer
from hardware.sound_devices import SoundError
from hardware.stream import OutputStream
from tests.fault.test_sound_devices import quick, until  # noqa: F401  a fixture for every test


class FakePortAudio:
    """Counts how often the list was read."""

    def __init__(self) -> None:
        self.devices: list[str] = []
        self.read = 0

    def _terminate(self) -> None:
        pass

    def _initialize(self) -> None:
        self.read += 1

    def query_devices(self) -> list[str]:
        return self.devices


@pytest.fixture
def port_audio(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakePortAudio:
    """A machine with no sound at all."""
    fake = FakePortAudio()
    monkeypatch.setattr(sound_devices, "load", lambda: fake)
    monkeypatch.setattr(sound_devices, "_open_streams", 0)
    monkeypatch.setattr(sound_devices, "_found_nothing_at", None)
    monkeypatch.setattr(sound_devices, "NODES", tmp_path / "snd")
    monkeypatch.setattr(sound_devices, "SETTINGS", (tmp_path / "asoundrc",))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    for name in sound_devices.NAMED:
        monkeypatch.delenv(name, raising=False)
    return fake


def look(times: int = 1) -> None:
    def none_opens(sd: object) -> None:
        raise SoundError("none was found")
    for _ in range(times):
        with pytest.raises(SoundError):
            sound_devices.open_stream(none_opens)


def test_where_there_is_nothing_to_find_the_list_is_not_read_again_and_again(port_audio: FakePortAudio,
                                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    look(50)
    assert port_audio.read == 1, "each reading costs 12 kB for good"
    monkeypatch.setattr(sound_devices, "ANEW_S", 0.0)
    look(2)
    assert port_audio.read == 3, "something unforeseen would never be found"


@pytest.mark.parametrize("came", ["snd/pcmC0D0p", "pulse/native", "pipewire-0", "asoundrc"])
def test_whatever_comes_is_looked_for_at_once_and_every_time(came: str, port_audio: FakePortAudio, tmp_path: Path) -> None:
    """Every time, since a card whose node is there may not be ready, or not ours yet, at the first look."""
    look(3)
    (tmp_path / came).parent.mkdir(exist_ok=True)
    (tmp_path / came).touch()
    look(3)
    assert port_audio.read == 4


def test_a_server_named_by_the_environment_may_be_anywhere(port_audio: FakePortAudio, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULSE_SERVER", "tcp:hut")
    look(3)
    assert port_audio.read == 3


def test_a_list_that_has_devices_is_read_again_each_time(port_audio: FakePortAudio) -> None:
    port_audio.devices = ["one that does not open"]
    look(3)
    assert port_audio.read == 3


def test_a_start_of_port_audio_that_fails_once_does_not_end_the_sound_for_good(port_audio: FakePortAudio,
                                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    """A card pulled out while the list is read can do that. As in PortAudio itself, what did not start can't be ended."""
    started = [True]

    def start() -> None:
        port_audio.read += 1
        started[0] = port_audio.read > 1
        if not started[0]:
            raise OSError("Error initializing PortAudio")

    def end() -> None:
        if not started[0]:
            raise OSError("PortAudio not initialized")
    monkeypatch.setattr(port_audio, "_initialize", start)
    monkeypatch.setattr(port_audio, "_terminate", end)
    with pytest.raises(OSError, match="initializing"):
        sound_devices.open_stream(lambda sd: "a stream")
    assert sound_devices.open_stream(lambda sd: "a stream") == "a stream"


class FlowingStream:
    """A device that flows as soon as it is open: a block every 10 ms."""

    active, latency = True, 0.02

    def __init__(self, rate: int, block: int, *rest: object, callback: Callable[..., None]) -> None:
        frames = block or rate // 100
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._flow, args=(callback, frames), daemon=True)

    def _flow(self, callback: Callable[..., None], frames: int) -> None:
        while not self._closing.wait(0.01):
            callback(bytearray(2 * frames), frames, None, SimpleNamespace(input_overflow=False, output_underflow=False))

    def start(self) -> None:
        self._thread.start()

    def close(self, ignore_errors: bool = True) -> None:
        self._closing.set()


@pytest.mark.parametrize("which", ["microphone", "loudspeaker"])
def test_a_device_is_there_however_long_its_list_took_to_read(which: str, port_audio: FakePortAudio,
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    """PortAudio asks every card of a slow machine; and one device waits for the other to have been opened."""
    def start() -> None:
        port_audio.read += 1
        time.sleep(sound_devices.LOST_AFTER_S + 0.1)
    monkeypatch.setattr(port_audio, "_initialize", start)
    for name, value in (("PortAudioError", OSError), ("RawInputStream", FlowingStream), ("RawOutputStream", FlowingStream),
                        ("query_devices", lambda *which: {"default_samplerate": RATE} if which else ["a card"])):
        monkeypatch.setattr(port_audio, name, value, raising=False)
    told: list[str] = []
    one = (Microphone(lambda block: None, lambda: False, told.append) if which == "microphone"
           else OutputStream(Mixer(), told.append))
    try:
        until(lambda: one.up if isinstance(one, Microphone) else one.audible)
        assert (port_audio.read, told) == (1, [])
    finally:
        one.close()


@pytest.mark.parametrize("which", ["microphone", "loudspeaker"])
def test_a_device_that_opens_but_does_not_start_is_not_kept_from_the_next_try(which: str, port_audio: FakePortAudio,
                                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    """The first time it is not ready yet; like a card, it can be open once only. Another stream is open, so PortAudio itself
    is not started anew, which would let go of it."""
    held: list[object] = []

    class Card(FlowingStream):
        starts = 0

        def __init__(self, *given: object, callback: Callable[..., None]) -> None:
            if held:
                raise OSError("Device unavailable")
            held.append(self)
            super().__init__(*given, callback=callback)  # type: ignore[arg-type]

        def start(self) -> None:
            Card.starts += 1
            if Card.starts == 1:
                raise OSError("Unanticipated host error")
            super().start()

        def close(self, ignore_errors: bool = True) -> None:
            held.clear()
            super().close()
    monkeypatch.setattr(sound_devices, "_open_streams", 1)
    for name, value in (("PortAudioError", OSError), ("RawInputStream", Card), ("RawOutputStream", Card),
                        ("query_devices", lambda *which: {"default_samplerate": RATE} if which else ["a card"])):
        monkeypatch.setattr(port_audio, name, value, raising=False)
    one = Microphone(lambda block: None, lambda: False) if which == "microphone" else OutputStream(Mixer())
    try:
        until(lambda: one.up if isinstance(one, Microphone) else one.audible)
        assert port_audio.read == 0
    finally:
        one.close()
