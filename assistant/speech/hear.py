"""`bowlside hear`: what the station would understand of recordings, one line each."""

import argparse
import json
import sys
from dataclasses import asdict
from decimal import Decimal, InvalidOperation

from assistant.core.expect import Expect

DONE, REFUSED, WRONG_USE = 0, 1, 2
LIKELY_PSI = 8
"""A range no wider than this is taken for what a step makes likely (the first equilibrium's is 7 psi wide); a wider one tells
nothing."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--expect", choices=("reading", "command", "yesno"), required=True,
                        help="what the station listens for")
    parser.add_argument("--low", metavar="L", help="lowest plausible reading")
    parser.add_argument("--high", metavar="H", help="highest plausible reading")
    parser.add_argument("--places", type=int, metavar="N", help="decimal places of the gauge")
    parser.add_argument("--model", metavar="DIR", help="a vosk model's folder, or own: the station's (the installed one, if any)")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.add_argument("wavs", nargs="+", metavar="WAV", help="mono 16-bit WAV of 8, 16, 22.05, 44.1 or 48 kHz")


def run(args: argparse.Namespace) -> int:
    """0: every recording was understood and accepted; 1: one was not; 2: one can't be used, or wrong use."""
    try:
        expect = _expectation(args)
    except ValueError as wrong:
        return _complain(wrong)
    from models.locate import ModelMissing
    from models.wav import BadSound, read

    try:
        from assistant.station.hearing import open_ear

        ear = open_ear(args.model)
    except (ModelMissing, RuntimeError) as wrong:
        return _complain(wrong)
    except ModuleNotFoundError as wrong:
        return _complain(f"The Python package {wrong.name} is not installed; run the set-up again.")
    print(ear.sentence, file=sys.stderr)
    outcome = DONE
    for wav in args.wavs:
        try:
            pcm, rate = read(wav)
        except BadSound as bad:
            outcome = WRONG_USE
            _complain(bad)
            continue
        understood = ear.understand(pcm, rate, expect)
        if not understood.accepted:
            outcome = max(outcome, REFUSED)
        line = {"file": wav, **asdict(understood)}
        print(json.dumps(line) if args.json else _readable(line), flush=True)
    return outcome


def _expectation(args: argparse.Namespace) -> Expect:
    low, high = _end("low", args.low), _end("high", args.high)
    if args.expect != "reading" and (low, high, args.places) != (None, None, None):
        raise ValueError("--low, --high and --places go with --expect reading only.")
    if low is not None and high is not None and low > high:
        raise ValueError(f"--low {low} is above --high {high}; swap them.")
    if args.places is not None and not 0 <= args.places <= 3:
        raise ValueError(f"--places {args.places}: give 0 to 3.")
    near = (low, high) if low is not None and high is not None and high - low <= LIKELY_PSI else None
    return Expect(args.expect, low, high, args.places, near)


def _end(name: str, text: object) -> Decimal | None:
    try:
        end = None if text is None else Decimal(str(text))
    except InvalidOperation:
        end = Decimal("NaN")
    if end is not None and not end.is_finite():
        raise ValueError(f"--{name} {text}: not a number; give one such as 7.25.")
    return end


def _readable(line: dict) -> str:
    heard = f'heard "{line["heard"]}"' if line["heard"] else "heard nothing sure"
    if line["accepted"]:
        return f"{line['file']}: {line['value']} ({heard})"
    return f"{line['file']}: refused ({heard}). {line['why']}"


def _complain(sentence: object) -> int:
    print(sentence, file=sys.stderr)
    return WRONG_USE
