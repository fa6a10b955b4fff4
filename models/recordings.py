"""Recordings that people give, in the form of models/training/corpus.py, so that the next training takes them as they are.

One speaker is FOLDER/given/NNNN.wav (16 kHz, 16 bits, mono, all clips end to end), NNNN.json (what is said where) and NNNN.txt
(what the speaker agreed to, with the licence). What the json file doesn't name is not there: a cut between the two files
loses the clip that was being kept, and no other. `faults` says what is wrong with any such folder, file by file.
"""
from __future__ import annotations

import importlib
import json
import os
import re
import struct
import wave
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from models import level
from models.listener import BEFORE_S, END_S
from models.sheet import Prompt
from models.wav import RATE, to_pcm, to_sound

ENGINE = "given"
"""Their folder: what is an engine for synthetic voices is a source here."""
LICENCES = {"CC BY 4.0": "https://creativecommons.org/licenses/by/4.0/",
            "CC0 1.0": "https://creativecommons.org/publicdomain/zero/1.0/"}
SHORTEST_S, LONGEST_S = 0.1, 9.0
PEAK = 0.7
"""Of full scale: every clip of the corpus has it."""
KEEP_BEFORE_S, KEEP_AFTER_S = 0.15, 0.2
"""Left of the background on either side of what is spoken: a soft f, s or th must not be cut off."""
HEADER = struct.Struct("<4sI4s4sIHHIIHH4sI")
SOUNDS = (".wav", ".flac", ".ogg")
HELD_OF = 10
"""As in models/training/corpus.py, which says what it means."""


# --- one take --------------------------------------------------------------------------------------------------------------


def doubt(sound: np.ndarray) -> str:
    """What is wrong with a take (samples at 16 kHz in -1..1, as models/listener.py cuts them): "nothing", "long", "clipped",
    "quiet"; "noisy" may be kept; "" is a good one."""
    if len(sound) >= (LONGEST_S + BEFORE_S + END_S) * RATE:
        return "long"
    voice = level.voice(sound, level.background(level.loudness(sound))) if len(sound) else None
    if voice is None:
        return "nothing"
    if voice.clipped > level.CLIPPED_SHARE:
        return "clipped"
    if voice.level_db < level.TOO_QUIET_DB:
        return "quiet"
    return "noisy" if voice.snr_db < level.GOOD_SNR_DB else ""


def trimmed(sound: np.ndarray) -> np.ndarray:
    """A take as it is kept: from a little before to a little after what stands out of the background and lies within 40 dB of its
    loudest, at the corpus' level."""
    power = level.loudness(sound)
    loud = np.flatnonzero(power > max(2 * level.background(power), 1e-4 * power.max(initial=0))) * level.FRAME
    first, last = (int(loud[0]), int(loud[-1]) + level.FRAME) if len(loud) else (0, len(sound))
    cut = sound[max(0, first - int(KEEP_BEFORE_S * RATE)):last + int(KEEP_AFTER_S * RATE)]
    return cut * (PEAK / max(float(np.abs(cut).max(initial=0)), 1e-6))


# --- one speaker -----------------------------------------------------------------------------------------------------------


@dataclass
class Given:
    """One speaker's recordings while they are being made."""

    folder: Path
    number: int
    code: str
    """Stands for the name, which is nowhere."""
    licence: str
    consent: str
    accent: str = ""
    """As the speaker puts it; may be left out."""
    sheet: list[Prompt] = field(default_factory=list)
    clips: list[dict] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    @property
    def left(self) -> list[Prompt]:
        """What is still to be said."""
        done = {clip["text"] for clip in self.clips} | set(self.skipped)
        return [prompt for prompt in self.sheet if prompt[1] not in done]

    @property
    def place(self) -> Path:
        """Of the json file; the others lie beside it."""
        return self.folder / ENGINE / f"{self.number:04d}.json"

    def keep(self, prompt: Prompt, sound: np.ndarray) -> None:
        """Adds a take. Raises OSError; then what was kept before is still there."""
        at = sum(clip["length"] for clip in self.clips)
        self._begin()
        _append(self.place.with_suffix(".wav"), at, to_pcm(sound))
        self.clips.append({"kind": prompt[0], "text": prompt[1], "start": at, "length": len(sound)})
        self._write()

    def skip(self, prompt: Prompt) -> None:
        self.skipped.append(prompt[1])
        if self.clips:
            self._write()

    def _begin(self) -> None:
        """Consent first: no sound lies there without it."""
        self.place.parent.mkdir(parents=True, exist_ok=True)
        text = self.place.with_suffix(".txt")
        if not text.exists():
            _replace(text, self.consent)

    def _write(self) -> None:
        _replace(self.place, json.dumps({
            "engine": ENGINE, "number": self.number, "speaker": self.code, "held": self.number % HELD_OF == HELD_OF - 1,
            "licence": self.licence, "accent": self.accent, "clips": self.clips, "skipped": self.skipped, "sheet": self.sheet}))


def given(folder: Path) -> dict[str, Given]:
    """Code -> the recordings that were begun in this folder. Raises ValueError with a sentence for one that is torn."""
    speakers = {}
    for path in sorted((folder / ENGINE).glob("*.json")):
        try:
            plain = json.loads(path.read_text("utf-8"))
            given = Given(folder, int(path.stem), plain["speaker"], plain["licence"], path.with_suffix(".txt").read_text("utf-8"),
                        plain["accent"], [(kind, text) for kind, text in plain["sheet"]], plain["clips"], plain["skipped"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ValueError(f"{path}: can't be gone on with ({type(error).__name__}: {error}); bowlside voice record {folder} "
                             "--check says what is wrong in this folder.") from None
        speakers[given.code] = given
    return speakers


def next_number(folder: Path) -> int:
    """The first after all that were ever there: a number that somebody withdrew is not given again while a later one stands."""
    return max((int(path.stem) for path in (folder / ENGINE).glob("[0-9]*.*") if path.stem.isdigit()), default=-1) + 1


def _replace(path: Path, text: str) -> None:
    part = path.with_name(f"{path.name}.{os.getpid()}")
    with open(part, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def _append(path: Path, at: int, pcm: bytes) -> None:
    """Puts `pcm` at sample `at` of a WAV file of ours and ends the file there: what a cut left behind is written over."""
    size = 2 * at + len(pcm)
    with open(path, "r+b" if path.exists() else "w+b") as file:
        file.write(HEADER.pack(b"RIFF", 36 + size, b"WAVE", b"fmt ", 16, 1, 1, RATE, 2 * RATE, 2, 16, b"data", size))
        file.seek(HEADER.size + 2 * at)
        file.write(pcm)
        file.truncate()
        file.flush()
        os.fsync(file.fileno())


# --- what is wrong with a folder ---------------------------------------------------------------------------------------------


def faults(folder: Path) -> Iterator[str]:
    """A sentence for each thing that is wrong, file by file: what, where, what to do. None: it may be trained on as it is.

    For any folder in the corpus form, whoever made it. Recordings need a text that says what their speakers agreed to: NNNN.txt
    beside each that was given here, else a README or LICENCE beside the file or above it.
    """
    if not folder.is_dir():
        yield f"{folder}: there is no such folder; give one that holds recordings."
        return
    tables = sorted(folder.glob("*/*.json"))
    sounds = sorted(path for path in folder.rglob("*") if path.suffix.lower() in SOUNDS)
    if not tables and not sounds:
        yield f"{folder}: holds no recordings; bowlside voice record {folder} makes some."
    for path in sounds:
        name = path.relative_to(folder)
        if len(name.parts) != 2 or not re.fullmatch(r"[0-9]{4,}", path.stem):
            yield f"{name}: is not where a recording is looked for; name it SOURCE/NNNN{path.suffix}, with a NNNN.json beside it."
        elif not path.with_suffix(".json").exists():
            yield f"{name}: nothing tells what is said in it; write {path.stem}.json beside it, or take it away."
    for path in tables:
        yield from _faults_of(folder, path)


def _faults_of(folder: Path, path: Path) -> Iterator[str]:
    name = path.relative_to(folder)
    sounds = [path.with_suffix(kind) for kind in SOUNDS if path.with_suffix(kind).exists()]
    try:
        about = json.loads(path.read_text("utf-8"))
        clips = [(str(clip["text"]), int(clip["start"]), int(clip["length"])) for clip in about["clips"]]
        if (about["engine"], about["number"]) != (path.parent.name, int(path.stem)):
            yield f"{name}: says it is {about['engine']}/{about['number']}; a copy under another name would be two people: rename it."
        if about["held"] is not (about["number"] % HELD_OF == HELD_OF - 1):
            yield (f"{name}: says held is {json.dumps(about['held'])}; of every {HELD_OF} numbers the last, {HELD_OF - 1}, "
                   f"{2 * HELD_OF - 1} and so on, is held and no other: put that right.")
    except (OSError, ValueError, KeyError, TypeError) as error:
        yield f"{name}: can't be read ({type(error).__name__}: {error}); take it from a copy, or take it and its sound away."
        return
    if (wrong := _consent(path, about)):
        yield f"{name}: {wrong}"
    if len(sounds) != 1:
        yield (f"{name}: has {'no sound' if not sounds else 'several sounds'} beside it; there must be one {path.stem}.wav, .flac "
               "or .ogg.")
        return
    sound = sounds[0].relative_to(folder)
    try:
        samples = read(sounds[0])
    except ValueError as bad:
        yield f"{sound}: {bad}"
        return
    if not len(samples) or not clips:
        yield f"{sound}: is empty; record it again, or take it away."
        return
    yield from (f"{sound}: {sentence}" for sentence in _wrong_clips(clips, samples))


def _consent(path: Path, about: dict) -> str:
    """What is wrong with what the speaker agreed to; "" for nothing."""
    if about["engine"] != ENGINE:
        if any(next(place.glob(f"{kind}*"), None) for place in (path.parent, path.parent.parent) for kind in ("README", "LICEN")):
            return ""
        return "no README or LICENCE says what its speaker agreed to; write one beside it, or don't train on it."
    try:
        text = path.with_suffix(".txt").read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        return f"{path.stem}.txt, what its speaker agreed to, is not there; without it the recording may not be used."
    if about.get("licence") not in LICENCES or about["licence"] not in text or str(about.get("speaker")) not in text:
        return f"{path.stem}.txt does not hold its licence and its speaker's code; without them the recording may not be used."
    return ""


def _wrong_clips(clips: Sequence[tuple[str, int, int]], samples: np.ndarray) -> Iterator[str]:
    """One sentence a kind of fault, with the clips that have it."""
    by_fault: dict[str, list[str]] = {}
    for text, start, length in clips:
        if (fault := _fault(text, start, length, samples)):
            by_fault.setdefault(fault, []).append(text)
    for fault, texts in by_fault.items():
        shown = ", ".join(f'"{text}"' for text in texts[:3]) + (f" and {len(texts) - 3} more" if len(texts) > 3 else "")
        yield f"{len(texts)} of {len(clips)} clips {fault}: {shown}; record them again, or take them out."


def _fault(text: str, start: int, length: int, samples: np.ndarray) -> str:
    sound = samples[max(0, start):start + length]
    if start < 0 or len(sound) < length:
        return "lie beyond the end of the sound"
    if not re.fullmatch(r"[\w'.-]+( [\w'.-]+)*", text):
        return "say no words"
    if not SHORTEST_S * RATE <= length <= LONGEST_S * RATE:
        return f"are shorter than {SHORTEST_S} s or longer than {LONGEST_S:.0f} s"
    loud = np.abs(sound)
    if loud.max() < 0.01:
        return "are too quiet to be heard"
    standing = loud[loud > 0.3 * loud.max()]                # the loud moments alone: silence around a word is no excuse
    return "are clipped" if (standing >= level.CLIPPED_AT).mean() > 5 * level.CLIPPED_SHARE else ""


def read(path: Path) -> np.ndarray:
    """Samples (n,) in -1..1 of a file of the corpus form. Raises ValueError with what is wrong with it and what to do."""
    try:
        if path.suffix.lower() == ".wav":
            with wave.open(str(path), "rb") as file:
                rate, channels, width = file.getframerate(), file.getnchannels(), file.getsampwidth()
                pcm = file.readframes(file.getnframes())
        else:
            soundfile = importlib.import_module("soundfile")
            with soundfile.SoundFile(path) as file:
                rate, channels, width = file.samplerate, file.channels, 2
                pcm = file.read(dtype="int16").tobytes()
    except ImportError:
        raise ValueError("can't be looked into, since soundfile is not installed here; it comes with the training.") from None
    except (OSError, EOFError, wave.Error, RuntimeError) as error:
        raise ValueError(f"can't be read ({error}); take it from a copy, or take it away.") from None
    if (rate, channels, width) != (RATE, 1, 2):
        raise ValueError(f"has {rate} Hz, {channels} channel{'s' * (channels > 1)} and {8 * width} bits; the corpus has {RATE} Hz, "
                         "one channel, 16 bits: convert it, and the places in its json file with it.")
    return to_sound(pcm[:len(pcm) // 2 * 2], RATE)
