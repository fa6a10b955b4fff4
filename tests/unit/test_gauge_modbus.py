"""A gauge on Modbus RTU: pymodbus's own server at the other end of a pseudo-terminal, and pymodbus's conversions.

The frame with its checksum in `test_a_frame_known_from_elsewhere` is made up with the CRC of the Modbus specification
bit by bit here, apart from pymodbus's table.
"""

from __future__ import annotations

import asyncio
import os
import select
import struct
import threading
from contextlib import contextmanager
from decimal import Decimal

import pytest
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from hardware.gauges import GaugeSettingsError, settings
from hardware.gauges.modbus import TYPES, ModbusGauge, Registers, _decimal_of_float32
from hardware.gauges.sample import NotAReading, Refused
from hardware.gauges.serial_port import SerialPort
from hardware.gauges.units import to_psi
from tests.unit.gauge_wire import Wire


def gauge(registers: Registers, path: str = "/nowhere", answer_s: float = 0.25) -> ModbusGauge:
    return ModbusGauge(SerialPort(path, 9600, "8N1"), registers, 0.0, answer_s, lambda: 5.0, lambda seconds: None)


def crc(data: bytes) -> bytes:
    """Modbus over serial line V1.02, 6.2.2: polynomial 0xA001 reversed, from 0xFFFF, low byte first."""
    found = 0xFFFF
    for byte in data:
        found ^= byte
        for _ in range(8):
            found = found >> 1 ^ (0xA001 if found & 1 else 0)
    return struct.pack("<H", found)


def framed(data: bytes) -> bytes:
    return data + crc(data)


@contextmanager
def server(holding: dict[int, list[int]], inputs: dict[int, list[int]]):
    """pymodbus's server, device 7, on a pseudo-terminal that a thread joins to the wire whose path is given."""
    def block(values: dict[int, list[int]]) -> list[SimData]:
        return [SimData(first, values=regs, datatype=DataType.REGISTERS) for first, regs in values.items()]
    near, far = Wire(), Wire()
    bits = [SimData(0, values=[False] * 8, datatype=DataType.BITS)]
    device = SimDevice(id=7, simdata=(bits, bits, block(holding), block(inputs)))
    loop, done, ready, stop = asyncio.new_event_loop(), asyncio.Event(), threading.Event(), threading.Event()

    async def serve() -> None:
        one = ModbusSerialServer(device, port=far.path, baudrate=9600)
        await one.serve_forever(background=True)
        ready.set()
        await done.wait()
        await one.shutdown()

    def carry() -> None:
        ends = {near.master: far.master, far.master: near.master}
        while not stop.is_set():
            for end in select.select(list(ends), [], [], 0.02)[0]:
                os.write(ends[end], os.read(end, 256))
    threads = [threading.Thread(target=loop.run_until_complete, args=(serve(),), daemon=True),
               threading.Thread(target=carry, daemon=True)]
    for thread in threads:
        thread.start()
    assert ready.wait(5)
    try:
        yield near.path
    finally:
        loop.call_soon_threadsafe(done.set)
        stop.set()
        for thread in threads:
            thread.join(3)
        near.close()
        far.close()


def registers_of(value: float, kind: str, words: str) -> list[int]:
    return ModbusClientMixin.convert_to_registers(value, TYPES[kind], words)


def test_each_type_word_order_function_and_scale_from_a_real_server():
    cases = [(kind, words, function, value, scale) for kind, value, scale in (
        ("float32", 14.47, "1"), ("int16", -3, "0.01"), ("uint16", 40000, "0.001"), ("int32", -70000, "0.0001"),
        ("uint32", 3_000_000_000, "1e-8"))
        for words in ("big", "little") for function in (3, 4)]
    blocks: dict[int, dict[int, list[int]]] = {3: {}, 4: {}}
    for number, (kind, words, function, value, _) in enumerate(cases):
        blocks[function][10 * number] = registers_of(value, kind, words)
    with server(blocks[3], blocks[4]) as path:
        for number, (kind, words, function, value, scale) in enumerate(cases):
            source = gauge(Registers(7, function, 10 * number, kind, words, Decimal(scale)), path)
            source.open()
            found, = source.read()
            source.close()
            assert found.psi == Decimal(str(value)) * Decimal(scale), (kind, words, function, found)
            assert found.at == 5.0
        source = gauge(Registers(7, 3, 9999), path)
        source.open()
        refused, = source.read()
        assert isinstance(refused, Refused) and "it refuses function 3, register 9999: it has no such register" in refused.why
        source.close()


@contextmanager
def answering(answers: list[bytes]):
    """A gauge at the other end of a wire that answers each question with the next of these bytes, whatever it was."""
    wire, done = Wire(), threading.Event()

    def serve() -> None:
        while not done.is_set():
            if select.select([wire.master], [], [], 0.02)[0] and wire.receive() and answers:
                wire.send(answers.pop(0))
    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    source = gauge(Registers(), wire.path, answer_s=0.1)
    source.open()
    try:
        yield source
    finally:
        done.set()
        thread.join()
        source.close()
        wire.close()


GOOD = framed(bytes([1, 3, 4]) + struct.pack(">f", 14.5))


@pytest.mark.parametrize("answer, expected", [
    (GOOD, Decimal("14.5")),
    (GOOD + b"\xff\x00", Decimal("14.5")),                  # garbage after
    (b"\x00" + GOOD, Decimal("14.5")),                      # a spurious byte before, as two-wire adapters make it
    (GOOD + GOOD, Decimal("14.5")),                         # doubled
    (framed(bytes([1, 3, 0, 0, 0, 2])) + GOOD, Decimal("14.5")),  # an adapter that hears its own question
    (b"", "it does not answer"),
    (GOOD[:-1], "is garbled"),                              # cut
    (GOOD[:5] + b"\x99" + GOOD[5:], "is garbled"),          # a byte inside
    (GOOD[:-1] + bytes([GOOD[-1] ^ 1]), "is garbled"),      # checksum wrong
])
def test_garbage_before_inside_and_after(answer, expected):
    with answering([answer, framed(bytes([1, 3, 4]) + struct.pack(">f", 30.0))]) as source:
        found, = source.read()
        if isinstance(expected, Decimal):
            assert found.psi == expected
        else:
            assert isinstance(found, Refused) and expected in found.why, found
        again, = source.read()
        assert again.psi == 30  # and the next question has its own answer


def test_kilopascals_become_psi():
    answer = framed(bytes([1, 3, 2]) + struct.pack(">h", 10000))
    assert gauge(Registers(type="int16", scale=Decimal("0.01"), unit="kPa")).answer_in(answer) == to_psi(Decimal(100), "kPa")


def test_the_question_and_the_answer_byte_by_byte_against_the_specification():
    source = gauge(Registers(device=17, function=3, first=107, type="int16"))
    assert source._framer.buildFrame(source._registers.request()) == framed(bytes([17, 3, 0, 107, 0, 1]))
    answer = framed(bytes([17, 3, 2, 0x02, 0x2B]))
    for cut in range(len(answer)):
        assert source.answer_in(answer[:cut]) is None
    assert source.answer_in(answer) == 555


@pytest.mark.parametrize("answer, why", [
    (framed(bytes([1, 4, 4]) + struct.pack(">f", 14.5)), "."),              # function 4 where 3 was asked
    (framed(bytes([1, 3, 2, 0, 5])), "another number"),                        # one register where two were asked
    (framed(bytes([1, 0x83, 2])), "it has no such register"),
    (framed(bytes([1, 0x83, 77])), "exception code 77"),
    (framed(bytes([1, 3, 4]) + struct.pack(">f", float("nan"))), "no number"),
    (framed(bytes([1, 3, 4]) + struct.pack(">f", float("inf"))), "no number"),
    (framed(bytes([1, 3, 0])), "."),
])
def test_a_right_checksum_is_not_enough(answer, why):
    with pytest.raises(NotAReading, match=why):
        assert gauge(Registers()).answer_in(answer) is None
        raise NotAReading(".")  # nothing found is as good as refused


def test_another_devices_answer_is_none():
    assert gauge(Registers(device=1)).answer_in(framed(bytes([2, 3, 4]) + struct.pack(">f", 14.5))) is None


def test_every_single_wrong_bit_is_refused():
    """All errors of one bit are found by this CRC. Mutant: an unchecked CRC."""
    good = framed(bytes([1, 3, 4]) + struct.pack(">f", 14.5))
    source = gauge(Registers())
    assert source.answer_in(good) == Decimal("14.5")
    for bit in range(8 * len(good)):
        bad = bytearray(good)
        bad[bit // 8] ^= 1 << bit % 8
        try:
            assert source.answer_in(bytes(bad)) is None
        except NotAReading:
            pass


@pytest.mark.parametrize("shown", ["14.47", "0.01", "-0.02", "31.81", "45", "59.99", "0", "1e-30", "3.4028235e+38", "16777217"])
def test_a_float32_is_the_shortest_decimal_that_it_can_be(shown):
    as_float32, = struct.unpack(">f", struct.pack(">f", float(shown)))
    found = _decimal_of_float32(as_float32)
    assert struct.pack(">f", float(found)) == struct.pack(">f", as_float32)
    if shown != "16777217":  # not a float32: it is stored as 16777216
        assert found == Decimal(shown)


def test_all_two_decimal_pressures_survive_float32():
    for hundredths in range(-200, 6001):
        psi = Decimal(hundredths) / 100
        assert _decimal_of_float32(struct.unpack(">f", struct.pack(">f", float(psi)))[0]) == psi


def test_unit_line_is_not_for_modbus():
    with pytest.raises(GaugeSettingsError, match="on Modbus say psi, kPa, bar or mbar"):
        settings.source_for({"kind": "modbus", "unit": "line"}, lambda: 0.0)
