"""A sound system without a sound card: PulseAudio with a loudspeaker that can be recorded and a mouth that
is heard by the microphone. Private to one test run; its process is stopped by its number."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from hardware.stream import write_wav

ROOT = Path(__file__).resolve().parents[2]
RATE = 48000
SCRIPT = """
load-module module-native-protocol-unix socket={socket} auth-anonymous=1
load-module module-null-sink sink_name=speaker rate=48000 channels=1 format=s16le
load-module module-null-sink sink_name=mouth rate=48000 channels=1 format=s16le
load-module module-remap-source source_name=mic master=mouth.monitor
set-default-sink speaker
set-default-source mic
"""
ALSA = """
</usr/share/alsa/alsa.conf>
pcm.!default {{ type pulse server "unix:{socket}" }}
ctl.!default {{ type pulse server "unix:{socket}" }}
pcm.vmouth {{ type pulse server "unix:{socket}" device mouth }}
"""
PLUGIN = "libasound_module_pcm_pulse.so"


def missing() -> str | None:
    """Why this cannot run here, with what to install; None when it can."""
    needs = (("pulseaudio", "pulseaudio"), ("parec", "pulseaudio-utils"), ("aplay", "alsa-utils"))
    for program, package in needs:
        if not shutil.which(program):
            return f"no virtual sound system: apt install {package}"
    if not any(Path("/usr/lib").glob(f"*/alsa-lib/{PLUGIN}")):
        return "no virtual sound system: apt install libasound2-plugins"
    return None


class SoundWorld:
    def __init__(self, folder: Path) -> None:
        self.folder, self.server, self._drain, self._hiss = folder, None, None, None
        self.socket = folder / "sound"
        (folder / "script.pa").write_text(SCRIPT.format(socket=self.socket))
        (folder / "asound.conf").write_text(ALSA.format(socket=self.socket))
        self.env = {**os.environ, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder),
                    "PULSE_RUNTIME_PATH": str(folder), "PULSE_SERVER": f"unix:{self.socket}",
                    "ALSA_CONFIG_PATH": str(folder / "asound.conf")}

    def start(self) -> None:
        self.socket.unlink(missing_ok=True)
        (self.folder / "pid").unlink(missing_ok=True)
        self.server = subprocess.Popen(["pulseaudio", "-n", "-F", self.folder / "script.pa", "--daemonize=no",
                                        "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm"],
                                       env=self.env, stdout=subprocess.DEVNULL,
                                       stderr=(self.folder / "server.log").open("ab"))
        end = time.monotonic() + 10
        while subprocess.run(["pactl", "info"], env=self.env, capture_output=True, timeout=5).returncode:
            if self.server.poll() is not None or time.monotonic() > end:
                raise RuntimeError((self.folder / "server.log").read_text()[-600:])
            time.sleep(0.1)
        # A sink without a card that nobody drains lets a first stream stall: keep it drained, and play a
        # little once.
        self._drain = self.record(Path("/dev/null"))
        silence = bytes(RATE // 5 * 2)
        subprocess.run(["aplay", "-q", "-t", "raw", "-f", "S16_LE", "-r", str(RATE), "-c", "1"],
                       input=silence, env=self.env, timeout=10, capture_output=True, check=True)
        # No real microphone gives only zeros: a hiss at -80 dB, which is nothing but no silence either.
        hiss = self.folder / "hiss.wav"
        write_wav(hiss, np.random.default_rng(1).standard_normal(16000 * 300) * 3.3, 16000)
        self._hiss = self.play_on(hiss)

    def stop(self) -> None:
        for one in (self._drain, self._hiss):
            if one:
                one.kill()
                one.wait(5)
        if self.server and self.server.poll() is None:
            self.server.send_signal(signal.SIGKILL)
            self.server.wait(5)

    def record(self, raw: Path) -> subprocess.Popen:
        """What the loudspeaker plays, to a file of raw samples; stop it with `kill`."""
        return subprocess.Popen(["parec", "-d", "speaker.monitor", "--rate=48000", "--channels=1",
                                 "--format=s16le", "--latency-msec=20", raw], env=self.env,
                                stdout=subprocess.DEVNULL,
                                stderr=subprocess.DEVNULL)

    def play(self, wav: Path, device: str = "vmouth") -> None:
        """The technician's mouth: returns when it was played."""
        subprocess.run(["aplay", "-q", "-D", device, wav], env=self.env, timeout=20, check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def play_on(self, wav: Path, device: str = "vmouth") -> subprocess.Popen:
        """The same in the background: an engine that goes on. Stop it with `kill`."""
        return subprocess.Popen(["aplay", "-q", "-D", device, wav], env=self.env, stdout=subprocess.DEVNULL,
                                stderr=subprocess.DEVNULL)

    def echo(self, late_ms: int) -> None:
        """From now on the microphone hears the loudspeaker, at least so much later."""
        subprocess.run(["pactl", "load-module", "module-loopback", "source=speaker.monitor", "sink=mouth",
                        f"latency_msec={late_ms}"], env=self.env, timeout=10, check=True, capture_output=True)

    def one_air(self) -> None:
        """From now on what opens the microphone hears the loudspeaker as loud as it plays; who speaks beside it plays there too."""
        for command in (("load-module", "module-remap-source", "source_name=air", "master=speaker.monitor"),
                        ("set-default-source", "air")):
            subprocess.run(["pactl", *command], env=self.env, timeout=10, check=True, capture_output=True)
        self._hiss.kill()       # this microphone hisses too
        self._hiss.wait(5)
        self._hiss = self.play_on(self.folder / "hiss.wav", "default")

    def station(self, code: str) -> subprocess.Popen:
        """A Python process from the project's root, with its sound here."""
        return subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, env=self.env, text=True,
                                stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                stderr=(self.folder / "station.log").open("ab"))


def heard(raw: Path) -> np.ndarray:
    data = raw.read_bytes()
    return np.frombuffer(data[:len(data) // 2 * 2], "<i2").astype(float)


def onsets(wave: np.ndarray, pattern: np.ndarray) -> list[int]:
    """Frames at which `pattern` starts in `wave`: peaks of the normalised cross-correlation above 0.9."""
    pattern = pattern.astype(float)
    n = len(pattern)
    size = 1 << (len(wave) + n).bit_length()
    product = np.fft.irfft(np.fft.rfft(wave, size) * np.conj(np.fft.rfft(pattern, size)), size)
    product = product[:len(wave) - n + 1]
    power = np.concatenate([[0], np.cumsum(wave ** 2)])
    norm = np.sqrt((power[n:] - power[:-n]) * (pattern ** 2).sum()) + 1e3
    score = product / norm
    found = []
    for at in np.nonzero(score > 0.9)[0]:
        if not found or at - found[-1] > n:
            found.append(int(at))
        elif score[at] > score[found[-1]]:
            found[-1] = int(at)
    return found


@contextmanager
def running(folder: Path) -> Iterator[SoundWorld]:
    """A world for one test, stopped afterwards; skips the test, with the reason, where none can be had."""
    if why := missing():
        pytest.skip(why)
    world = SoundWorld(folder)
    try:
        try:
            world.start()
        except (RuntimeError, OSError, subprocess.SubprocessError) as error:
            pytest.skip(f"PulseAudio does not start here: {str(error).strip().splitlines()[-1] if str(error) else repr(error)}")
        yield world
    finally:
        world.stop()
