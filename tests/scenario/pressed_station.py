"""`bowlside ...` in a terminal with gpiozero's mock pins, which a pipe presses: what a foot or a hand does at a Pi.

    python -m tests.scenario.pressed_station PIPE practise --wire line

Each line of the pipe is a pin and for how many seconds it is joined to ground.
"""
from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from assistant import cli


def press(pipe: Path) -> None:
    while True:
        with pipe.open() as lines:
            for line in lines:
                number, seconds = line.split()
                pin = Device.pin_factory.pin(int(number))
                pin.drive_low()
                time.sleep(float(seconds))
                pin.drive_high()


if __name__ == "__main__":
    Device.pin_factory = MockFactory(pin_class=MockPWMPin)
    where = Path(sys.argv[1])
    os.mkfifo(where)
    threading.Thread(target=press, args=(where,), daemon=True).start()
    sys.exit(cli.main(sys.argv[2:]))
