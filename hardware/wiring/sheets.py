"""The drawing of each device, with the pins of the station's settings."""
from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from hardware.buttons import NAMES as NAMES_OF_BUTTONS
from hardware.wiring import electrics as e
from hardware.wiring.drawing import PITCH, Point, Sheet
from hardware.wiring.header import NAMES, SPI_CLOCK, SPI_MISO, SPI_MOSI, SPI_SELECT, named, nearest, place

BUTTONS = tuple(NAMES_OF_BUTTONS.values())
"""Yes, no, say again."""

Settings = Mapping[str, Mapping[str, Any]]


def _pi(sheet: Sheet, pins: Sequence[str], y: float = 44, least: float = 0, pitch: float = PITCH) -> dict[str, Point]:
    return sheet.box(14, y, 150, "Raspberry Pi 4 / 5", right=pins, least=least, pitch=pitch)


def _power(name: str, bcm: int) -> str:
    return f"{name}, pin {nearest(name, bcm)}"


def _kilo(ohm: Any) -> str:
    return f"{ohm / 1000:f} kΩ" if ohm >= 1000 else f"{ohm:f} Ω"


def keypad(settings: Settings) -> Sheet:
    own = settings["keypad"]
    rows, columns, legend = own["rows"], own["columns"], own["legend"].split()
    lines = [f"row {n}" for n in range(1, len(rows) + 1)] + [f"column {n}" for n in range(1, len(columns) + 1)]
    pins = [named(bcm) for bcm in (*rows, *columns)]
    wider, tall = 40 * max(0, len(columns) - 4), max(PITCH * len(pins) + 36, 40 * len(rows) + 41)
    sheet = Sheet(640 + wider, 90 + tall, "Matrix keypad: wires only")
    at, keys = _pi(sheet, pins), sheet.box(330, 44, 290 + wider, "matrix keypad", left=lines, least=tall)
    for pin, line in zip(pins, lines):
        sheet.wire(at[pin], keys[line])
    for r, line in enumerate(legend):
        for c, name in enumerate(line):
            sheet.key((467 + 40 * c, 100 + 40 * r), name)
    sheet.text(245, 62, "at most 1 m", "middle", 10)
    sheet.warn(sheet.height - 14, "Never 5 V on a row or a column: it burns the pin, and with it the Pi.")
    return sheet


def usb_pad(settings: Settings) -> Sheet:
    sheet = Sheet(560, 150, "USB number pad: one cable")
    at, pad = _pi(sheet, ["USB socket"]), sheet.box(380, 44, 160, "USB number pad", left=["USB plug"])
    sheet.wire(at["USB socket"], pad["USB plug"], thick=3)
    sheet.text(270, 80, "USB cable", "middle")
    sheet.warn(136, "Nothing burns. A wet plug corrodes: cover it, and leave it plugged in.")
    return sheet


def pedal(settings: Settings) -> Sheet:
    bcm = settings["pedal"]["pin"]
    signal, ground = named(bcm), _power("GND", bcm)
    sheet = Sheet(660, 220, "Pedal or big button: a contact to ground")
    at = _pi(sheet, [signal, ground], least=120)
    (x, top), (_, low) = at[signal], (0, 170)
    sheet.wire((x, top), (240, top))
    sheet.resistor((240, top), (340, top), f"{_kilo(e.SERIES_OHM)}, near the Pi")
    sheet.dot((240, top))
    sheet.capacitor((240, top), (240, low), "100 nF")
    sheet.wire((340, top), (500, top))
    sheet.text(420, top - 8, "two wires, to 5 m", "middle", 10)
    sheet.contact((500, top), (500, low), "closes when pressed")
    sheet.wire(at[ground], (200, at[ground][1]), (200, low), (500, low))
    sheet.dot((240, low))
    sheet.warn(208, "Only a bare contact. A pedal that puts out 5, 12 or 24 V burns the pin.")
    return sheet


def buttons(settings: Settings) -> Sheet:
    pins = settings["buttons"]["pins"]
    signals, ground = [named(bcm) for bcm in pins], _power("GND", pins[-1])
    sheet = Sheet(680, 424, "Three big buttons: a contact to ground each")
    at = _pi(sheet, [*signals, ground], pitch=72)
    rail = (200, at[ground][1])
    sheet.wire(at[ground], rail, (rail[0], at[signals[0]][1] + 44))
    for signal, name in zip(signals, BUTTONS, strict=True):
        (_, y), low = at[signal], at[signal][1] + 44
        sheet.wire(at[signal], (240, y))
        sheet.dot((240, y))
        sheet.capacitor((240, y), (240, low), "100 nF")
        sheet.resistor((240, y), (340, y), f"{_kilo(e.SERIES_OHM)}, near the Pi")
        sheet.wire((340, y), (500, y))
        sheet.contact((500, y), (500, low), name)
        sheet.wire((rail[0], low), (500, low))
        sheet.dot((240, low))
        sheet.dot((rail[0], low))
    sheet.text(420, at[signals[0]][1] - 8, "four wires, to 5 m", "middle", 10)
    sheet.text(14, 390, "Lines that cross without a dot are not joined.")
    sheet.warn(412, "Only bare contacts. A button with a lamp has a supply of its own: on a pin it burns the Pi.")
    return sheet


def _switched(sheet: Sheet, base: Point, rail: str, load: str, diode: bool) -> Point:
    """Base resistor, transistor, its load up to the rail; where the emitter's ground is."""
    collector, emitter = sheet.transistor(base)
    top = (collector[0], collector[1] - 62)
    sheet.load(collector, top, load)
    sheet.supply(top, rail)
    if diode:
        sheet.wire(collector, (collector[0] - 50, collector[1]))
        sheet.wire(top, (top[0] - 50, top[1]))
        sheet.diode((collector[0] - 50, collector[1]), (top[0] - 50, top[1]), "")
        sheet.text(collector[0] - 64, (collector[1] + top[1]) / 2 + 4, "diode", "end")
        sheet.dot(collector)
        sheet.dot(top)
    return emitter


def lamp(settings: Settings) -> Sheet:
    bcm = settings["lamp"]["pin"]
    signal, ground = named(bcm), _power("GND", bcm)
    sheet = Sheet(780, 304, "Lamp: a small LED from the pin, or a bright one through a transistor")
    at = _pi(sheet, [signal, ground], y=60, least=130)
    y, low = at[signal][1], 210
    sheet.text(250, 62, "either: small", bold=True)
    sheet.wire(at[signal], (220, y))
    sheet.resistor((220, y), (310, y), _kilo(e.led_resistor()))
    sheet.led((310, y), (390, y), "LED, red or yellow")
    sheet.wire((390, y), (390, low), (200, low), (200, at[ground][1]), at[ground])
    sheet.text(500, 62, "or: bright, 5 V, to 50 mA", bold=True)
    base = (660, 190)
    sheet.text(440, 208, signal, size=10)
    sheet.wire((440, 190), (480, 190))
    sheet.resistor((480, 190), (570, 190), _kilo(e.BASE_OHM))
    sheet.wire((570, 190), base)
    emitter = _switched(sheet, base, _power("5V", bcm), "lamp", diode=False)
    sheet.dot((590, 190))
    sheet.resistor((590, 190), (590, 254), _kilo(e.BASE_DOWN_OHM))
    sheet.wire((590, 254), (emitter[0], 254), emitter)
    sheet.text(710, 195, "NPN", size=10)
    sheet.ground((emitter[0], 254))
    sheet.warn(290, "An LED without its resistor, or a lamp straight at the pin, burns the pin.")
    return sheet


def buzzer(settings: Settings) -> Sheet:
    bcm = settings["buzzer"]["pin"]
    signal, ground = named(bcm), _power("GND", bcm)
    sheet = Sheet(640, 300, "Buzzer: through a transistor, with a diode across a coil")
    at = _pi(sheet, [signal, ground], y=108, least=110)
    y = at[signal][1]
    sheet.wire(at[signal], (210, y))
    sheet.resistor((210, y), (300, y), _kilo(e.BASE_OHM))
    sheet.wire((300, y), (430, y))
    emitter = _switched(sheet, (430, y), _power("5V", bcm), "buzzer, + up", diode=True)
    sheet.text(478, y + 8, "NPN", size=10)
    low = 236
    sheet.dot((350, y))
    sheet.resistor((350, y), (350, low), _kilo(e.BASE_DOWN_OHM))
    sheet.wire(emitter, (emitter[0], low), (200, low), (200, at[ground][1]), at[ground])
    sheet.dot((350, low))
    sheet.warn(288, "A buzzer at the pin itself burns it; a coil without a diode kills the transistor.")
    return sheet


def gauge_serial(settings: Settings) -> Sheet:
    sheet = Sheet(760, 220, "Gauge with a serial output (kinds line and polled), RS-232 or USB")
    at = _pi(sheet, ["USB socket"], least=120)
    adapter = sheet.box(270, 44, 200, "USB to RS-232 adapter", left=["USB plug"],
                        right=["2 data in", "3 data out", "5 ground"])
    gauge = sheet.box(590, 44, 150, "gauge, RS-232", left=["its data out", "its data in", "its ground"])
    sheet.wire(at["USB socket"], adapter["USB plug"], thick=3)
    for ours, theirs in zip(("2 data in", "3 data out", "5 ground"), ("its data out", "its data in", "its ground")):
        sheet.wire(adapter[ours], gauge[theirs])
    sheet.text(14, 184, "A gauge with a USB socket needs no adapter: one cable.")
    sheet.warn(208, "RS-232 swings to 12 V either way: on a header pin it burns the Pi.")
    return sheet


def gauge_modbus(settings: Settings) -> Sheet:
    sheet = Sheet(800, 290, "Gauge on RS-485 (kind modbus): a pair and a ground")
    at = _pi(sheet, ["USB socket"], least=192)
    adapter = sheet.box(270, 44, 180, "USB to RS-485 adapter", left=["USB plug"], right=["A (D-)", "B (D+)", "ground"], pitch=52)
    gauge = sheet.box(650, 44, 136, "gauge, RS-485", left=["A", "B", "ground"], pitch=52)
    sheet.wire(at["USB socket"], adapter["USB plug"], thick=3)
    for ours, theirs in (("A (D-)", "A"), ("B (D+)", "B"), ("ground", "ground")):
        sheet.wire(adapter[ours], gauge[theirs])
    a, b = adapter["A (D-)"][1], adapter["B (D+)"][1]
    for x in (490, 580):
        sheet.resistor((x, a), (x, b), f"{e.TERMINATION_OHM} Ω")
        sheet.dot((x, a))
        sheet.dot((x, b))
    sheet.text(14, 256, "The resistors, one at each end, only on a long line. A and B the wrong way round: no answer; swap them.")
    sheet.warn(278, "Never the gauge's 12 or 24 V supply on A or B: it burns the adapter.")
    return sheet


def gauge_transducer(settings: Settings) -> Sheet:
    own = settings["gauge"]
    signal = own["channel"]
    sense = own["supply_channel"] if own["supply_channel"] >= 0 else (signal + 1) % 8
    select, five = SPI_SELECT[own["select"]], f"5V, pin {NAMES.index('5V') + 1}"
    sheet = Sheet(1000, 440, "Ratiometric transducer (kind transducer): an MCP3008 and two dividers")
    joined = {f"3V3, pin {NAMES.index('3V3', 1) + 1}": "16 supply", named(SPI_CLOCK): "13 clock", named(SPI_MISO): "12 data out",
              named(SPI_MOSI): "11 data in", named(select): "10 select", _power("GND", SPI_CLOCK): "9 digital ground"}
    at = _pi(sheet, [five, *joined], y=84)
    channels = [f"{one + 1} channel {one}" for one in (signal, sense)]
    chip = sheet.box(290, 84 + PITCH, 210, "MCP3008", left=list(joined.values()), right=channels)
    for pin, theirs in joined.items():
        sheet.wire(at[pin], chip[theirs])
    sheet.text(395, 322, "15 reference: wire to 16", "middle", 10)
    sheet.text(395, 336, "14 analogue ground: wire to 9", "middle", 10)
    (_, top), (_, below) = chip[channels[0]], chip[channels[1]]
    rail, middle, low = 62, 240, 340
    gauge = sheet.box(830, top - 44, 156, "pressure transducer", left=["signal"], least=100)
    sheet.wire(at[five], (200, at[five][1]), (200, rail), (950, rail), (950, top - 44))
    sheet.text(210, rail - 6, "5 V")
    sheet.resistor((710, top), gauge["signal"], _kilo(e.UPPER_OHM))
    sheet.resistor((540, below), (540, rail), "")
    sheet.text(553, 112, _kilo(e.UPPER_OHM))
    for x, channel in ((710, channels[0]), (540, channels[1])):
        y = chip[channel][1]
        sheet.wire(chip[channel], (x, y), (x, middle), (x + 90, middle))
        sheet.resistor((x, middle), (x, low), "")
        sheet.text(x + 13, 294, _kilo(e.LOWER_OHM))
        sheet.capacitor((x + 90, middle), (x + 90, low), "100 nF")
        for point in ((x, y), (x, middle), (x + 90, low)):
            sheet.dot(point)
    sheet.dot((540, rail))
    sheet.dot((710, low))
    sheet.wire((540, low), (905, low), (905, top + 56))
    sheet.ground((670, low))
    sheet.text(915, 300, "ground")
    sheet.text(14, 396, f"Ground is also the Pi's {_power('GND', SPI_CLOCK)}. Resistors of 1 %, near the converter. Lines "
                        "that cross without a dot are not joined.")
    sheet.warn(424, "Without its divider the transducer burns the converter. The converter on 5 V burns the Pi.")
    return sheet


def sound(settings: Settings) -> Sheet:
    sheet = Sheet(720, 230, "Microphone and speaker: a USB sound adapter")
    at = _pi(sheet, ["USB socket"], least=130)
    adapter = sheet.box(280, 44, 170, "USB sound adapter", left=["USB plug"], right=["microphone in", "headphone out"], least=130)
    mic = sheet.box(560, 44, 146, "microphone", left=["mono plug"])
    loud = sheet.box(560, 128, 146, "powered speaker", left=["line plug"])
    sheet.wire(at["USB socket"], adapter["USB plug"], thick=3)
    sheet.wire(adapter["microphone in"], mic["mono plug"])
    x = 510
    sheet.wire(adapter["headphone out"], (x, adapter["headphone out"][1]), (x, loud["line plug"][1]), loud["line plug"])
    sheet.text(14, 204, "A headset with a USB plug takes the place of the adapter and of both boxes on the right.")
    sheet.warn(222, "Never a speaker at a header pin, nor a powered output at the microphone's socket.")
    return sheet


SHEETS: Mapping[str, Callable[[Settings], Sheet]] = {
    "keypad": keypad, "usb_pad": usb_pad, "pedal": pedal, "buttons": buttons, "lamp": lamp, "buzzer": buzzer, "gauge_serial": gauge_serial,
    "gauge_modbus": gauge_modbus, "gauge_transducer": gauge_transducer, "sound": sound,
}


def header(settings: Settings) -> Sheet:
    """The 40 pins, and which of them this station's settings use."""
    own = settings["gauge"]
    used: dict[int, str] = {}
    keys = "buttons" if settings["buttons"]["kind"] == "pins" else "keypad"  # which has its place
    for section, words in ((keys, keys), ("pedal", "pedal"), ("lamp", "lamp"), ("buzzer", "buzzer")):
        for key in ("rows", "columns", "pins", "pin"):
            bcms = settings[section].get(key, ())
            for n, bcm in enumerate(bcms if isinstance(bcms, list | tuple) else [bcms], 1):
                used[place(bcm)] = words if key == "pin" else f"{words} {BUTTONS[n - 1] if key == 'pins' else f'{key[:-1]} {n}'}"
    select = SPI_SELECT[own["select"]]
    for bcm, words in ((SPI_CLOCK, "clock"), (SPI_MISO, "data out"), (SPI_MOSI, "data in"), (select, "select")):
        used[place(bcm)] = f"converter {words}"
    sheet = Sheet(620, 70 + 24 * 20, "The header of a Pi 4 and a Pi 5, from above")
    sheet.text(310, 44, "this end is away from the USB sockets", "middle", 10)
    for n, name in enumerate(NAMES, 1):
        y, left = 66 + 24 * ((n - 1) // 2), n % 2 == 1
        x = 296 if left else 324
        power = name in ("3V3", "5V")
        sheet.pin((x, y), str(n), "#f2c14e" if power else "#cccccc" if name == "GND" else "#9fd3a8" if n in used else "white")
        words = f"{name}: {used[n]}" if n in used else name
        sheet.text(x - 18 if left else x + 18, y + 4, words, "end" if left else "start", 11, bold=n in used)
    return sheet
