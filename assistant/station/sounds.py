"""``bowlside sounds``: what each sound means, played after its name; and once before the first practice."""
from __future__ import annotations

import argparse
import select
import sys
import time
import wave
from collections.abc import Callable, Collection
from pathlib import Path

from assistant.files.refusal import Refusal
from assistant.station import voice_out
from hardware import cues

CUE_S = 0.9
"""From one sound to the next words."""
SKIP = "These are the sounds that you work by. Enter leaves them out; bowlside sounds plays them at any time."
SILENT = "No loudspeaker opens, so nothing is heard here. bowlside sounds --wav FOLDER writes the sounds as files for another machine."


def in_turn(names: Collection[str], tell: Callable[[str], None], cue: Callable[[str], None], pause: Callable[[float], None]) -> None:
    """Each after what it means. ``tell`` returns when that has been said."""
    for name in names:
        tell(cues.TOLD[name][0])
        cue(name)
        pause(CUE_S)


def run(args: argparse.Namespace) -> int:
    """0: played, or written; 1: there is nothing to be heard from. Raises Refusal for a sound that is not known."""
    for name in args.names:
        if name not in cues.TOLD:
            raise Refusal(f"sounds: there is no sound {name!r}; the sounds are {', '.join(cues.TOLD)}.")
    names = args.names or list(cues.TOLD)
    if args.wav:
        _write(names, args.wav)
        return 0
    speaker = voice_out.audible(voice_out.chosen(args))
    if speaker is None:
        for name in names:
            print(_line(name))
        print(SILENT, file=sys.stderr)
        return 1
    told = iter(names)

    def tell(means: str) -> None:
        print(_line(next(told)), flush=True)
        voice_out.say(speaker, "sounds", means)
    try:
        in_turn(names, tell, speaker.cue, time.sleep)
    finally:
        speaker.close()
    return 0


def before_practice(out: voice_out.Spoken) -> None:
    """Nobody has heard them yet. Not without a terminal to leave them out at, nor without a loudspeaker."""
    if not sys.stdin.isatty() or (speaker := voice_out.audible(out)) is None:
        return
    print(SKIP)

    def tell(means: str) -> None:
        print(f"  {means}", flush=True)
        voice_out.say(speaker, "sounds", means, pause)

    def pause(seconds: float) -> None:
        if _left(seconds):
            raise _Left
    try:
        in_turn(cues.OF_A_TEST, tell, speaker.cue, pause)
    except _Left:
        sys.stdin.readline()
    finally:
        speaker.close()


class _Left(Exception):
    """Enter was pressed."""


def _left(seconds: float = 0.0) -> bool:
    return bool(select.select([sys.stdin], [], [], seconds)[0])


def _line(name: str) -> str:
    means, sounds = cues.TOLD[name]
    return f"  {name:<14} {means:<48} {sounds}"


def _write(names: Collection[str], folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        with wave.open(str(folder / f"{name}.wav"), "wb") as file:
            file.setparams((1, 2, cues.RATE, 0, "NONE", ""))
            file.writeframes(cues.render(name))
    print(f"{len(names)} sounds in {folder}.")
