"""``bowlside rehearse``: a script is played through the real machine."""
from __future__ import annotations

import argparse
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from assistant.files import by_hand
from assistant.files.refusal import Refusal
from assistant.record import lines, log
from assistant.record.journal import Journal


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("script", metavar="SCRIPT", help="one JSON object a line, or - for standard input")
    parser.add_argument("--answer-rest", action="store_true",
                        help="answer what the script leaves out as a cooperative technician; never a reading")
    parser.add_argument("--realtime", action="store_true", help="at the pace of a real test")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.add_argument("--wav", type=Path, metavar="FILE", help="what the station says and sounds, as a WAV file")
    log.journal_argument(parser, "a throw-away one")


def run(args: argparse.Namespace) -> int:
    from assistant.rehearsal.rehearse import Rehearsal
    from assistant.rehearsal.script import read
    from assistant.rehearsal.whole_round import RoundRehearsal
    piped = args.script == "-"
    name, folder = ("standard input", Path.cwd()) if piped else (args.script, Path(args.script).parent)
    try:
        text = by_hand.text_of(sys.stdin.buffer) if piped else by_hand.text(Path(args.script))
    except by_hand.Unreadable as why:
        raise Refusal(f"The script {name} can't be read: {why}. Give a text file of JSON lines.") from None
    script = read(text.splitlines(), name, folder)
    if args.wav and not args.wav.parent.is_dir():
        raise Refusal(f"There is no folder {args.wav.parent} to write {args.wav.name} into.")
    if args.wav and args.wav.is_dir():
        raise Refusal(f"rehearse: --wav {args.wav} is a folder: name a file in it.")
    write = lines.to_json() if args.json else lines.to_people()
    with ExitStack() as stack:
        folder = args.journal or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="bowlside-")))
        journal = stack.enter_context(Journal(folder))
        log.tell_damage(journal)
        voice = hear_wav = None
        if args.wav:
            from assistant.rehearsal.voice_on_tape import VoiceOnTape
            from assistant.station.voice_out import PACE
            pace = PACE.get(str(script.header.labels.get("speech")), PACE["normal"])
            voice = stack.enter_context(VoiceOnTape(args.wav, pace))
        if any(answer.kind == "hear" for answer in script.answers):
            from assistant.station.ears import WavEar
            hear_wav = WavEar()
        played = Rehearsal if script.round is None else RoundRehearsal
        return played(script, journal, write, args.answer_rest, args.realtime, voice, hear_wav).run()
