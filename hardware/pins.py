"""The Pi's header pins through gpiozero: lgpio on a Pi 4 and 5, gpiozero's mock pins where GPIOZERO_PIN_FACTORY says so.

Pins are BCM numbers. Every mistake becomes one sentence (PinError): no header, no lgpio, a pin that doesn't exist or is
taken by another device of the station.
"""
from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any


class PinError(OSError):
    """A device on the header can't be opened. str() is one plain sentence."""


def factory() -> Any:
    """gpiozero's pin factory, made once. Raises PinError where there are no pins."""
    from gpiozero import Device
    if Device.pin_factory is None:
        try:
            if os.environ.get("GPIOZERO_PIN_FACTORY"):
                Device.ensure_pin_factory()
            else:
                # Named, because gpiozero tries five libraries in turn otherwise and warns of each.
                from gpiozero.pins.lgpio import LGPIOFactory
                Device.pin_factory = LGPIOFactory()
        except ImportError:
            raise PinError("lgpio, which works the header pins, is not installed: on a Pi, "
                           "sudo apt install python3-lgpio.") from None
        except Exception as error:  # noqa: BLE001  lgpio, gpiozero and the kernel each raise their own
            raise PinError(f"this computer has no header pins that can be used ({_plain(error)}).") from None
    return Device.pin_factory


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
    except Exception as error:  # noqa: BLE001
        raise PinError(f"The {what} can't be used: {_plain(error)}{'' if str(error).endswith('.') else '.'}") from None


def _plain(error: Exception) -> str:
    return str(error).strip("'\" ").splitlines()[0] if str(error).strip() else type(error).__name__
