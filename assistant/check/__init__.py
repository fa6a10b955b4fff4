"""`bowlside check`: walks every device with the technician, says what is wrong and what to do, and ends with one page."""
from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, closing, redirect_stderr
from functools import partial
from typing import Any

from assistant.check.finding import OFFICE, PINS, Finding, none_wrong, page
from assistant.files.jsonline import dumps
from assistant.files.refusal import Refusal
from assistant.record import log
from assistant.send import status_line
from assistant.station import station_settings
from assistant.station.device_names import NAMES
from hardware.hands import pins_twice

GOOD, WRONG = 0, 1
ALONE = "No terminal here, so nobody can be asked: this is the quick check."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("devices", metavar="DEVICE", nargs="*", help=f"only these: {', '.join(NAMES)} (all)")
    parser.add_argument("--quick", action="store_true", help="two seconds: open each, look at it, ask nobody")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """0: nothing wrong; 1: something wrong. Raises Refusal (wrong use) for a device that isn't known and
    a settings file that can't be right."""
    for name in args.devices:
        if name not in NAMES:
            raise Refusal(f"check: there is no device {name!r}; the devices are {', '.join(NAMES)}.")
    settings = station_settings.read()
    names = [name for name in NAMES if not args.devices or name in args.devices]
    if not args.quick and not sys.stdin.isatty():
        print(ALONE, file=sys.stderr)
        args.quick = True
    if args.quick:
        from assistant.check.quick import quick
        findings = quick(settings, names)
    else:
        findings = _walk(args, settings, names)
    if clash := pins_twice(settings):
        findings = [Finding(PINS, False, clash), *findings]
    if not args.devices and (sent := status_line.line(log.default_folder())):
        findings = [*findings, Finding(OFFICE, *sent)]
    _print(findings, args.json)
    return GOOD if none_wrong(findings) else WRONG


def _print(findings: Sequence[Finding], as_json: bool) -> None:
    if as_json:
        for finding in findings:
            print(dumps(finding.plain()), flush=True)
    else:
        print(page(findings), f"\nDevices are configured in {station_settings.default_path()}.", sep="\n", flush=True)


def _walk(args: argparse.Namespace, settings: Mapping[str, Mapping[str, Any]], names: Sequence[str]) -> list[Finding]:
    from assistant.check.devices import Opened, configured
    from assistant.check.sound import Sound
    from assistant.check.talk import TERMINAL, Talk
    from assistant.check.walk import Walk
    from assistant.station import voice_out
    from hardware.terminal import TerminalKeypad

    talk = Talk(lambda words: print(words, file=sys.stderr, flush=True))
    with ExitStack() as stack:
        # sounddevice shuts file 2 for a moment whenever it looks for devices; a copy of it stays open.
        copy = stack.enter_context(open(os.dup(sys.stderr.fileno()), "w", encoding="utf-8"))
        stack.enter_context(redirect_stderr(copy))
        stack.enter_context(TerminalKeypad(lambda key: talk.key(TERMINAL, key)))
        sound = stack.enter_context(closing(Sound(talk, voice_out.chosen(args))))
        own: dict[str, Any] = {"loudspeaker": sound}
        for name in names:
            if configured(name, settings) and name not in ("loudspeaker", "microphone"):
                own[name] = Opened(name, settings, partial(talk.key, name),
                                   lambda on: talk.key("pedal", "talk") if on else None, talk.show)
                stack.callback(own[name].close)
        return Walk(talk, settings, names, own, sound.microphone).run()
