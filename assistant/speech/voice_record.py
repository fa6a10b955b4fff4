"""`bowlside voice record FOLDER`: somebody gives their voice, prompt by prompt, for the next training; or a folder is checked."""
from __future__ import annotations

import argparse
import queue
import secrets
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from assistant.core.language import sentence
from assistant.files.jsonline import dumps

if TYPE_CHECKING:
    from hardware.microphone import Microphone
    from models.recordings import Given
    from models.sheet import Prompt

DONE, NOT_GOOD, WRONG_USE = 0, 1, 2
ANSWER_S = 8.0
"""For what is shown to be begun and said; the longest reading takes four seconds."""
CODE_LETTERS = "23456789abcdefghjkmnpqrstvwxyz"
"""None that is taken for another on paper."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="where the recordings are kept, or are looked for")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--speaker", metavar="CODE", help="go on with the recordings of this code")
    what.add_argument("--check", action="store_true", help="record nothing: name every file that could not be trained on")
    what.add_argument("--sheet", action="store_true", help="record nothing: print what the next speaker would be asked to say")
    parser.add_argument("--json", action="store_true", help="with --check or --sheet: one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """0: recorded, or nothing is wrong; 1: something is wrong, or nothing was kept; 2: wrong use, or no microphone."""
    from models import recordings, sheet

    if args.check:
        faults = list(recordings.faults(args.folder))
        for fault in faults:
            print(dumps({"fault": fault}) if args.json else fault)
        if not faults and not args.json:
            print(f"{args.folder}: nothing is wrong.")
        return NOT_GOOD if faults else DONE
    if args.sheet:
        for kind, text in sheet.sheet(recordings.next_number(args.folder), sheet.said_by(args.folder)):
            print(dumps({"kind": kind, "text": text}) if args.json else f"{kind:8} {text}")
        return DONE
    return _record(args.folder, args.speaker)


class Studio(Protocol):
    """What a session talks to: a terminal, a microphone, a loudspeaker."""

    def show(self, text: str) -> None: ...

    def ask(self, text: str) -> str:
        """Raises EOFError, KeyboardInterrupt: stop."""
        ...

    def listen(self) -> bytes | None:
        """The next utterance, 16-bit samples at 16 kHz; None: nothing was said. Raises NoMicrophone."""
        ...

    def play(self, pcm: bytes) -> bool:
        """False: there is no loudspeaker."""
        ...


def _record(folder: Path, code: str | None) -> int:
    from assistant.speech.mic_listen import NoMicrophone

    studio = Desk()
    try:
        given = chosen(studio, folder, code)
        if given is None:
            return NOT_GOOD
        return session(studio, given)
    except (EOFError, KeyboardInterrupt):
        return _complain(sentence("record.declined"), NOT_GOOD)
    except (NoMicrophone, ValueError) as missing:
        return _complain(missing)
    except OSError as error:
        return _complain(f"{error.strerror}: {error.filename}. What was kept before is still there; make room or give another "
                         "folder, then go on.")
    finally:
        studio.close()


# --- who speaks ------------------------------------------------------------------------------------------------------------


def chosen(studio: Studio, folder: Path, code: str | None) -> Given | None:
    """The speaker to go on with, or a new one who has agreed; None: nobody. Raises ValueError, EOFError, KeyboardInterrupt."""
    from models import recordings

    begun = recordings.given(folder)
    if code is None and any(given.left for given in begun.values()):
        code = studio.ask(sentence("record.which")).strip()
    if not code:
        return _new(studio, folder)
    if code not in begun:
        raise ValueError(sentence("record.no_code", code=code, folder=folder, codes=", ".join(begun) or "-"))
    return begun[code]


def _new(studio: Studio, folder: Path) -> Given | None:
    from models import recordings, sheet

    number = recordings.next_number(folder)
    code = "".join(secrets.choice(CODE_LETTERS) for _ in range(6))
    prompts = sheet.sheet(number, sheet.said_by(folder))
    first, second = recordings.LICENCES
    text = sentence("record.consent", count=len(prompts), code=code, first=first, second=second,
                    files=folder / recordings.ENGINE / f"{number:04d}.*")
    text = "\n\n".join(" ".join(part.split()) for part in text.split("|"))
    studio.show(text)
    if studio.ask(sentence("record.agree")).strip().lower() != "yes":
        studio.show(sentence("record.declined"))
        return None
    pick = ""
    while pick not in ("1", "2"):
        pick = studio.ask(sentence("record.licence", first=first, second=second)).strip()
    licence = (first, second)[int(pick) - 1]
    accent = studio.ask(sentence("record.accent")).strip()
    agreed = sentence("record.agreed", day=date.today().isoformat(), code=code, licence=licence, url=recordings.LICENCES[licence])
    studio.show(sentence("record.keep_code", code=code))
    return recordings.Given(folder, number, code, licence, f"{text}\n\n{agreed}\n", accent, prompts)


# --- prompt by prompt --------------------------------------------------------------------------------------------------------


def session(studio: Studio, given: Given) -> int:
    """0 once anything is kept, 1 if nothing is. Raises NoMicrophone, OSError; what was kept before stays."""
    studio.show(sentence("record.begin"))
    try:
        for prompt in given.left:
            _said(studio, given, prompt)
    except (EOFError, KeyboardInterrupt, _Stop):
        pass
    done, of, left = len(given.clips), len(given.sheet), len(given.left)
    if not done:
        studio.show(sentence("record.declined"))
        return NOT_GOOD
    studio.show(sentence("record.stopped", done=done, of=of, left=left, folder=given.place.parent, where=given.folder,
                         code=given.code)
                if left else sentence("record.done", done=done, folder=given.place.parent))
    return DONE


class _Stop(Exception):
    """The speaker has had enough."""


def _said(studio: Studio, given: Given, prompt: Prompt) -> None:
    """Until this one is kept or skipped. Raises _Stop."""
    from models import recordings
    from models.wav import RATE, to_sound

    place = sentence("record.say", n=len(given.sheet) - len(given.left) + 1, of=len(given.sheet), words=prompt[1])
    while True:
        studio.show(place)
        pcm = studio.listen() or b""
        sound = to_sound(pcm, RATE)
        wrong = recordings.doubt(sound)
        if wrong:
            studio.show(sentence(f"record.{wrong}"))
        good = wrong in ("", "noisy")
        while (key := studio.ask(sentence("record.keys" if good else "record.keys_bad")).strip().lower()[:1]) == "p":
            if not studio.play(pcm):
                studio.show(sentence("record.no_sound"))
        if key == "q":
            raise _Stop
        if key == "s":
            given.skip(prompt)
            return
        if good and not key:
            given.keep(prompt, recordings.trimmed(sound))
            return


# --- the desk --------------------------------------------------------------------------------------------------------------


class Desk:
    """The terminal, the station's microphone and its loudspeaker; the sound devices open when they are first needed."""

    def __init__(self, open_input: Callable | None = None, ask: Callable[[str], str] = input) -> None:
        """open_input: as of hardware.microphone.Microphone; ask: another way to read a line."""
        from models.listener import Listener

        self._open_input, self.ask = open_input, ask
        self._blocks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._trouble: list[str] = []
        self._listener, self._any = Listener(), False
        self._microphone: Microphone | None = None

    def show(self, text: str) -> None:
        print(text, flush=True)

    def listen(self) -> bytes | None:
        from assistant.speech.mic_listen import PATIENCE_S, NoMicrophone
        from hardware.microphone import Microphone

        if self._microphone is None:
            self._microphone = Microphone(self._blocks.put, lambda: False, self._trouble.append, open_input=self._open_input)
        while not self._blocks.empty():                     # from while keys were asked for: the background is learned from it
            self._any = True
            self._listener.feed(self._blocks.get())
        self._listener.reset()
        end = time.monotonic() + ANSWER_S + (0.0 if self._any else PATIENCE_S)
        while (left := end - time.monotonic()) > 0:
            try:
                block = self._blocks.get(timeout=left)
            except queue.Empty:
                break
            self._any = True
            for said in self._listener.feed(block):
                return said
        if not self._any:
            raise NoMicrophone(self._trouble[0] if self._trouble else
                               "The microphone gives nothing: connect it again; what was kept before is still there.")
        return None

    def play(self, pcm: bytes) -> bool:
        from hardware.mixer import Mixer
        from hardware.stream import OutputStream
        from models.wav import RATE

        mixer = Mixer()
        stream = OutputStream(mixer)
        try:
            clip = mixer.place(pcm, RATE, "speech")
            clip.over.wait(len(pcm) / 2 / RATE + 3)
            time.sleep(stream.latency_s)
            return bool(stream.audible)
        finally:
            stream.close()

    def close(self) -> None:
        if self._microphone is not None:
            self._microphone.close()


def _complain(words: object, code: int = WRONG_USE) -> int:
    print(words, file=sys.stderr)
    return code
