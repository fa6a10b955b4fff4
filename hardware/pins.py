"""The Pi's header pins through gpiozero: lgpio on a Pi 4 and 5, gpiozero's mock pins where GPIOZERO_PIN_FACTORY says so.

Pins are BCM numbers. Every mistake becomes one sentence (PinError): no header, no lgpio, a pin that doesn't exist or is
taken by another device of the station.
"""
from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any


class PinError(OSError):
    """A device on the header can't be opened. str() is one plain sentence."""


class Watched:
    """Inputs on the header that a thread of its own looks at (``_ticker``; None: the test does)."""

    _devices: list[Any]
    _ticker: Any

    @property
    def alive(self) -> bool:
        return bool(self._devices) and (self._ticker is None or self._ticker.alive)

    def close(self) -> None:
        """Stop, and leave every pin an input."""
        if self._ticker is not None:
            self._ticker.close()
        self._release()

    def _release(self) -> None:
        for device in self._devices:
            device.close()
        self._devices = []


def factory() -> Any:
    """gpiozero's pin factory, made once. Raises PinError where there are no pins."""
    from gpiozero import Device
    if Device.pin_factory is None:
        try:
            if os.environ.get("GPIOZERO_PIN_FACTORY"):
                Device.ensure_pin_factory()
            else:
                # Named, because gpiozero tries five libraries in turn otherwise and warns of each.
                Device.pin_factory = _lgpio()()
        except ImportError:
            raise PinError("lgpio, which works the header pins, is not installed: on a Pi, "
                           "sudo apt install python3-lgpio.") from None
        except Exception as error:
            raise PinError(f"this computer has no header pins that can be used ({_plain(error)}).") from None
    return Device.pin_factory


def _lgpio() -> Any:
    """gpiozero's factory for lgpio, imported so that it leaves nothing behind and stays apart from other processes.

    lgpio makes a pipe called .lgd-nfy0 when it is imported, in the folder $LG_WD, and goes to that folder; without one it takes
    the folder it is in, where a second process would read the first one's pipe.
    """
    here, before = os.getcwd(), os.environ.get("LG_WD")
    folder = os.environ["LG_WD"] = tempfile.mkdtemp(prefix="bowlside-pins-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    try:
        from gpiozero.pins.lgpio import LGPIOFactory
    finally:
        os.chdir(here)
        if before is None:
            del os.environ["LG_WD"]
        else:
            os.environ["LG_WD"] = before
    return LGPIOFactory


def mocked() -> bool:
    """gpiozero's mock pins are in use, which live in this process only."""
    if os.environ.get("GPIOZERO_PIN_FACTORY"):
        return os.environ["GPIOZERO_PIN_FACTORY"].lower() == "mock"
    if "gpiozero" not in sys.modules:
        return False
    from gpiozero import Device
    from gpiozero.pins.mock import MockFactory
    return isinstance(Device.pin_factory, MockFactory)


@contextmanager
def opening(what: str) -> Iterator[Any]:
    """With the pin factory; whatever goes wrong inside is raised as PinError: "The lamp can't be used: …"."""
    try:
        yield factory()
    except Exception as error:
        raise PinError(f"The {what} can't be used: {_plain(error)}{'' if str(error).endswith('.') else '.'}") from None


def _plain(error: Exception) -> str:
    return str(error).strip("'\" ").splitlines()[0] if str(error).strip() else type(error).__name__
