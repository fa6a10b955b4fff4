"""A gauge on Modbus RTU: one value in one or two registers.

Frames and messages are pymodbus's (Modbus over serial line V1.02, application protocol V1.1b3). Its client is not used:
it waits by the wall clock, which a Pi sets when the network comes, and it takes an answer to another question.
"""

from __future__ import annotations

import logging
import struct
import time
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from hardware.gauges.polled import Rhythm
from hardware.gauges.sample import NotAReading, Refused, Sample, raw_of
from hardware.gauges.serial_port import SerialPort
from hardware.gauges.source import Clock, Pause
from hardware.gauges.units import to_psi

REQUESTS = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
TYPES = {name: ModbusClientMixin.DATATYPE[name.upper()] for name in ("int16", "uint16", "int32", "uint32", "float32")}
LONGEST = 256  # bytes of a frame (Modbus over serial line V1.02, 2.5.1)
logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # or its complaints go across the screen
EXCEPTIONS = {1: "it knows no such function", 2: "it has no such register", 3: "it does not give so many registers",
              4: "it failed inside", 6: "it is busy"}


@dataclass(frozen=True)
class Registers:
    """Where the pressure stands. `first` counts from 0: what a manual calls 40001 or 30001 is 0."""

    device: int = 1
    function: int = 3
    """3: holding registers, 4: input registers"""
    first: int = 0
    type: str = "float32"
    words: Literal["big", "little"] = "big"
    """which of two registers comes first: the "big" (high) one, or the "little" (low) one"""
    scale: Decimal = Decimal(1)
    unit: str = "psi"

    @property
    def count(self) -> int:
        return TYPES[self.type].value[1]

    def request(self) -> ModbusPDU:
        return REQUESTS[self.function](address=self.first, count=self.count, dev_id=self.device)

    def psi(self, answer: ModbusPDU) -> Decimal:
        """The pressure that this answer gives. NotAReading where it gives none."""
        if isinstance(answer, ExceptionResponse):
            why = EXCEPTIONS.get(answer.exception_code, f"exception code {answer.exception_code}")
            raise NotAReading(f"it refuses function {self.function}, register {self.first}: {why}")
        if len(answer.registers) != self.count:
            raise NotAReading("it answers with another number of registers than was asked")
        number = ModbusClientMixin.convert_from_registers(answer.registers, TYPES[self.type], self.words)
        assert isinstance(number, int | float)  # what each of TYPES gives
        value = _decimal_of_float32(number) if self.type == "float32" else Decimal(number)
        if not value.is_finite():
            raise NotAReading(f"it sends {value}, which is no number")
        return to_psi(value * self.scale, self.unit)


def _decimal_of_float32(number: float) -> Decimal:
    """The shortest decimal that is this float32: what the gauge meant by 14.470000267 is 14.47."""
    for digits in (6, 7, 8):
        short = f"{number:.{digits}g}"
        try:
            if struct.pack(">f", float(short)) == struct.pack(">f", number):
                return Decimal(short)
        except OverflowError:  # rounded beyond the largest float32
            pass
    return Decimal(f"{number:.9g}")  # nine digits always suffice (IEEE 754)


class ModbusGauge:
    """Asks for the registers `every_s`; an answer may take `answer_s`."""

    caution = ""

    def __init__(self, port: SerialPort, registers: Registers, every_s: float, answer_s: float, clock: Clock,
                 pause: Pause) -> None:
        self._port, self._registers, self._answer_s, self._clock = port, registers, answer_s, clock
        self._rhythm = Rhythm(every_s, pause)
        self._framer = FramerRTU(DecodePDU(is_server=False))

    def open(self) -> None:
        self._port.open()

    def read(self) -> list[Sample | Refused]:
        self._rhythm.wait()
        self._port.ask(self._framer.buildFrame(self._registers.request()))
        came, end = b"", time.monotonic() + self._answer_s
        while (left := end - time.monotonic()) > 0 and len(came) <= LONGEST:
            came += self._port.read(left)
            try:
                answer = self.answer_in(came)
            except NotAReading as problem:
                return [Refused(str(problem))]
            if answer is not None:
                return [Sample(self._clock(), answer, raw_of(came))]
        self._port.drain(self._answer_s / 2)
        if came:
            return [Refused(f'its answer "{raw_of(came)}" is garbled; check its cable, and baud and frame in [gauge]')]
        return [Refused("it does not answer; check that it is switched on, its wires, and device, baud and frame in [gauge]")]

    def answer_in(self, came: bytes) -> Decimal | None:
        """The pressure in psi, None while no whole frame with a right checksum is there. NotAReading for a refusal."""
        asked = self._registers
        heads = [bytes([asked.device, asked.function]), bytes([asked.device, asked.function | 0x80])]
        for start in range(len(came)):  # a two-wire adapter may hear its own question, or a spurious byte, first
            if came[start:start + 2] in heads:
                try:
                    _, answer = self._framer.handleFrame(came[start:], asked.device, 0)
                except (ModbusException, struct.error, IndexError, ValueError):  # a right checksum over what is no message
                    continue
                if answer is not None:
                    return asked.psi(answer)
        return None

    def close(self) -> None:
        self._port.close()
