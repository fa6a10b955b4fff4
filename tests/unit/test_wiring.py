"""The wiring pages: every device has one, with the pins of the settings, sound arithmetic, and a drawing that can be read."""
from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from decimal import Decimal as D
from fractions import Fraction
from pathlib import Path

import pytest

from assistant.station.station_settings import KNOWN
from hardware.gauges.transducer import TwoPoints
from hardware.hands import PIN_SECTIONS, pins_of
from hardware.wiring import electrics, facts, header, pages, sheets

ROOT = Path(__file__).resolve().parents[2]
DEFAULTS = {section: {key: rule.default for key, rule in keys.items()} for section, keys in KNOWN.items()}
DRAWN = {**sheets.SHEETS, "header": sheets.header}
SVG = "{http://www.w3.org/2000/svg}"


def changed(section: str, **values) -> dict:
    return {**DEFAULTS, section: {**DEFAULTS[section], **values}}


def texts(svg: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(svg).iter(f"{SVG}text"))


def words(svg: str) -> list[str]:
    return [str(one.text) for one in texts(svg)]


# --- a page and a drawing for each device -------------------------------------------------------------------------------


def test_every_device_of_the_settings_has_a_page_and_a_drawing() -> None:
    kinds = {(section, kind) for section, keys in KNOWN.items() if "kind" in keys
             for kind in re.findall(r'"(\w+)"', keys["kind"].allowed)}
    kinds |= {(section, "") for section, keys in KNOWN.items() if "kind" not in keys and section not in ("board", "screen")}  # no wires
    assert {one for devices in pages.DEVICES.values() for one in devices} == kinds
    assert set(pages.DEVICES) == set(sheets.SHEETS)


@pytest.mark.parametrize("name", pages.DEVICES)
def test_a_page_says_what_it_wires_what_burns_and_what_is_needed(name: str) -> None:
    said = pages.page(name, DEFAULTS)
    assert f"]({name}.svg)" in said and "## What burns" in said
    assert "{" not in said and "None" not in said
    assert len(pages.parts(name)) >= 1 and all(number > 0 for _, number in pages.parts(name))
    for section, kind in pages.DEVICES[name]:
        assert f"[{section}]" in said and (not kind or f'"{kind}"' in said)
    assert any(one.get("fill") == "#9c1c1c" for one in texts(DRAWN[name](DEFAULTS).svg()))


def test_the_bill_of_parts_is_that_of_the_pages() -> None:
    index = pages.page("index", DEFAULTS)
    for name in pages.DEVICES:
        assert all(f"| {part} | {number} |" in index for part, number in pages.parts(name))
    assert f"LED red or yellow, 5 or 10 mm | 1 |\n| Lamp | small: resistor {electrics.led_resistor()} ohm" in index


# --- pins ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("revision", [0xC03114, 0xC04170], ids=["Pi 4", "Pi 5"])
def test_the_header_is_that_of_gpiozero_s_tables(revision: int) -> None:
    """Source: gpiozero's board data, made from the makers' documentation."""
    from gpiozero.pins.pi import PiBoardInfo
    theirs = PiBoardInfo.from_revision(revision).headers["J8"].pins
    assert {n: name for n, name in enumerate(header.NAMES, 1)} == {n: pin.name for n, pin in theirs.items()}
    for bcm in (header.SPI_CLOCK, header.SPI_MISO, header.SPI_MOSI, *header.SPI_SELECT):
        assert "spi" in theirs[header.place(bcm)].interfaces


def test_spi_is_where_gpiozero_looks_for_it() -> None:
    from gpiozero.pins.data import SPI_HARDWARE_PINS
    assert SPI_HARDWARE_PINS[0] == {
        "clock": f"GPIO{header.SPI_CLOCK}", "mosi": f"GPIO{header.SPI_MOSI}", "miso": f"GPIO{header.SPI_MISO}",
        "select": tuple(f"GPIO{bcm}" for bcm in header.SPI_SELECT)}


@pytest.mark.parametrize("section", PIN_SECTIONS)
def test_page_and_drawing_have_the_pins_of_the_settings(section: str) -> None:
    moved = {"keypad": {"rows": (2, 3, 4, 27), "columns": (18, 19, 20, 21)}, "buttons": {"pins": (4, 27, 2)}}.get(section, {"pin": 27})
    kind = {"kind": "pins"} if section == "buttons" else {}  # they have the keypad's place
    for settings in (changed(section, **kind), changed(section, **kind, **moved)):
        page, drawing = pages.page(section, settings), words(sheets.SHEETS[section](settings).svg())
        wanted = pins_of(settings[section])
        assert [int(bcm) for bcm in re.findall(r"\| GPIO (\d+) \|", page)] == wanted
        for bcm in wanted:
            assert f"| GPIO {bcm} | {header.place(bcm)} |" in page
            assert f"GPIO {bcm}, pin {header.place(bcm)}" in drawing
        assert {int(bcm) for one in drawing for bcm in re.findall(r"GPIO (\d+)", one)} == set(wanted)
        marked = {one.split(":")[0] for one in words(sheets.header(settings).svg()) if f": {section}" in one}
        assert marked == {f"GPIO{bcm}" for bcm in wanted}


def test_no_two_devices_share_a_pin() -> None:
    used = [bcm for section in PIN_SECTIONS if section != "buttons" for bcm in pins_of(DEFAULTS[section])]
    used += [header.SPI_CLOCK, header.SPI_MISO, header.SPI_MOSI, *header.SPI_SELECT]
    assert len(used) == len(set(used))


@pytest.mark.parametrize("channel, supply, select", [(0, -1, 0), (3, 5, 1), (7, -1, 0)])
def test_the_transducer_s_channels_and_select_are_drawn(channel: int, supply: int, select: int) -> None:
    settings = changed("gauge", channel=channel, supply_channel=supply, select=select)
    drawing = words(sheets.SHEETS["gauge_transducer"](settings).svg())
    sense = supply if supply >= 0 else (channel + 1) % 8
    assert {f"{channel + 1} channel {channel}", f"{sense + 1} channel {sense}"} <= set(drawing)
    assert ("GPIO 8, pin 24" in drawing) is (select == 0) and ("GPIO 7, pin 26" in drawing) is (select == 1)
    assert f"| GPIO {(8, 7)[select]} |" in pages.page("gauge_transducer", settings)


def test_a_ground_or_supply_pin_is_one() -> None:
    for bcm in range(28):
        for name in ("GND", "5V", "3V3"):
            assert header.NAMES[header.nearest(name, bcm) - 1] == name
    assert header.nearest("GND", 24) == 20  # the pin next to 18
    with pytest.raises(ValueError, match="no GPIO 28"):
        header.place(28)


# --- arithmetic ------------------------------------------------------------------------------------------------------------


def test_the_divider_keeps_the_converter_within_its_supply() -> None:
    """Source: Kirchhoff's current law at the middle of the divider, in exact fractions."""
    upper, lower = Fraction(int(electrics.UPPER_OHM)), Fraction(int(electrics.LOWER_OHM))
    for volts in (Fraction(5), Fraction(21, 4), Fraction(9, 2)):
        middle = (volts / upper) / (1 / upper + 1 / lower)
        assert Fraction(electrics.divided(D(float(volts)))) == middle
        assert middle < Fraction(33, 10)
    assert electrics.divided(electrics.SUPPLY_MOST_V, electrics.LOWER_OHM, electrics.UPPER_OHM) < D("3.3")
    assert electrics.divided(electrics.SUPPLY_MOST_V * D("1.02")) < D("3.3")  # resistors of 1 %, each the wrong way
    assert electrics.SUPPLY_V * D("0.9") > electrics.PIN_V + electrics.CONVERTER_OVER_V  # and without it something does burn


@pytest.mark.parametrize("supply_v", ["4.75", "5", "5.25"])
def test_through_both_dividers_the_station_reads_the_pressure_whatever_the_supply(supply_v: str) -> None:
    """The circuit of the drawing, counted to 10 bits, through the station's own line: within one count."""
    points, supply = TwoPoints(D("0.1"), D(0), D("0.9"), D(60)), D(supply_v)
    one = electrics.count_psi(D(60), D("0.8"))
    for psi in (0, 14, 30, 45, 60):
        share = D("0.1") + D("0.8") * psi / 60
        signal, sense = (round(electrics.divided(volts) / electrics.PIN_V * electrics.COUNTS)
                         for volts in (supply * share, supply))
        assert signal < electrics.COUNTS and sense < electrics.COUNTS
        assert abs(points.psi(Fraction(signal, sense)) - psi) <= one


def test_parts_are_the_next_common_value() -> None:
    """Source: IEC 60063's E12 series, from memory."""
    assert [electrics.at_least(D(ohm)) for ohm in (260, 270, 271, 1000, 1001, "8.3")] == [270, 270, 330, 1000, 1200, 10]
    assert electrics.led_resistor() == 270 and electrics.led_resistor(D(5), D("3.2"), D(10)) == 180
    with pytest.raises(ValueError, match="does not light from 3.3 V"):
        electrics.led_resistor(led_v=D("3.3"))
    with pytest.raises(ValueError, match="no common resistor"):
        electrics.at_least(D(10_000_000))


def test_nothing_asks_more_of_a_pin_than_it_gives() -> None:
    led = (electrics.PIN_V - electrics.LED_V) / electrics.led_resistor() * 1000
    base = (electrics.PIN_V - electrics.JUNCTION_V) / electrics.BASE_OHM * 1000
    assert 3 < led <= electrics.LED_MA and base < electrics.PIN_MA
    assert base * electrics.MOST_GAIN >= 50  # what the pages allow the load
    assert electrics.PIN_V * electrics.SERIES_OHM / (electrics.PULL_UP_OHM + electrics.SERIES_OHM) < electrics.LOW_V / 5


def test_every_figure_has_its_standing_and_follows_the_settings() -> None:
    for fact in facts.facts(DEFAULTS).values():
        assert re.search(r"\*\((derived|from memory, about \d+ % sure|common practice, no source): .+\)\*$", fact.line())
    assert "0.08 psi over 60 psi" in facts.facts(DEFAULTS)["count"].words
    assert "0.13 psi over 100 psi" in facts.facts(changed("gauge", high_psi=100))["count"].words
    assert "the 90 ms of the station" in facts.facts(changed("pedal", release_ms=90))["pedal_time"].words
    assert "sees 60 ohm" in facts.facts(DEFAULTS)["termination"].words
    assert "sees 6.0 kilohm and lets pass what is slower than 265 Hz" in facts.facts(DEFAULTS)["input_filter"].words
    used = {name for page in ("index", *pages.DEVICES) for found in re.findall(r"\{facts:([\w,]+)\}", pages.source(page))
            for name in found.split(",")}
    assert used == set(facts.facts(DEFAULTS))


# --- drawings --------------------------------------------------------------------------------------------------------------


def extent(one: ElementTree.Element) -> tuple[float, float, float, float]:
    """About where a text lies: left, right, top, bottom."""
    size = float(one.get("font-size", 11))
    width = len(str(one.text)) * size * (0.62 if one.get("font-weight") else 0.56)
    left = float(one.get("x", 0)) - {"start": 0, "middle": width / 2, "end": width}[one.get("text-anchor", "start")]
    return left, left + width, float(one.get("y", 0)) - size * 0.75, float(one.get("y", 0)) + size * 0.2


WIDE = changed("keypad", rows=(5, 6), columns=(16, 17, 22, 23, 12, 24, 25, 27), legend="123A456B 789C*0#D")
HIGH = changed("keypad", columns=(5, 6), rows=(16, 17, 22, 23, 12, 24, 25, 27), legend="12 3A 45 6B 78 9C *0 #D")


@pytest.mark.parametrize(("name", "settings"), [*((one, DEFAULTS) for one in DRAWN), ("keypad", WIDE), ("keypad", HIGH)])
def test_a_drawing_is_well_formed_and_its_words_neither_run_off_nor_over_each_other(name: str, settings: dict) -> None:
    svg = DRAWN[name](settings).svg()
    top = ElementTree.fromstring(svg)
    assert top.tag == f"{SVG}svg"
    wide, high = float(top.get("width", 0)), float(top.get("height", 0))
    lying = [(one, extent(one)) for one in texts(svg)]
    for n, (one, (left, right, up, down)) in enumerate(lying):
        assert left >= 0 and right <= wide and up >= 0 and down <= high, one.text
        for other, (left2, right2, up2, down2) in lying[:n]:
            assert right <= left2 or right2 <= left or down <= up2 or down2 <= up, f"{one.text} over {other.text}"
    for line in top.iter(f"{SVG}polyline"):
        for point in str(line.get("points")).split():
            x, y = map(float, point.split(","))
            assert 0 <= x <= wide and 0 <= y <= high


def test_a_part_lies_level_or_upright() -> None:
    from hardware.wiring.drawing import Sheet
    with pytest.raises(ValueError, match="level or upright"):
        Sheet(100, 100, "").resistor((0, 0), (50, 50), "")


def test_any_words_may_be_drawn() -> None:
    from hardware.wiring.drawing import Sheet
    assert words(Sheet(100, 100, "3 < 5 & <b>").svg()) == ["3 < 5 & <b>"]


# --- the command -----------------------------------------------------------------------------------------------------------


def run(*arguments: str, home: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "assistant", "wiring", *arguments], cwd=ROOT, capture_output=True, text=True,
                          check=False, env={"XDG_CONFIG_HOME": str(home), "PATH": "/usr/bin:/bin"})


def test_the_command_writes_pages_for_this_station_s_own_settings(tmp_path: Path) -> None:
    (tmp_path / "bowlside").mkdir()
    (tmp_path / "bowlside" / "station.toml").write_text("[pedal]\npin = 27\n", encoding="utf-8")
    done = run(str(tmp_path / "out"), home=tmp_path)
    assert done.returncode == 0 and "begin with" in done.stdout
    assert "| GPIO 27 | 13 |" in (tmp_path / "out" / "pedal.md").read_text(encoding="utf-8")
    linked = set(re.findall(r"\]\((\S+)\)", "".join(one.read_text(encoding="utf-8") for one in (tmp_path / "out").glob("*.md"))))
    assert linked and all((tmp_path / "out" / one).is_file() for one in linked)
    assert len(linked) + 1 == len(list((tmp_path / "out").iterdir()))  # all but the index are linked


def test_what_the_command_refuses_it_says_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("", encoding="utf-8")
    in_the_way = run(str(tmp_path / "taken"), home=tmp_path)
    assert in_the_way.returncode == 1 and in_the_way.stderr.count("\n") == 1 and "can't be written" in in_the_way.stderr
    (tmp_path / "bowlside").mkdir()
    (tmp_path / "bowlside" / "station.toml").write_text("[lamp]\npin = 99\n", encoding="utf-8")
    wrong = run(str(tmp_path / "out"), home=tmp_path)
    assert wrong.returncode == 2 and "pin = 99 is not allowed" in wrong.stderr and "Traceback" not in wrong.stderr
    assert run(home=tmp_path).returncode == 2
