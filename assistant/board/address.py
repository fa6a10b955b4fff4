"""How a phone gets there: by number, since a name does not resolve on every phone, and by a QR code."""
from __future__ import annotations

import fcntl
import os
import socket
import struct
from ipaddress import ip_address

import segno
import segno.helpers

PORT = 8080
_SIOCGIFADDR = 0x8915       # netdevice(7)


def own_addresses() -> list[str]:
    """The first IPv4 address of each network card that has one, but for loopback: netdevice(7)."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for name in sorted(os.listdir("/sys/class/net")):  # if_nameindex asks by netlink, which the service may not
            try:
                answer = fcntl.ioctl(sock, _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
            except OSError:
                continue        # it has none
            found.append(socket.inet_ntoa(answer[20:24]))
    return [address for address in found if not ip_address(address).is_loopback]


def urls(address: str, port: int) -> list[str]:
    """What to type on a phone for a board that listens on ``address``."""
    everywhere = ip_address(address).is_unspecified
    numbers = (own_addresses() if everywhere else [address]) or ["127.0.0.1"]
    shown = (f"[{number}]" if ":" in number else number for number in numbers)
    return [f"http://{number}/" if port == 80 else f"http://{number}:{port}/" for number in shown]


def qr_rows(text: str) -> list[list[bool]]:
    """The modules, dark is True, with a quiet border of four as ISO/IEC 18004 asks (from memory)."""
    return [[bool(module) for module in row] for row in segno.make(text, error="m", micro=False).matrix_iter(border=4)]


def qr_text(text: str) -> str:
    """For a terminal, light on dark as it is: two rows of modules in one row of letters, and the light ones are drawn."""
    rows = qr_rows(text)
    rows += [[False] * len(rows[0])] * (len(rows) % 2)
    return "\n".join("".join("█▀▄ "[2 * upper + lower] for upper, lower in zip(*pair, strict=True))
                     for pair in zip(rows[::2], rows[1::2], strict=True))


def wifi(name: str, password: str) -> str:
    """What a phone's camera takes for a network to join."""
    return str(segno.helpers.make_wifi_data(ssid=name, password=password or None, security="WPA" if password else None))
