"""A loudspeaker or microphone that is pulled, dead, slow or babbling, or whose sound server hangs: told within 2 s and once, the
pace is kept, memory is bounded, and it is back by itself.

The fakes are the ends only, on waits made ten times as short; the last test has PortAudio and a real sound server on the
station's own waits.
"""
from __future__ import annotations

import json
import os
import signal
import subprocess
import threading
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware import sound_devices
from hardware.fakes import FakeInput, FakeVoice
from hardware.microphone import HELD_BLOCKS, Microphone
from hardware.mixer import Mixer
from hardware.sound_devices import SoundError
from hardware.speaker import Speaker
from hardware.stream import OutputStream, SilentStream
from tests.speech.sound_world import SoundWorld, missing, running
from tests.speech.test_acoustic import PRELUDE

LATE_S = 0.15
OWN_S = (sound_devices.LOST_AFTER_S, sound_devices.LATE_S)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    if request.node.get_closest_marker("audio") is None:
        for name, value in (("LATE_S", LATE_S), ("FIRST_WAIT_S", 0.05), ("LONGEST_WAIT_S", 0.4), ("STEADY_S", 0.5)):
            monkeypatch.setattr(sound_devices, name, value)


def test_a_loss_is_told_within_two_seconds_whatever_hangs() -> None:
    """The station's own waits: no block, a look every 0.1 s, then the longest that closing and opening again may take."""
    assert sum(OWN_S) + 0.1 < 2.0


class End:
    """A device whose blocks come only when it is told so."""
    latency_s = 0.0

    def __init__(self, flows: bool = True) -> None:
        self.flows, self.alive, self.closed = flows, True, False

    def close(self) -> None:
        self.closed = True


class Bench:
    """Keeps a device; ``open`` is what opening does, and may be changed at any time."""

    def __init__(self, open_device: Callable[[], End] = End) -> None:
        self.open, self.opened, self.told, self.ups, self.downs = open_device, [], [], 0, 0
        self.kept = sound_devices.Kept(self._open, lambda words: self.told.append((time.monotonic(), words)), self._up,
                                       self._down,
                                       answer_limit_s=1.0)

    def _open(self) -> End:
        device = self.open()
        self.opened.append(device)
        return device

    def _up(self, device: object) -> None:
        self.ups += 1

    def _down(self) -> None:
        self.downs += 1


@pytest.fixture
def bench():
    made: list[Bench] = []

    def one(*args) -> Bench:
        made.append(Bench(*args))
        return made[-1]
    yield one
    for each in made:
        each.kept.close()


def until(condition: Callable[[], bool], limit_s: float = 60.0) -> None:
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.005)


@pytest.mark.alone
def test_a_loss_is_told_though_opening_again_hangs(bench) -> None:
    one, free = bench(), threading.Event()

    def hangs() -> End:
        free.wait(10)
        return End()
    one.open = hangs
    one.opened[0].alive, lost_at = False, time.monotonic()
    until(lambda: bool(one.told))
    assert one.told[0][0] - lost_at < LATE_S + 0.1 + 0.3 and one.downs == 1 and not one.kept.up
    free.set()
    until(lambda: one.ups == 2)
    time.sleep(LATE_S + 0.05)
    assert len(one.told) == 1, "told again though it is back"


@pytest.mark.alone
def test_one_stall_is_mended_before_anybody_hears_of_it(bench) -> None:
    one = bench()
    one.opened[0].alive = False
    until(lambda: one.ups == 2)
    time.sleep(LATE_S + 0.05)
    assert one.told == [] and one.downs == 1


def brief(flows: bool) -> End:
    device = End(flows)
    threading.Timer(0.02, setattr, (device, "alive", False)).start()
    return device


def test_a_device_that_opens_but_gives_nothing_is_never_there(bench) -> None:
    one = bench()
    one.open = lambda: brief(flows=False)
    one.opened[0].alive = False
    until(lambda: len(one.opened) > 4)
    assert one.ups == 1 and len(one.told) == 1 and all(each.closed for each in one.opened[:-1])
    one.open = End
    until(lambda: one.ups == 2)


@pytest.mark.alone
def test_a_device_that_comes_and_goes_is_told_ever_more_rarely(bench) -> None:
    one = bench(lambda: brief(flows=True))
    time.sleep(1.5)
    assert 2 <= len(one.told) <= 5      # 0.05, 0.1, 0.2, 0.4 s and the two stalls between; without growing waits about 7


def test_a_pulled_loudspeaker_whose_server_hangs_leaves_the_pace_as_it_is() -> None:
    """The words take their time in silence from the moment of the loss, not from the end of the hang."""
    free, spoken, opened = threading.Event(), [], []

    def open_sound(pull, rate):
        if opened:
            free.wait(600)
            raise SoundError("No loudspeaker can be opened: connect one.")
        opened.append(End())
        return opened[0]
    stream = OutputStream(Mixer(48000), open_sound=open_sound)
    speaker = Speaker(FakeVoice(length_s=0.3), stream, spoken.append)
    try:
        until(lambda: stream.audible)
        opened[0].alive = False
        until(lambda: not stream.audible)
        begun = time.monotonic()
        speaker.say("a", "text")
        until(lambda: spoken == ["a"])
        assert 0.25 < time.monotonic() - begun < 300     # opening takes 600
    finally:
        free.set()
        speaker.close()


@pytest.mark.alone
def test_after_a_stall_the_silence_catches_up_in_small_pieces() -> None:
    pulled: list[int] = []

    def pull(frames: int) -> None:
        if not pulled:
            time.sleep(0.5)
        pulled.append(frames)
    stream = SilentStream(pull, 48000)  # type: ignore[arg-type]
    begun = time.monotonic()
    until(lambda: sum(pulled) >= 0.5 * 48000)
    stream.close()
    assert max(pulled) <= 4800 and abs(sum(pulled) / 48000 - (time.monotonic() - begun)) < 0.4


def test_a_microphone_that_babbles_fills_no_memory_and_is_heard_afterwards() -> None:
    """A hundred times as fast as sound, into a listener that is stuck: the newest 6 s are kept, the rest is counted."""
    free, blocks, devices = threading.Event(), [], []

    def listen(block: bytes) -> None:
        free.wait(10)
        blocks.append(block)
    mic = Microphone(listen, lambda: False, open_input=lambda take: devices.append(FakeInput(take)) or devices[0])
    try:
        until(lambda: mic.up)
        devices[0].feed(b"\1\1" * 480)
        tracemalloc.start()
        for n in range(3000):
            devices[0].feed(n.to_bytes(2, "little") * 480)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert most < 2 * HELD_BLOCKS * 960 + 100_000 and mic.dropped > 2500
        free.set()
        until(lambda: blocks[-1:] == [(2999).to_bytes(2, "little") * 480])
        assert len(blocks) <= HELD_BLOCKS + 1
    finally:
        free.set()
        mic.close()


STATION = PRELUDE + """
blocks = []
def say_when(name): return lambda s="": tell(what=name, at=time.monotonic(), words=s)
speaker._on_trouble = say_when("speaker lost")
mic = Microphone(lambda b: blocks.append(1), lambda: False, say_when("mic lost"), on_back=say_when("mic back"))
until(lambda: mic.up and speaker.stream.audible)
tell(what="ready", at=time.monotonic(), words="")
sys.stdin.readline()
until(lambda: mic.up and speaker.stream.audible)
blocks.clear(); speaker.say("a", "Back."); until(lambda: "a" in spoken and len(blocks) > 5, 5)
tell(what="end", at=time.monotonic(), words=f"{'a' in spoken} {len(blocks) > 5}")
mic.close(); speaker.close()
"""


@pytest.mark.long
@pytest.mark.alone
@pytest.mark.audio
@pytest.mark.skipif(bool(missing()), reason=missing() or "")
def test_a_sound_server_that_hangs_and_a_microphone_that_gives_nothing(tmp_path: Path) -> None:
    with running(tmp_path) as world:
        station, lines = world.station(STATION), []
        threading.Thread(target=lambda: lines.extend(map(json.loads, station.stdout)), daemon=True).start()  # type: ignore[arg-type]

        def came(what: str, after: float = 0.0) -> float:
            until(lambda: any(one["what"] == what and one["at"] > after for one in lines), 12)
            return next(one["at"] for one in lines if one["what"] == what and one["at"] > after)
        came("ready")
        time.sleep(0.3)
        stopped = time.monotonic()
        os.kill(world.server.pid, signal.SIGSTOP)
        noticed = {what: came(what, stopped) - stopped for what in ("mic lost", "speaker lost")}
        time.sleep(max(0.0, stopped + 2.5 - time.monotonic()))
        os.kill(world.server.pid, signal.SIGCONT)
        went_on = time.monotonic()
        noticed["mic back"] = came("mic back", went_on) - went_on
        time.sleep(0.5)
        suspended = time.monotonic()
        suspend(world, True)
        noticed["silent mic lost"] = came("mic lost", suspended) - suspended
        suspend(world, False)
        resumed = time.monotonic()
        noticed["silent mic back"] = came("mic back", resumed) - resumed
        print(file=station.stdin, flush=True)
        came("end")
        station.wait(10)
    print("noticed after, s:", {name: round(one, 2) for name, one in noticed.items()})
    assert all(noticed[name] < 2.0 for name in ("mic lost", "speaker lost", "silent mic lost")), noticed
    assert noticed["mic back"] < 6.0 and noticed["silent mic back"] < 6.0     # the longest wait is 5 s
    assert lines[-1]["words"] == "True True"
    assert len([one for one in lines if one["what"] == "speaker lost"]) == 1
    assert len([one for one in lines if one["what"] == "mic lost"]) == 2


def suspend(world: SoundWorld, on: bool) -> None:
    subprocess.run(["pactl", "suspend-source", "mic", str(int(on))], env=world.env, timeout=5, check=True)


@pytest.mark.alone
def test_one_that_stays_away_is_looked_for_more_rarely_and_still_comes_back(bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each look in vain costs memory for good; the first minutes are as quick as ever."""
    monkeypatch.setattr(sound_devices, "LONGEST_WAIT_S", 0.05)
    monkeypatch.setattr(sound_devices, "PATIENT_S", 0.6)
    monkeypatch.setattr(sound_devices, "RARE_WAIT_S", 0.8)
    looks: list[float] = []

    def nothing() -> End:
        looks.append(time.monotonic())
        raise SoundError("none was found")
    one, began = bench(nothing), time.monotonic()
    until(lambda: len(looks) > 1 and looks[-1] - looks[-2] > 0.7)
    early = [at for at in looks if at - began < 0.5]
    assert len(early) >= 5, early
    one.open = End
    until(lambda: one.ups == 1)
