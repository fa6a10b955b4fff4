"""`bowlside board`: serve the pages, and what the operator at the machine asks about them."""
from __future__ import annotations

import argparse
import signal
import sys
from contextlib import ExitStack
from functools import partial
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from assistant.files.refusal import Refusal

LOOPBACK = "127.0.0.1"
NONE = "board: no board was started here: start bowlside board, with --on where phones are to reach it."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--on", metavar="ADDRESS", type=_address, default=LOOPBACK,
                        help="the address that it listens on, or all: phones can reach it (only this machine can)")
    parser.add_argument("--port", metavar="N", type=_port, default=8080, help="the port (8080)")
    parser.add_argument("--board-folder", metavar="DIR", type=Path, help="where the station publishes (where run and round do)")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--code", action="store_true", help="the address and the code that pairs a phone")
    what.add_argument("--new-code", action="store_true", help="another code, at once; it also ends a lock")
    what.add_argument("--address", action="store_true", help="the address with a QR code to scan")
    what.add_argument("--sessions", action="store_true", help="the phones that are paired")
    what.add_argument("--revoke", metavar="N", type=_number, help="take a phone's session away, by its number, or all")
    what.add_argument("--card", metavar="FILE.svg", type=Path, help="the card of the keys with the address as a QR code")
    what.add_argument("--access-point", action="store_true", help="serve on a network of its own, which ends with the command")
    parser.add_argument("--network", metavar="NAME", default="", help="with --card: the site's own network, to join first")
    parser.add_argument("--password", metavar="WORDS", default="", help="with --network: its password")
    parser.add_argument("--dry-run", action="store_true", help="with --access-point: only print what would be run")


def run(args: argparse.Namespace) -> int:
    from assistant.board import pairing
    own = pairing.own_folder()
    if args.dry_run and not args.access_point:
        raise Refusal("board: --dry-run goes with --access-point only.")
    if args.network and not args.card or args.password and not args.network:
        raise Refusal("board: --network goes with --card, and --password with --network.")
    if args.card:
        return _card(args.card, pairing.code_of(own), args.network, args.password)
    if args.code or args.address:
        return _tell(pairing.code_of(own), qr=args.address)
    if args.new_code:
        print(f"The code is now {pairing.new_code(own)}. Phones that are paired stay paired.")
        return 0
    if args.sessions:
        found = pairing.Sessions(own).all()
        for session in found:
            print(f"{session.number:>4}  {session.made}  {session.address:<15}  {session.phone}")
        print(f"{len(found)} paired." if found else "No phone is paired.")
        return 0
    if args.revoke is not None:
        gone = pairing.Sessions(own).revoke(args.revoke or None)
        print(f"{gone} revoked." if gone else "There is no such session: bowlside board --sessions lists them.")
        return 0 if gone else 1
    return _serve(args, own)


def _serve(args: argparse.Namespace, own: Path) -> int:
    from assistant.board import access_point, address, connections, pairing, place, server
    folder = place.folder(args.board_folder)
    if args.access_point and args.dry_run:
        return access_point.dry_run()
    with ExitStack() as stack:
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))   # so that what was begun is undone
        where = args.on
        if args.access_point:
            network = stack.enter_context(access_point.AccessPoint(own))
            where = network.address
            print(f"Network {network.name}, password {network.password}.\n{address.qr_text(network.join)}\n")
        try:
            sock = stack.enter_context(connections.listening(where, args.port))
        except OSError as error:
            raise Refusal(f"board: {where} port {args.port} can't be used ({error.strerror}): is a board running already? "
                          "Choose an address of this machine with --on, or another --port.") from None
        serving = server.make(folder, own, partial(address.urls, where, sock.getsockname()[1]))
        _tell(pairing.code_of(own), qr=not ip_address(where).is_loopback)
        print(f"It shows what a station started with --board publishes in {folder}. Ctrl-C ends it.", flush=True)
        stack.callback(pairing.forget_code, own)
        server.run(serving, sock)
    return 0


def _card(path: Path, told: dict[str, Any], network: str, password: str) -> int:
    from assistant.board import card
    if not told.get("addresses"):
        raise Refusal(NONE)
    try:
        card.write(path, told["addresses"][0], network, password)
    except OSError as error:
        raise Refusal(f"board: {path} can't be written ({error.strerror}): name a folder where you may write.") from None
    print(f"{path}: print it on A4.")
    return 0


def _tell(told: dict[str, Any], qr: bool) -> int:
    from assistant.board import address
    if not told:
        raise Refusal(NONE)
    for url in told.get("addresses", []):
        print(url)
    if qr and told.get("addresses"):
        print(address.qr_text(told["addresses"][0]))
    print(f"Code {told['code']}.")
    return 0


def _address(text: str) -> str:
    try:
        return "0.0.0.0" if text == "all" else str(ip_address(text))
    except ValueError:
        raise argparse.ArgumentTypeError("give an address of this machine by number, such as 192.168.4.1, or all") from None


def _port(text: str) -> int:
    if text.isdecimal() and int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError("give a port from 1 to 65535, or 0 for one that is free")


def _number(text: str) -> int:
    if text == "all":
        return 0
    if text.isdecimal() and int(text):
        return int(text)
    raise argparse.ArgumentTypeError("give a number of --sessions, or all")
