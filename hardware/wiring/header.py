"""The 40-pin header, the same on a Pi 4 and a Pi 5. Checked against gpiozero's own tables of both boards in the tests."""
from __future__ import annotations

NAMES: tuple[str, ...] = (
    "3V3", "5V", "GPIO2", "5V", "GPIO3", "GND", "GPIO4", "GPIO14", "GND", "GPIO15",
    "GPIO17", "GPIO18", "GPIO27", "GND", "GPIO22", "GPIO23", "3V3", "GPIO24", "GPIO10", "GND",
    "GPIO9", "GPIO25", "GPIO11", "GPIO8", "GND", "GPIO7", "GPIO0", "GPIO1", "GPIO5", "GND",
    "GPIO6", "GPIO12", "GPIO13", "GND", "GPIO19", "GPIO16", "GPIO26", "GPIO20", "GND", "GPIO21",
)
"""What pins 1 to 40 are. Odd numbers are the row nearer the middle of the board, pin 1 at the end away from the USB sockets."""

SPI_MISO, SPI_MOSI, SPI_CLOCK, SPI_SELECT = 9, 10, 11, (8, 7)
"""BCM numbers of SPI 0; its two chip selects."""


def place(bcm: int) -> int:
    """The header pin (1 to 40) of a BCM number. ValueError for one that the header has not."""
    if f"GPIO{bcm}" not in NAMES:
        raise ValueError(f"the header has no GPIO {bcm}: BCM numbers run from 0 to 27.")
    return NAMES.index(f"GPIO{bcm}") + 1


def named(bcm: int) -> str:
    """"GPIO 24, pin 18"."""
    return f"GPIO {bcm}, pin {place(bcm)}"


def nearest(name: str, bcm: int) -> int:
    """The header pin called ``name`` (GND, 5V, 3V3) that lies nearest that of ``bcm``: the shortest pair of wires."""
    here = place(bcm)
    return min((n for n, one in enumerate(NAMES, 1) if one == name), key=lambda n: (abs((n - 1) // 2 - (here - 1) // 2), n))
