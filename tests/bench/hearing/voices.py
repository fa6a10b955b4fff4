"""Clean speech: every voice of ``speakers.toml``, said once, kept on disk, found again by what it says.

A `Saying` is a voice, a text and a manner (its rate and pitch); `clean` gives its sound. Sounds lie as 16-bit samples in
``~/.cache/bowlside-bench`` (or $BOWLSIDE_BENCH), or come from one archive made by ``corpus.pack``, so that a machine
without any of the programs can run the bench.
"""
from __future__ import annotations

import functools
import hashlib
import importlib.util
import json
import os
import random
import shutil
import subprocess
import tempfile
import tomllib
import wave
import zipfile
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
import soxr

from models.wav import RATE, to_pcm

HERE = Path(__file__).resolve().parent
RECORDED = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
TESTDATA = Path("/usr/share/pocketsphinx/test/data")
MANNERS = 4
"""Ways a voice may speak: 0 is its own rate and pitch, the others are drawn by its name."""

FROM_0_TO_20 = ("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen "
                "seventeen eighteen nineteen twenty").split()
TENS = {"thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90}


class Missing(Exception):
    """A program or recording is not installed. The message says what to install."""


@dataclass(frozen=True)
class Voice:
    name: str
    engine: str
    spoken_as: str
    """The program's own name for it."""
    accent: str
    role: str
    """``tune`` or ``score``."""

    def can_say(self, text: str) -> bool:
        """Recorded people have only the words that were recorded."""
        words = set(text.split())
        if self.engine == "words of a man":
            return words <= {*FROM_0_TO_20[:10], "point"}
        if self.engine == "words of a woman":
            return words <= {*FROM_0_TO_20, *TENS, "oh", "point", "no", "next"}
        return self.engine not in ("prose", "strings")


@dataclass(frozen=True)
class Saying:
    voice: str
    text: str
    manner: int = 0

    @property
    def key(self) -> str:
        said_by = voices()[self.voice]
        return hashlib.sha256(json.dumps([VERSION, *astuple(self), said_by.engine, said_by.spoken_as]).encode()).hexdigest()[:24]


VERSION = 2
"""Of what is kept: raise it when the sound of a saying changes."""


@functools.cache
def voices() -> dict[str, Voice]:
    table = tomllib.loads((HERE / "speakers.toml").read_text(encoding="utf-8"))["voice"]
    return {row["name"]: Voice(row["name"], row["engine"], row["as"], row["accent"], row["role"]) for row in table}


def speaking(role: str) -> list[Voice]:
    """The voices that say readings and commands in a run of this role: ``tune``, ``score`` or ``all``."""
    return [voice for voice in voices().values()
            if voice.engine not in ("prose", "strings", "station") and role in (voice.role, "all")]


def clean(saying: Saying) -> np.ndarray:
    """The sound of it: (samples,) float at 16 kHz, peak 0.5, silence trimmed at either end. Raises Missing."""
    return np.frombuffer(stored(saying), "<i2").astype(np.float32) / 32768


def stored(saying: Saying) -> bytes:
    """The same as 16-bit samples, from the archive or the disk; made and kept if it is in neither."""
    archive = _archive(os.environ.get("BOWLSIDE_BENCH_PACK", ""))
    if archive is not None and saying.key in archive.namelist():
        return archive.read(saying.key)
    path = folder() / saying.key[:2] / saying.key
    if not path.exists():
        sound = _trimmed(_made(voices()[saying.voice], saying))
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as half:     # two processes may make the same
            half.write(to_pcm(sound * (0.5 / max(float(np.abs(sound).max(initial=0)), 1e-6))))
        os.replace(half.name, path)
    return path.read_bytes()


def folder() -> Path:
    return Path(os.environ.get("BOWLSIDE_BENCH", Path.home() / ".cache" / "bowlside-bench"))


@functools.cache
def _archive_opened(path: str, pid: int) -> zipfile.ZipFile:
    return zipfile.ZipFile(path)


def _archive(path: str) -> zipfile.ZipFile | None:
    return _archive_opened(path, os.getpid()) if path else None     # a forked process must not share the file's place


def _trimmed(sound: np.ndarray) -> np.ndarray:
    """Without what is 40 dB below the loudest 10 ms at either end, but for 20 ms."""
    size = RATE // 100
    power = np.sqrt((sound[:len(sound) // size * size].reshape(-1, size) ** 2).mean(axis=1))
    loud = np.flatnonzero(power > power.max(initial=0) * 0.01)
    return sound[max(0, loud[0] - 2) * size:(loud[-1] + 3) * size] if len(loud) else sound


def _made(voice: Voice, saying: Saying) -> np.ndarray:
    drawn = random.Random(f"{voice.name} {saying.manner}")
    rate, pitch = (drawn.uniform(0.82, 1.25), drawn.uniform(0.9, 1.12)) if saying.manner else (1.0, 1.0)
    shift = 1 + (pitch - 1) / 3     # by playing faster: of those that can't change their pitch alone
    match voice.engine:
        case "espeak-ng":
            return _program("espeak-ng", "espeak-ng", "-v", voice.spoken_as, "-s", f"{155 * rate:.0f}", "-p",
                            f"{50 + 250 * (pitch - 1):.0f}", "-w", "{}", saying.text)
        case "flite":
            return _program("flite", "flite", "-voice", voice.spoken_as, "--setf", f"duration_stretch={1 / rate:.3f}",
                            "--setf", f"f0_shift={pitch:.3f}", "-t", saying.text, "-o", "{}")
        case "festival":
            manner = f"(begin (voice_{voice.spoken_as}) (Parameter.set 'Duration_Stretch {1 / rate:.3f}))"
            return _played(_program("festival", "text2wave", "-o", "{}", "-eval", manner, text=saying.text), shift)
        case "words of a woman" | "words of a man":
            return _played(_joined(voice, saying), shift)
        case "prose":       # text: the number of a file, where it begins and how long it lasts, in seconds
            number, start, length = saying.text.split()
            sound = prose()[int(number)]
            return sound[int(float(start) * RATE):int((float(start) + float(length)) * RATE)]
        case "strings":
            return _of_testdata(saying.text)
        case "station":
            from hardware.synth import Synth

            station = _station()
            return _at_rate(station.render(saying.text), Synth.RATE)
    raise ValueError(f"{voice.engine} is no engine of the bench")


@functools.cache
def _station():
    from hardware.synth import Synth

    return Synth()


def _program(package: str, *command: str, text: str = "") -> np.ndarray:
    if shutil.which(command[0]) is None:
        raise Missing(f"{command[0]} is missing: apt install {package}.")
    with tempfile.TemporaryDirectory() as place:
        wav = f"{place}/said.wav"
        subprocess.run([part.replace("{}", wav) for part in command], input=text.encode(), check=True, timeout=60,
                       capture_output=True)
        return _read(Path(wav))


def _read(path: Path) -> np.ndarray:
    with wave.open(str(path), "rb") as sound:
        pcm, rate, channels = sound.readframes(sound.getnframes()), sound.getframerate(), sound.getnchannels()
    return _at_rate(pcm, rate, channels)


def _at_rate(pcm: bytes, rate: int, channels: int = 1) -> np.ndarray:
    sound = np.frombuffer(pcm, "<i2").astype(np.float32).reshape(-1, channels).mean(axis=1) / 32768
    return sound if rate == RATE else soxr.resample(sound, rate, RATE, "HQ").astype(np.float32)


def _played(sound: np.ndarray, factor: float) -> np.ndarray:
    """Played `factor` times as fast, and so as high."""
    return sound if factor == 1 else soxr.resample(sound, RATE * factor, RATE, "HQ").astype(np.float32)


# --- people -------------------------------------------------------------------------------------------------------------


def _joined(voice: Voice, saying: Saying) -> np.ndarray:
    """Recorded words side by side, 10 to 80 ms between, each faded in and out: human sounds, but no human flow."""
    word_of = _woman if voice.engine == "words of a woman" else _man
    gaps = random.Random(f"{saying.text} {saying.manner}")
    parts = []
    for word in saying.text.split():
        sound = _trimmed(word_of(word)).copy()
        fade = np.linspace(0, 1, RATE // 125, dtype=np.float32)
        sound[:len(fade)] *= fade
        sound[-len(fade):] *= fade[::-1]
        parts += [sound, np.zeros(int(gaps.uniform(0.01, 0.08) * RATE), np.float32)]
    return np.concatenate(parts[:-1])


@functools.cache
def _woman(word: str) -> np.ndarray:
    if not RECORDED.is_dir():
        raise Missing("Recorded numbers are missing: apt install asterisk-core-sounds-en-wav.")
    if word == "point":                 # the end of "exclamation point"; there is no "point" alone
        return _read(RECORDED / "letters/exclaimation-point.wav")[int(0.965 * RATE):int(1.37 * RATE)]
    if word == "next":                  # "press six to play the next message", by forced alignment
        return _read(RECORDED / "vm-next.wav")[int(1.59 * RATE):int(1.95 * RATE)]
    name = {"oh": "letters/o", "no": "vm-no"}.get(word) or f"digits/{TENS.get(word) or FROM_0_TO_20.index(word)}"
    return _read(RECORDED / f"{name}.wav")


@functools.cache
def _man(word: str) -> np.ndarray:
    if word == "point":                 # he never says it: the woman's, lower and slower. One word of five is no man's.
        return _played(_trimmed(_woman("point")), 0.8) * 0.7
    spec = importlib.util.find_spec("spokennumbers")
    if spec is None or not spec.submodule_search_locations:
        raise Missing("Recorded digits are missing: pip install spokennumbers.")
    sound = _read(Path(spec.submodule_search_locations[0]) / "default" / f"{FROM_0_TO_20.index(word)}.wav")
    return sound * (0.5 / np.abs(sound).max())


@functools.cache
def prose() -> tuple[np.ndarray, ...]:
    """A novel read aloud by a volunteer: talk that is neither a reading nor a command."""
    if not (TESTDATA / "librivox").is_dir():
        raise Missing("Read prose is missing: apt install pocketsphinx-testdata.")
    return tuple(_read(path) for path in sorted((TESTDATA / "librivox").glob("*.wav")))


STRINGS = {"two nine three four zero": "tidigits/dhd.2934z.raw", "ten of clubs": "cards/001.wav",
           "four queen of clubs": "cards/002.wav", "seven of clubs": "cards/003.wav",
           "eight of spades four of clubs seven of hearts": "cards/005.wav", "go forward ten meters": "goforward.raw"}
"""What people say there, by the package's own transcripts: numbers, but no reading of a gauge."""


def _of_testdata(text: str) -> np.ndarray:
    if not TESTDATA.is_dir():
        raise Missing("Recorded strings are missing: apt install pocketsphinx-testdata.")
    path = TESTDATA / STRINGS[text]
    return _read(path) if path.suffix == ".wav" else _at_rate(path.read_bytes(), RATE)
