"""`bowlside send`: enrol this station at an office, send for ever or once, say how far it is."""
from __future__ import annotations

import argparse
import re
import signal
import ssl
import sys
from pathlib import Path
from typing import Any

from assistant.files.jsonline import dumps
from assistant.files.refusal import Refusal
from assistant.record import log


def add_arguments(parser: argparse.ArgumentParser) -> None:
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--once", action="store_true", help="send what waits, then end (for ever)")
    what.add_argument("--status", action="store_true", help="what waits, and why (exit 1: something waits)")
    parser.add_argument("--json", action="store_true", help="with --status: one JSON object")
    _record(parser)
    enrolling = parser.add_subparsers(metavar="WHAT").add_parser(
        "enrol", help="Make this station known to an office, with the code that the office gave for it.",
        description="Makes this station known to an office, with the code that the office gave for it.")
    enrolling.add_argument("address", metavar="ADDRESS", help="the office's address, such as https://office.example:8443")
    enrolling.add_argument("--code", required=True, metavar="1234-5678", help="the code that the office gave for this station; it counts once")
    enrolling.add_argument("--authority", type=Path, metavar="FILE", help="the certificate of the office's own authority, PEM (the system's)")
    _record(enrolling)
    enrolling.set_defaults(do=enrol)


def _record(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--practice", action="store_true", help="the record of practice, at an office that enrolled a practice station")
    log.journal_argument(parser)


def enrol(args: argparse.Namespace) -> int:
    from assistant.send.office_link import Link, NoAnswer, address_of
    from assistant.send.place import Sent
    code = re.sub(r"[\s-]", "", args.code)
    if not re.fullmatch(r"\d{8}", code, re.ASCII):
        raise Refusal("send enrol: the code is eight digits, such as 1234-5678: ask the office for it.")
    try:
        address = address_of(args.address)
    except ValueError as error:
        raise Refusal(f"send enrol: {error}") from None
    authority = _authority(args.authority) if args.authority else None
    sent = Sent(_journal(args))
    try:
        sent.room()
    except OSError as error:
        raise Refusal(f"send enrol: {sent.path} can't be written ({error.strerror}): make room, or start this as the login that the "
                      "station runs as. The code was not used.") from None
    link = Link(address, authority=args.authority)
    try:
        office, key = link.enrol(f"{code[:4]}-{code[4:]}")
    except NoAnswer as error:
        print(f"bowlside: send enrol: {error}", file=sys.stderr)
        return 1
    finally:
        link.close()
    if office.practice != args.practice:
        meant = "a practice station: type this with --practice" if office.practice else "a station whose tests count: leave --practice out"
        raise Refusal(f"send enrol: the office made that code for {meant}, with a new code of the office, since this one is used up.")
    sent.enrol(office, key, authority)
    print(f"Enrolled as {office.name} at {office.office}, {office.address}.")
    print("Practice and invented tests are sent, and the office marks them." if office.practice else "Practice and invented tests stay here.")
    print(f"What is recorded leaves by bowlside send{' --practice' if office.practice else ''}; the service bowlside-send begins by itself.")
    return 0


def run(args: argparse.Namespace) -> int:
    from assistant.send import sender
    from assistant.send.place import Sent
    journal = _journal(args)
    sent = Sent(journal)
    if args.json and not args.status:
        raise Refusal("send: --json goes with --status only.")
    if args.status:
        return _status(sent, journal, args.json)
    if args.once and sent.office() is None:
        raise _unknown()
    sent.take()
    try:
        if args.once:
            return _once(sent, journal)
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
        sender.run(sent, journal, lambda words: print(words, flush=True))
    finally:
        sent.close()
    return 0


def _once(sent: Any, journal: Path) -> int:
    from assistant.send.outbox import TRIES
    from assistant.send.sender import begun
    sending = begun(sent, journal, lambda words: print(words, flush=True))
    sending.outbox.look()
    for _ in range(TRIES + 1):      # more than one only where the record can't be read
        while sending.turn() == 0.0:
            pass
        if not sending.waiting:
            break
    left = len(sending.waiting)
    refused = len(sending.place.refused)
    print(f"{left} {'test waits' if left == 1 else 'tests wait'}." if left else "Nothing waits." if sending.trouble
          else f"All sent but {refused} that the office did not take: bowlside send --status tells why." if refused else "All sent.")
    return 1 if left or sending.trouble else 0


def _status(sent: Any, journal: Path, as_json: bool) -> int:
    from assistant.send.outbox import Outbox
    from assistant.send.sender import beyond, fits
    if (office := sent.office()) is None:
        raise _unknown()
    outbox = Outbox(journal, office.practice)
    outbox.look()
    place, told = sent.place(), sent.told()
    waiting = beyond(outbox, place) if fits(place, outbox) else outbox.entries
    status = {"station": office.name, "office": office.office, "address": office.address, "practice": office.practice,
              "running": sent.taken(), "record": str(outbox.record or ""), "waiting": len(waiting),
              "tests": sorted({abs(entry.test) for entry in waiting}), "sent": place.count if waiting is not outbox.entries else 0,
              "answered": str(told.get("answered") or ""), "trouble": str(told.get("trouble") or ""), "since": str(told.get("since") or ""),
              "refused": [{"test": each["test"], "why": each["why"]} for each in place.refused.values()]}
    print(dumps(status) if as_json else _page(status))
    return 1 if waiting else 0


def _page(status: dict[str, Any]) -> str:
    count = status["waiting"]
    lines = [f"{status['station']} at {status['office']}, {status['address']}" + ("; practice" if status["practice"] else ""),
             ("All sent but what was not taken." if status["refused"] else "All sent.") if not count else f"{count} {'test waits' if count == 1 else 'tests wait'}, the oldest is test {status['tests'][0]}."]
    if status["answered"]:
        lines.append(f"The office's last answer: {status['answered'].replace('T', ' ')}.")
    if status["trouble"]:
        lines.append(f"Since {status['since'].replace('T', ' ')}: {status['trouble']}")
    lines += [f"Not taken, test {each['test']}: {each['why']}" for each in status["refused"]]
    if not status["running"]:
        lines.append("Nothing is being sent now: start bowlside send, or the service (bowlside install-service --send).")
    return "\n".join(lines)


def _unknown() -> Refusal:
    return Refusal("send: this station is not enrolled at an office: bowlside send enrol ADDRESS --code CODE, with the code that the "
                   "office gives for it.")


def _journal(args: argparse.Namespace) -> Path:
    """The record that was named; else the station's own, or its practice where that is what is enrolled."""
    from assistant.send.place import Sent
    if args.journal or args.practice:
        return args.journal or log.default_folder(practice=True)
    own, practice = log.default_folder(), log.default_folder(practice=True)
    enrolling = hasattr(args, "address")
    return practice if not enrolling and Sent(own).office() is None and Sent(practice).office() is not None else own


def _authority(path: Path) -> bytes:
    try:
        ssl.create_default_context(cafile=str(path))
        return path.read_bytes()
    except (OSError, ssl.SSLError) as error:
        why = error.strerror if isinstance(error, OSError) and not isinstance(error, ssl.SSLError) else "it is no certificate in PEM"
        raise Refusal(f"send enrol: {path} can't be used as an authority ({why}): ask the office for its authority's certificate.") from None
