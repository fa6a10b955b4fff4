"""All hands opened together as the settings say, on gpiozero's mock pins: what is not configured is skipped, what fails is one
sentence, and the rest is opened."""
import os

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from assistant import station_settings
from hardware.hands import PIN_SECTIONS, open_all, pins_of


@pytest.fixture(autouse=True)
def mock_pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    yield
    Device.pin_factory.reset()
    Device.pin_factory = before


def settings(tmp_path, source: str):
    path = tmp_path / "station.toml"
    path.write_text(source)
    return station_settings.read(path)


class Opened:
    def __init__(self, found):
        self.trouble: list[str] = []
        self.devices = open_all(found, print, self.trouble.append, print, print)
        self.kinds = [type(one).__name__ for one in self.devices]

    def close(self):
        for one in self.devices:
            one.close()
        return self.trouble


ALL = "\n".join(f"[{name}]\nkind = '{kind}'" for name, kind in
                (("keypad", "matrix"), ("pedal", "button"), ("lamp", "led"), ("buzzer", "passive")))


def test_nothing_is_opened_that_is_not_configured(tmp_path):
    opened = Opened(settings(tmp_path, ""))
    assert opened.devices == [] and opened.close() == []
    assert not Device.pin_factory.pins


def test_all_at_once_on_their_default_pins(tmp_path):
    opened = Opened(settings(tmp_path, ALL + f"\n[usb_pad]\nkind = 'usb'\ndevice = '{tmp_path}/none'"))
    assert opened.kinds == ["Keypad", "UsbPad", "Pedal", "Lamp", "Buzzer"]
    assert [one.alive for one in opened.devices] == [True, False, True, True, True]
    for _ in range(200):
        if opened.trouble:
            break
        os.sched_yield()
    opened.close()
    assert all(not one.alive for one in opened.devices)
    assert all("not plugged in" in one for one in opened.trouble)


def test_no_two_defaults_share_a_pin_and_none_is_one_of_the_buses():
    found = {name: {key: rule.default for key, rule in keys.items()} for name, keys in station_settings.KNOWN.items()}
    used = [number for name in PIN_SECTIONS for number in pins_of(found[name])]
    assert len(used) == len(set(used)) == 11
    buses = {2, 3, 7, 8, 9, 10, 11, 14, 15, 18, 19, 20, 21}  # I2C, SPI0, UART, I2S as raspberrypi's documentation numbers them
    assert not buses & set(used)


@pytest.mark.parametrize("wrong, kinds, sentences", [
    ("[lamp]\nkind = 'led'\npin = 24", ["Keypad", "Pedal", "Buzzer"],
     ["Pin 24 is set for [pedal] and for [lamp] in station.toml: give one of them another pin.", "The lamp can't be used: "]),
    ("[keypad]\nkind = 'matrix'\nlegend = '123 456 789 *0#'", ["Pedal", "Lamp", "Buzzer"],
     ["The keypad can't be used: its legend \"123 456 789 *0#\" is not 4 rows of 4 keys, as its pins are."]),
    ("[usb_pad]\nkind = 'usb'", ["Keypad", "Pedal", "Lamp", "Buzzer"],
     ["The usb pad can't be used: [usb_pad] device is not set; take its name in /dev/input/by-id that ends in -event-kbd."]),
])
def test_what_is_wrong_is_one_sentence_and_the_rest_is_there(tmp_path, wrong, kinds, sentences):
    head = wrong.splitlines()[0]
    rest = "\n".join(one for one in ("\n".join(pair) for pair in zip(ALL.split("\n")[::2], ALL.split("\n")[1::2], strict=True))
                     if not one.startswith(head))
    opened = Opened(settings(tmp_path, f"{rest}\n{wrong}"))
    assert opened.kinds == kinds
    trouble = opened.close()
    assert len(trouble) == len(sentences)
    for said, wanted in zip(trouble, sentences, strict=True):
        assert said.startswith(wanted) and said.endswith(".") and "\n" not in said


def test_a_smaller_keypad(tmp_path):
    opened = Opened(settings(tmp_path, "[keypad]\nkind = 'matrix'\nlegend = '123 456 789 *0#'\ncolumns = [16, 17, 22]"))
    assert opened.kinds == ["Keypad"] and opened.close() == []


@pytest.mark.parametrize("source, words", [
    ("[keypad]\nrows = [5, 5]", "[keypad] rows = [5, 5] is not allowed; it must be a list of 1 to 8 different whole numbers from 2 to 27"),
    ("[keypad]\nrows = 5", "[keypad] rows = 5 is not allowed"),
    ("[keypad]\nrows = [5, true]", "is not allowed"),
    ("[keypad]\nlegend = 'xyz'", "[keypad] legend = \"xyz\" is not allowed"),
    ("[keypad]\nlegend = ' '", "is not allowed"),
    ("[pedal]\npin = 28", "[pedal] pin = 28 is not allowed; it must be a whole number from 2 to 27 (BCM)"),
    ("[pedal]\ndoes = 'dance'", 'must be one of "next", "talk"'),
    ("[lamp]\nkind = 'neon'", 'must be one of "", "led"'),
])
def test_each_mistake_in_the_settings_is_one_sentence(tmp_path, source, words):
    with pytest.raises(station_settings.StationSettingsError) as problem:
        settings(tmp_path, source)
    assert words in str(problem.value)
