"""A network of the station's own, by the system's network manager: nmcli(1), nm-settings-nmcli(5).

NetworkManager then hands out addresses and stands at the first of them. It also passes a phone on to whatever other network the
station has ("shared"). Written from those pages, from memory; never tried on a real radio.
"""
from __future__ import annotations

import secrets
import subprocess
from pathlib import Path

from assistant.board import address
from assistant.files import owner_only
from assistant.files.refusal import Refusal

NAME = "bowlside-board"
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""None that is taken for another."""
REMOVE = ["nmcli", "connection", "delete", NAME]
UP = ["nmcli", "--wait", "30", "connection", "up", NAME]
ASK = ["nmcli", "--get-values", "IP4.ADDRESS", "connection", "show", NAME]


def add(password: str) -> list[str]:
    return ["nmcli", "connection", "add", "type", "wifi", "ifname", "*", "con-name", NAME, "autoconnect", "no", "ssid", NAME,
            "802-11-wireless.mode", "ap", "802-11-wireless.band", "bg", "ipv4.method", "shared", "ipv6.method", "disabled",
            "802-11-wireless-security.key-mgmt", "wpa-psk", "802-11-wireless-security.psk", password]


def password_of(own: Path) -> str:
    """Made once, then kept, so that phones that joined come back by themselves."""
    own.mkdir(parents=True, exist_ok=True, mode=0o750)
    path = own / "network"
    if not path.exists():
        with open(path, "w", encoding="utf-8", opener=owner_only.opener) as file:
            file.write("".join(secrets.choice(LETTERS) for _ in range(12)))
    return path.read_text(encoding="utf-8").strip()


def dry_run() -> int:
    for command in (add("PASSWORD"), UP, ASK, REMOVE):
        print(f"$ {' '.join(command)}")
    print("The last one is run when the board is stopped.")
    return 0


class AccessPoint:
    """While it is entered the network is there. Raises Refusal."""

    def __init__(self, own: Path) -> None:
        self.name, self.password = NAME, password_of(own)
        self.join = address.wifi(self.name, self.password)
        self.address = ""

    def __enter__(self) -> AccessPoint:
        _run(REMOVE, may_fail=True)     # left by a machine that lost its power
        try:
            _run(add(self.password))
            _run(UP)
            self.address = _run(ASK).partition("/")[0].strip()
            if not self.address:
                raise Refusal("board: the network has no address: look at nmcli device status.")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *error: object) -> None:
        _run(REMOVE, may_fail=True)


def _run(command: list[str], may_fail: bool = False) -> str:
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    except FileNotFoundError:
        raise Refusal("board: there is no nmcli here: an access point needs NetworkManager, which Raspberry Pi OS has.") from None
    except subprocess.TimeoutExpired:
        raise Refusal("board: the network manager does not answer: look at nmcli general status.") from None
    if done.returncode and not may_fail:
        why = (done.stderr or done.stdout).strip().splitlines()[-1:]
        raise Refusal(f"board: no access point could be made: {''.join(why).rstrip('.') or 'nmcli says no more'}. "
                      "Try nmcli device wifi list: is there a radio, and is it on?")
    return done.stdout
