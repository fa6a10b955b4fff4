"""The corpus of clean speech: `python -m models.training.corpus FOLDER ENGINE SPEAKERS [FIRST [EVERY]]`.

Who speaks in it, for the model's card: `python -m models.training.corpus --manifest FOLDER FILE`.

One speaker is one file FOLDER/ENGINE/NNNN.flac (16 kHz, all its clips end to end) with NNNN.json beside it, written when
the speaker is done: a run that is cut short keeps what it has and goes on from there. A speaker depends on engine and
number only, so several processes can share the work (FIRST, EVERY): the seeds are in the number.
"""

import json
import os
import random
import sys
from pathlib import Path

import numpy as np
import soundfile

from models.training import texts
from models.training.voices import ENGINES, RATE, speaker

SAYS = {"kokoro": (9, 8, 3, 3), "espeak": (13, 6, 4, 5), "flite": (30, 20, 14, 14), "joe": (34, 24, 14, 16),
        "hibari": (30, 22, 12, 14)}
"""How many single words, readings, commands and pieces of talk a speaker of each engine says."""

HELD_OF = 10
"""Every tenth speaker is held: it chooses between models and is never trained on."""

LONGEST_S = 8.0


def is_held(number: int) -> bool:
    return number % HELD_OF == HELD_OF - 1


def render(folder: Path, engine: str, number: int) -> bool:
    """Writes one speaker. False: it is there already, or the engine has none of that kind."""
    place = folder / engine
    if (place / f"{number:04d}.json").exists():
        return False
    rng = random.Random(f"{engine} {number}")
    try:
        name, say = speaker(engine, is_held(number), rng)
    except LookupError:
        return False
    clips, rows, at = [], [], 0
    for kind, text in texts.session(rng, *SAYS[engine]):
        sound = _trimmed(say(text))
        if sound is None:
            continue
        rows.append({"kind": kind, "text": text, "start": at, "length": len(sound)})
        clips.append(sound)
        at += len(sound)
    if not clips:
        return False
    place.mkdir(parents=True, exist_ok=True)
    soundfile.write(place / f"{number:04d}.flac", np.concatenate(clips), RATE)
    about = {"engine": engine, "number": number, "speaker": name, "held": is_held(number), "clips": rows}
    part = place / f"{number:04d}.json.{os.getpid()}"
    part.write_text(json.dumps(about), encoding="utf-8")
    part.rename(place / f"{number:04d}.json")
    return True


def _trimmed(sound: np.ndarray) -> np.ndarray | None:
    """Cut to what is spoken and 20 ms around it, at one level; None for what no voice said."""
    loud = np.abs(sound).max(initial=0)
    if not np.isfinite(sound).all() or loud < 1e-3:
        return None
    power = np.sqrt(np.convolve(sound**2, np.full(160, 1 / 160), "same"))
    spoken = np.flatnonzero(power > 0.015 * power.max())
    cut = sound[max(0, spoken[0] - 320):spoken[-1] + 320]
    return cut * (0.7 / loud) if 0.08 * RATE < len(cut) < LONGEST_S * RATE else None


def speakers_in(folder: Path) -> list[dict]:
    """What every speaker of the corpus said: the content of the json files, with "sound", the path of the clips. A corpus
    that was sent somewhere may hold them as Ogg, one that people gave (models/recordings.py) as WAV."""
    clips = []
    for path in sorted(folder.glob("*/*.json")):
        about = json.loads(path.read_text("utf-8"))
        sound = next(path.with_suffix(kind) for kind in (".flac", ".ogg", ".wav") if path.with_suffix(kind).exists())
        clips.append(about | {"sound": sound})
    return clips


def manifest(folder: Path) -> list[dict]:
    """Every speaker of the corpus, without its clips: "engine", "number", "speaker", "held" (never trained on)."""
    return [{key: about[key] for key in ("engine", "number", "speaker", "held")} for about in speakers_in(folder)]


def write_manifest(folder: Path, file: Path) -> None:
    """One speaker a line, so that a change of the corpus can be read. Raises LookupError (no corpus), OSError."""
    rows = [json.dumps(row) for row in manifest(folder)]
    if not rows:
        raise LookupError(f"{folder} holds no speech; make some with python -m models.training.corpus.")
    file.write_text("[\n" + ",\n".join(rows) + "\n]\n", encoding="utf-8")


def main(folder: Path, engine: str, speakers: int, first: int = 0, every: int = 1) -> None:
    for number in range(first, speakers, every):
        render(folder, engine, number)


USAGE = f"""python -m models.training.corpus FOLDER ENGINE SPEAKERS [FIRST [EVERY]]; engines: {', '.join(ENGINES)}
python -m models.training.corpus --manifest FOLDER FILE"""

if __name__ == "__main__":
    if len(sys.argv) == 4 and sys.argv[1] == "--manifest":
        try:
            write_manifest(Path(sys.argv[2]), Path(sys.argv[3]))
        except (LookupError, OSError) as error:
            sys.exit(str(error))
    elif len(sys.argv) < 4 or sys.argv[2] not in ENGINES:
        sys.exit(USAGE)
    else:
        main(Path(sys.argv[1]), sys.argv[2], *(int(number) for number in sys.argv[3:]))
