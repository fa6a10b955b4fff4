"""`bowlside mic check`: listens, measures, and says what is right and what to move."""
from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from assistant.files.jsonline import dumps

if TYPE_CHECKING:
    from assistant.speech.mic_report import Measured

GOOD, MOVE, WRONG_USE = 0, 1, 2
WORDS_S, LONGEST_S = 8.0, 60


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--wav", nargs="+", metavar="FILE", default=[],
                        help="judge recordings instead: some noise, then words (16-bit WAV, one or two channels)")
    parser.add_argument("--seconds", type=float, default=WORDS_S, metavar="N", help=f"time for the five digits ({WORDS_S:.0f})")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """0: all is right; 1: something to move; 2: wrong use, or no microphone."""
    if not 2 <= args.seconds <= LONGEST_S:
        return _complain(f"--seconds {args.seconds:g}: give 2 to {LONGEST_S}.")
    from assistant.speech import mic_listen
    from models.wav import BadSound

    if not args.wav:
        try:
            return _tell(mic_listen.listen(args.seconds), None, args.json)
        except mic_listen.NoMicrophone as missing:
            return _complain(missing)
    outcome = GOOD
    for name in args.wav:
        try:
            outcome = max(outcome, _tell(mic_listen.from_file(name), name, args.json))
        except BadSound as bad:
            outcome = _complain(bad)
    return outcome


def _tell(measured: Measured, name: str | None, as_json: bool) -> int:
    from assistant.speech import mic_report

    plain = mic_report.plain(measured)
    if as_json:
        print(dumps({"file": name, **plain}), flush=True)
    else:
        for remark in mic_report.remarks(measured):
            print(f"{f'{name}: ' if name else ''}{'ok  ' if remark.good else 'MOVE'}  {remark.words}", flush=True)
    return GOOD if plain["good"] else MOVE


def _complain(sentence: object) -> int:
    print(sentence, file=sys.stderr)
    return WRONG_USE
