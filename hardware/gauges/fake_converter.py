"""An MCP3008 that really shifts bits, on gpiozero's mock pins: for tests, and for trying a transducer at a desk.

Its protocol (MCP3008 data sheet, serial communication): after the select line falls, a start bit, one for single-ended,
three for the channel, highest first; then one clock to sample, a null bit, and ten bits of the result, highest first.
"""

from __future__ import annotations

from collections.abc import Callable

from gpiozero.pins.mock import MockFactory, MockPin, MockSPIDevice

CLOCK, MOSI, MISO, SELECT = 11, 10, 9, (8, 7)  # the header's SPI pins, BCM


class BenchFactory(MockFactory):
    """Mock pins on which SPI and PWM devices get along: a pin that is there is given whatever class is asked for."""

    def pin(self, name: int | str, pin_class: type[MockPin] | None = None, **kwargs: object) -> MockPin:
        for _, info in self.board_info.find_pin(name):
            if info in self.pins:
                return self.pins[info]
        return super().pin(name, pin_class=pin_class, **kwargs)


class FakeConverter(MockSPIDevice):
    """`counts(channel)` is what each conversion gives, 0 to 1023. Unpowered (`powered = False`), its line stays low."""

    def __init__(self, factory: MockFactory, counts: Callable[[int], int], select: int = 0) -> None:
        super().__init__(CLOCK, MOSI, MISO, SELECT[select], pin_factory=factory)
        self._counts, self.powered = counts, True
        self.select_pin.drive_high()  # a Pi pulls its select pins up until somebody drives them

    def on_bit(self) -> None:
        start = self.rx_buf.index(1) if 1 in self.rx_buf else None
        if self.powered and start is not None and len(self.rx_buf) == start + 5:
            single, *channel = self.rx_buf[start + 1:]
            assert single, "only single-ended conversions are made here"
            count = self._counts(4 * channel[0] + 2 * channel[1] + channel[2])
            self.tx_buf = [0, 0, *(count >> bit & 1 for bit in range(9, -1, -1))]  # sampling, null bit, result
