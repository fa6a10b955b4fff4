"""`bowlside enrol`: fits the station's own speech model to one technician's voice. Optional, and it can be undone."""
from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from assistant.core.language import sentence
from assistant.jsonline import dumps

if TYPE_CHECKING:
    import numpy as np

    from models.enrolled import Enrolled
    from models.own_model import OwnModel
    from models.enrolment import Outcome, Said

DONE, NOT_KEPT, WRONG_USE = 0, 1, 2
TEXTS = "texts.txt"
"""In a folder of recordings: a file's name and what it says, one a line."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.set_defaults(do=run)
    parser.add_argument("name", metavar="NAME", nargs="?", help="the technician: letters, digits, - or _")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--wavs", type=Path, metavar="FOLDER",
                      help=f"sentences from WAV files instead of the microphone; {TEXTS} there tells what they say")
    what.add_argument("--save", type=Path, metavar="FOLDER",
                      help="also keep what is said, in the form --wavs takes; else no sound is kept")
    what.add_argument("--texts", action="store_true", help=f"print the sentences, in the form of {TEXTS}")
    what.add_argument("--list", action="store_true", help="whose voices are kept")
    what.add_argument("--use", action="store_true", help="hear with this voice's model from the next start")
    what.add_argument("--none", action="store_true", help="hear with the model as it was shipped")
    what.add_argument("--delete", action="store_true", help="forget this voice")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """0: done, or kept; 1: not kept, too little was said, or stopped; 2: wrong use, or something is missing."""
    from models.enrolled import NotEnrolled
    from models.enrolment import TooLittle

    without_name = args.list or args.none or args.texts
    if without_name == bool(args.name):
        return _complain(f"Give {'no name' if args.name else 'the name of the technician'} here.")
    try:
        if args.texts:
            print("\n".join(f"{number:02d}.wav {text}" for number, text in enumerate(script(), 1)))
        elif args.list:
            _list(args.json)
        elif args.use or args.none:
            _use(args.name or "")
        elif args.delete:
            _delete(args.name)
        else:
            return _enrol(args)
    except TooLittle as little:
        return _complain(little, NOT_KEPT)
    except NotEnrolled as missing:
        return _complain(missing)
    except OSError as error:
        return _complain(f"{error.strerror}: {error.filename}. Nothing was changed; make room or give another folder, then try "
                         "again.")
    return DONE


def script() -> list[str]:
    """The sentences to say, in the station's language; every fourth only judges."""
    return [" ".join(one.split()) for one in sentence("enrol.script").split("|")]


def _list(as_json: bool) -> None:
    from models import enrolled

    used = _technician()
    for name in enrolled.names():
        try:
            one = enrolled.read(name)
        except enrolled.NotEnrolled as torn:
            print(torn, file=sys.stderr)
            continue
        if as_json:
            print(dumps({"name": name, "in_use": name == used, **_figures(one)}))
        else:
            print(f"{'*' if name == used else ' '} {name}, {one.day}: {_gain(one)}")
    if not as_json and not enrolled.names():
        print("No voice is kept; bowlside enrol NAME makes one.")


def _use(name: str) -> None:
    """Remember whose voice is heard; "": the model as it was shipped."""
    from assistant import station_settings
    from models import enrolled

    if name:
        enrolled.model_of(name, enrolled.SHIPPED)
    station_settings.write("hearing", "technician", name)
    print(f"From the next start the station's own model hears the voice of {name}." if name
          else "From the next start the station's own model hears as it was shipped.")


def _delete(name: str) -> None:
    from assistant import station_settings
    from models import enrolled

    enrolled.delete(name)
    if _technician() == name:
        station_settings.write("hearing", "technician", "")
    print(f"The voice of {name} is deleted.")


def _technician() -> str:
    from assistant import station_settings

    return str(station_settings.read()["hearing"]["technician"])


# --- enrolling -------------------------------------------------------------------------------------------------------------


def _enrol(args: argparse.Namespace) -> int:
    from assistant.mic_listen import NoMicrophone
    from hardware.synth import SynthError
    from models import enrolled, enrolment
    from models.own_model import OwnModel
    from models.wav import BadSound

    enrolled.folder_of(args.name)                           # a name that is none is told before two minutes of talk
    own = OwnModel(enrolled.SHIPPED)
    try:
        said = from_folder(args.wavs) if args.wavs else _from_microphone(args, own)
    except (BadSound, NoMicrophone) as missing:
        return _complain(missing)
    if said is None:
        return NOT_KEPT
    began = time.monotonic()
    used, left_out = own.matching(said)
    for one, heard in left_out:
        print(f'Left out: "{one.text}" sounded more like "{heard}".', file=sys.stderr)
    try:
        others = other_voices()
    except SynthError as silent:
        return _complain(f"{silent} Without another voice to compare with nothing is fitted; nothing was changed.")
    outcome = enrolment.adapt(own.network, used, own.lexicon, own.hears, others)
    took_s = time.monotonic() - began
    if outcome.kept:
        _tell(enrolled.keep(args.name, outcome, enrolled.SHIPPED, date.today().isoformat()), took_s, args.json)
        return DONE
    return _tell_not_kept(args.name, outcome, took_s, args.json)


def from_folder(folder: Path) -> list[Said]:
    """The sentences of a folder of WAV files, every fourth of them to judge by. Raises BadSound."""
    from models.enrolment import HELD_EVERY, Said
    from models.wav import BadSound, read, to_sound

    try:
        lines = (folder / TEXTS).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise BadSound(f"{folder / TEXTS}: can't be read; it tells what each WAV file says, one a line: 01.wav seven point two "
                       "five.") from None
    rows = [line.split() for line in lines if line.strip()]
    _check_words(folder, rows)
    return [Said(" ".join(words), to_sound(*read(folder / name)), number % HELD_EVERY == HELD_EVERY - 1)
            for number, (name, *words) in enumerate(rows)]


def _check_words(folder: Path, rows: Sequence[Sequence[str]]) -> None:
    from models.grammar import EVERYTHING, words_for
    from models.wav import BadSound

    known = set(words_for(EVERYTHING))
    for name, *words in rows:
        wrong = [word for word in words if word not in known]
        if wrong or not words:
            says = f"{wrong[0]!r}, which is no word of the station" if wrong else "nothing"
            raise BadSound(f"{folder / TEXTS}: {name} says {says}; take sentences from bowlside enrol --texts.")


def _from_microphone(args: argparse.Namespace, own: OwnModel) -> list[Said] | None:
    """What was said, or None if it was stopped. Raises NoMicrophone."""
    from assistant import enrol_listen

    texts, said = script(), []
    try:
        for one in enrol_listen.sentences(texts, lambda one: own.fits_best(one, texts)):
            said.append(one)
    except KeyboardInterrupt:
        _complain(f"Stopped after {len(said)} of {len(texts)} sentences; {len(texts) - len(said)} are missing, so nothing is "
                  "kept and nothing was changed.")
        return None
    if args.save:
        try:
            save(args.save, said)
            print(f"The recordings are kept in {args.save}: delete that folder when nobody needs them.", file=sys.stderr)
        except OSError as error:                            # the talk is not lost with it
            _complain(f"The recordings can't be kept ({error.strerror}: {error.filename}); fitting goes on without.")
    return said


def save(folder: Path, said: Sequence[Said]) -> None:
    """The sentences as WAV files with their texts, for --wavs. Raises OSError."""
    import numpy as np

    from hardware.stream import write_wav
    from models.wav import RATE, to_pcm

    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for number, one in enumerate(said, 1):
        write_wav(folder / f"{number:02d}.wav", np.frombuffer(to_pcm(one.sound), "<i2"), RATE)
    (folder / TEXTS).write_text("".join(f"{number:02d}.wav {one.text}\n" for number, one in enumerate(said, 1)), encoding="utf-8")


def other_voices() -> list[np.ndarray]:
    """Every word that the station knows, in fours, by its own synthesiser: what must be heard as before. Raises SynthError."""
    from hardware.synth import Synth
    from hardware.voice import VoiceSettings
    from models.grammar import EVERYTHING, words_for
    from models.wav import to_sound

    words = words_for(EVERYTHING)
    random.Random(3).shuffle(words)
    words += words[:-len(words) % 4]
    synth = Synth(VoiceSettings())
    try:
        return [to_sound(synth.render(" ".join(words[at:at + 4])), Synth.RATE) for at in range(0, len(words), 4)]
    finally:
        synth.close()


def _tell(one: Enrolled, took_s: float, as_json: bool) -> None:
    if as_json:
        print(dumps({"name": one.name, "kept": True, "took_s": round(took_s, 1), **_figures(one)}))
    else:
        print(f"The voice of {one.name} is kept: {_gain(one)}. bowlside enrol {one.name} --use makes it the one in use.")


def _tell_not_kept(name: str, outcome: Outcome, took_s: float, as_json: bool) -> int:
    if as_json:
        print(dumps({"name": name, "kept": False, "took_s": round(took_s, 1), **_figures(outcome)}))
    else:
        print(f"Not kept, for it would hear {name} no better: {_gain(outcome)}. Nothing was changed.")
    return NOT_KEPT


def _figures(one: Enrolled | Outcome) -> dict:
    return {"before": asdict(one.before), "after": asdict(one.after)}


def _gain(one: Enrolled | Outcome) -> str:
    """Of the sentences held back."""
    return (f"of {one.after.of} sentences that it did not learn from {one.after.right} are right, {one.before.right} before; "
            f"loss a sound {one.after.loss:.3f}, {one.before.loss:.3f} before")


def _complain(words: object, code: int = WRONG_USE) -> int:
    print(words, file=sys.stderr)
    return code
