"""The files of a station that starts by itself, as texts: systemd.unit(5), udev(7), sysusers.d(5), tmpfiles.d(5)."""
from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import PurePosixPath
from string import Template
from typing import Any

GROUPS = ("audio", "gpio", "dialout", "input", "spi")
USER = "bowlside"
DATA = "/var/lib/bowlside"
ETC = "/etc/bowlside"
UNIT = "etc/systemd/system/bowlside.service"
RULES = "etc/udev/rules.d/70-bowlside.rules"
SYSUSERS = "etc/sysusers.d/bowlside.conf"
TMPFILES = "etc/tmpfiles.d/bowlside.conf"
BOARD_UNIT = "etc/systemd/system/bowlside-board.service"
SEND_UNIT = "etc/systemd/system/bowlside-send.service"
BOARD = "bowlside-board"
"""User and group of the crew's board."""
PUBLISHED = "/run/bowlside-board"
"""What the board may see: in memory, made when the machine starts (assistant/board/place.py)."""
_PLAIN = re.compile(r"[A-Za-z0-9/_.@:+,=-]+")


class DeploymentError(ValueError):
    """What was asked for can't be written into those files. str() is one sentence."""


@dataclass(frozen=True)
class Service:
    """What differs from station to station."""
    program: str
    """absolute path of the command bowlside"""
    user: str = USER
    own_user: bool = True
    """it is made for the station; False: somebody's login that is there already"""
    data: str = DATA
    """the one folder that is written: record, voices, caches; may be a partition of its own"""
    arguments: Sequence[str] = field(default=("run", "sequential", "--headless"))
    gauge_serial: str = ""
    """USB serial number of the gauge's adapter"""
    board: str = ""
    """address that the crew's board listens on, or all; empty: there is no board"""
    send: bool = False
    """what is recorded leaves for an office"""


def written(service: Service) -> dict[str, str]:
    """Path below the root -> text. Raises DeploymentError for a name that those files would read as something else."""
    for what, value in (("program", service.program), ("user", service.user), ("data folder", service.data),
                        *(("argument", argument) for argument in service.arguments),
                        *([("gauge's serial number", service.gauge_serial)] if service.gauge_serial else [])):
        if not _PLAIN.fullmatch(value):
            raise DeploymentError(f"The {what} {value!r} can't stand in a service file: use letters, digits and "
                                  "/ _ . @ : + , = - only.")
    for what, value in (("program", service.program), ("data folder", service.data)):
        if not PurePosixPath(value).is_absolute() or ".." in PurePosixPath(value).parts or value == "/":
            raise DeploymentError(f"The {what} {value} must be a whole path from / on, without \"..\".")
    groups = [*GROUPS, *([BOARD] if service.board else [])]
    arguments = [*service.arguments, *(["--board", "--board-folder", PUBLISHED] if service.board else [])]
    given = {"program": service.program, "arguments": " ".join(arguments), "user": service.user, "data": service.data,
             "etc": str(PurePosixPath(ETC).parent), "groups": " ".join(groups), "gauge": _gauge(service.gauge_serial)}
    board = {**given, "on": service.board, "board": BOARD, "published": PUBLISHED}
    return {UNIT: _filled("bowlside.service", {**given, "published": f" {PUBLISHED}" if service.board else ""}),
            RULES: _filled("bowlside.rules", given), SYSUSERS: _sysusers(service, groups), TMPFILES: _tmpfiles(service),
            **({BOARD_UNIT: _filled("bowlside-board.service", board)} if service.board else {}),
            **({SEND_UNIT: _filled("bowlside-send.service", given)} if service.send else {})}


def _tmpfiles(service: Service) -> str:
    """What the station publishes, it writes and the board's group reads: files get the folder's group (S_ISGID, inode(7))."""
    lines = ["# Written by bowlside install-service: tmpfiles.d(5).", f"d {service.data} 0700 {service.user} - -"]
    if service.board:
        lines.append(f"d {PUBLISHED} 2750 {service.user} {BOARD} -")
    if service.send:
        lines.append(f"d {service.data}/journal.sent 0700 {service.user} - -")
    return "\n".join([*lines, ""])


def _filled(name: str, given: Mapping[str, Any]) -> str:
    return Template(files(__package__).joinpath(name).read_text(encoding="utf-8")).substitute(given)


def _gauge(serial: str) -> str:
    """A name that stays the same in whatever socket the adapter is plugged."""
    if not serial:
        return "# No gauge is set by its USB serial number in station.toml."
    return (f'SUBSYSTEM=="tty", SUBSYSTEMS=="usb", ATTRS{{serial}}=="{serial}", GROUP="dialout", MODE="0660", '
            'SYMLINK+="bowlside/gauge", ENV{ID_MM_DEVICE_IGNORE}="1"')


def _sysusers(service: Service, groups: Sequence[str]) -> str:
    lines = ["# Written by bowlside install-service: sysusers.d(5). A missing group would keep the service from starting.",
             *(f"g {name} -" for name in groups)]
    if service.board:
        lines.append(f'u {BOARD} - "The crew\'s board of Bowlside" /var/lib/{BOARD} /usr/sbin/nologin')
    if service.own_user:
        lines.append(f'u {service.user} - "Bowlside" {service.data} /usr/sbin/nologin')
    return "\n".join([*lines, ""])


def gauge_serial(settings: Mapping[str, Mapping[str, Any]]) -> str:
    """The USB serial number in [gauge] port, or "" where that is a path or nothing."""
    gauge = settings.get("gauge", {})
    port = str(gauge.get("port", "")) if gauge.get("kind") in ("line", "polled", "modbus") else ""
    return "" if "/" in port else port
