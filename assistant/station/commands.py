"""``bowlside settings``: new."""
from __future__ import annotations

import argparse
from pathlib import Path

from assistant.files import starter
from assistant.station import station_settings

EXAMPLE = Path(__file__).with_name("example.toml")


def add_arguments(top: argparse.ArgumentParser) -> None:
    what = "Write the station's own file: voice, screen and every device, each key explained, to be changed by hand."
    new = top.add_subparsers(metavar="WHAT").add_parser("new", help=what, description=what)
    new.set_defaults(do=_new)
    new.add_argument("file", type=Path, metavar="FILE", nargs="?", help="a new file (the one that the station reads)")


def _new(args: argparse.Namespace) -> int:
    own = station_settings.default_path()
    path = args.file or own
    if path == own:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    starter.write(path, EXAMPLE, private=True)
    elsewhere = "" if path == own else f" The station reads {own}: put it there."
    print(f"Written: {path}. Each line in it is off until you take its # away.{elsewhere} Then: bowlside check")
    return 0
