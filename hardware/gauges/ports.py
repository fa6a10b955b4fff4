"""Which serial port the gauge is on: by its adapter's USB serial number, by a path, or the only one there is.

A port's name (/dev/ttyUSB0) changes when it is unplugged and comes back; the serial number of its adapter, and the paths
in /dev/serial/by-id and /dev/serial/by-path, do not. So the port is looked up anew each time that it is opened.
"""

from __future__ import annotations

import os

from serial.tools import list_ports

from hardware.gauges.sample import GaugeGone


def find(port: str) -> str:
    """The path to open now. GaugeGone (one sentence) where there is none, or not only one.

    port  a path (it begins with /), a USB serial number, or "" for the only USB serial port
    """
    if port.startswith("/"):
        if not os.path.exists(port):
            raise GaugeGone(f"The gauge's port {port} is not there: plug in its cable.")
        return port
    there = sorted((one for one in list_ports.comports() if one.vid is not None), key=lambda one: one.device)
    names = ", ".join(f"{one.device} (serial number {one.serial_number or 'none'})" for one in there)
    those = f"The USB serial ports there are {names}" if there else "No USB serial port is there"
    if port:
        found = [one.device for one in there if one.serial_number == port]
        if len(found) > 1:
            raise GaugeGone(f"{len(found)} ports have the serial number {port} ({', '.join(found)}): "
                            "name the gauge's by its path in /dev/serial/by-path.")
        if not found:
            raise GaugeGone(f"No port with the serial number {port}. {those}: "
                            "plug in the gauge's cable, or mend port in [gauge].")
        return found[0]
    if len(there) != 1:
        raise GaugeGone(f"{those}: " + ("name the gauge's in [gauge] port." if there else "plug in the gauge's cable."))
    return there[0].device
