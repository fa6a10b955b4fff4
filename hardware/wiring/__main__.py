"""Writes the wiring pages and drawings: python -m hardware.wiring FOLDER"""
from __future__ import annotations

import sys
from pathlib import Path

from assistant.station import station_settings
from hardware.wiring import pages


def main(arguments: list[str]) -> int:
    if len(arguments) != 1 or arguments[0].startswith("-"):
        print(__doc__)
        return 0 if arguments in (["-h"], ["--help"]) else 2
    folder = Path(arguments[0])
    try:
        written = pages.write(folder, station_settings.read())
    except station_settings.StationSettingsError as error:
        print(error, file=sys.stderr)
        return 2
    except OSError as error:
        print(f"{folder} can't be written ({error.strerror}): name a folder where you may write.", file=sys.stderr)
        return 1
    print(f"{len(written)} files in {folder}: begin with {folder / 'index.md'}.")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
