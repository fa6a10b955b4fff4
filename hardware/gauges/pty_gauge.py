"""The simulated meter as a gauge on a wire: a pseudo-terminal speaks each kind's language at the other end.

For practice, tests and demonstration. Nothing here is any maker's protocol: lines "$+014.50,psi*2F", the question "P?"
answered by "14.50 psi", and on Modbus a float32 in holding registers 0 and 1 of device 1.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import tempfile
import threading
import tty
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

from hardware.gauges.pattern import CHECKSUMS

KINDS = ("line", "polled", "modbus")
EVERY_S = 0.1
SETTINGS: dict[str, dict[str, Any]] = {
    "line": {"pattern": "${begin}{value:7},{unit}{end}*{xor}", "decimals": 2},
    "polled": {"pattern": "{value} {unit}", "decimals": 2, "ask": r"P?\r"},
    "modbus": {"type": "float32"},
}


def line_of(psi: Decimal) -> bytes:
    """One line as the "line" kind sends it."""
    body = f"{psi:+07.2f},psi".encode()
    return b"$%s*%02X\r\n" % (body, CHECKSUMS["xor"][1](body))


class PtyGauge:
    """`path` is a link that always leads to the gauge while it is plugged in; each plugging gives another port.

    kind      line, polled or modbus
    read_psi  what the gauge shows now; called from a thread
    """

    def __init__(self, kind: str, read_psi: Callable[[], Decimal]) -> None:
        if kind not in KINDS:
            raise ValueError(f"There is no simulated gauge of kind {kind!r}; the kinds are {', '.join(KINDS)}.")
        self.kind, self._read_psi = kind, read_psi
        self._folder = tempfile.TemporaryDirectory(prefix="bowlside-gauge-")
        self.path = str(Path(self._folder.name) / "port")
        self._unplugged = threading.Event()
        self._thread: threading.Thread | None = None
        self._server = _ModbusServer(read_psi) if kind == "modbus" else None
        self.plug()

    @property
    def settings(self) -> dict[str, Any]:
        """The [gauge] section that reads this gauge."""
        return {"kind": self.kind, "port": self.path, **SETTINGS[self.kind]}

    def plug(self) -> None:
        """Plugged in (again): a new port, and the link leads to it."""
        if self._thread is not None:
            return
        self._master, self._slave = _pty()
        os.symlink(os.ttyname(self._slave), self.path)
        self._unplugged.clear()
        work = {"line": self._speak, "polled": self._answer, "modbus": self._bridge}[self.kind]
        self._thread = threading.Thread(target=work, name="pty-gauge", daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Pulled out: whoever reads the port finds it gone."""
        if self._thread is None:
            return
        self._unplugged.set()
        self._thread.join(2)
        self._thread = None
        os.unlink(self.path)
        os.close(self._slave)
        os.close(self._master)

    def stop(self) -> None:
        self.unplug()
        if self._server is not None:
            self._server.stop()
        self._folder.cleanup()

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody reads: a real gauge's words are lost too
            os.write(self._master, data)

    def _speak(self) -> None:
        while not self._unplugged.wait(EVERY_S):
            self._write(line_of(self._read_psi()))

    def _answer(self) -> None:
        asked = b""
        while not self._unplugged.is_set():
            asked = (asked + _waiting(self._master))[-64:]
            if asked.endswith(b"P?\r"):
                asked = b""
                self._write(f"{self._read_psi():.2f} psi\r".encode())

    def _bridge(self) -> None:
        """pymodbus serves a port by name, so it has a pseudo-terminal of its own: bytes are carried between the two."""
        assert self._server is not None
        ends = {self._master: self._server.wire, self._server.wire: self._master}
        while not self._unplugged.is_set():
            for end in select.select(list(ends), [], [], 0.05)[0]:
                with contextlib.suppress(BlockingIOError):
                    os.write(ends[end], os.read(end, 256))


def _pty() -> tuple[int, int]:
    """(our end, the port's end): the port's stays open here, so that a port that nobody has opened is not "gone"."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    return master, slave


def _waiting(fd: int) -> bytes:
    return os.read(fd, 256) if select.select([fd], [], [], 0.05)[0] else b""


class _ModbusServer:
    """pymodbus's own RTU server on a pseudo-terminal whose other end is `wire`."""

    def __init__(self, read_psi: Callable[[], Decimal]) -> None:
        self.wire, self._slave = _pty()
        self._read_psi, self._ready, self._loop = read_psi, threading.Event(), asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="pty-modbus", daemon=True)
        self._thread.start()
        if not self._ready.wait(5):
            raise RuntimeError("The simulated Modbus gauge does not start.")

    def _run(self) -> None:
        self._loop.run_until_complete(self._serve())

    async def _serve(self) -> None:
        from pymodbus.client.mixin import ModbusClientMixin as Mixin
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        async def fresh(function: int, start: int, address: int, count: int, registers: list[int], values: Any) -> None:
            registers[0:2] = Mixin.convert_to_registers(float(self._read_psi()), Mixin.DATATYPE.FLOAT32)

        device = SimDevice(id=1, simdata=[SimData(0, values=[0, 0], datatype=DataType.REGISTERS)], action=fresh)
        self._done = asyncio.Event()
        server = ModbusSerialServer(device, port=os.ttyname(self._slave), baudrate=9600)
        await server.serve_forever(background=True)
        self._ready.set()
        await self._done.wait()
        await server.shutdown()

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._done.set)
        self._thread.join(3)
        os.close(self.wire)
        os.close(self._slave)


def serve(kind: str, read_psi: Callable[[], Decimal]) -> tuple[str, Callable[[], None]]:
    """Start one; (path of its port, what stops it). `SETTINGS[kind]` with that port reads it."""
    gauge = PtyGauge(kind, read_psi)
    return gauge.path, gauge.stop
