"""All hands opened together as the settings say, on gpiozero's mock pins: what is not configured is skipped, what fails is one
sentence, and the rest is opened."""
import importlib.util
import os
import subprocess
import sys
import time

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from assistant.station import station_settings
from hardware import header_process
from hardware.hands import PIN_SECTIONS, open_all, pins_of
from hardware.header_process import ENDED, HeaderProcess
from hardware.worker import ROOT


@pytest.fixture(autouse=True)
def mock_pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    yield
    Device.pin_factory.reset()
    Device.pin_factory = before


CHILD = """
import time
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from hardware import header, header_process
from hardware.fake_matrix import FakeMatrix
Device.pin_factory = MockFactory()
matrix = FakeMatrix(Device.pin_factory, (5, 6, 13, 26), (16, 17, 22, 23), time.monotonic)
real = header.open_header
def open_header(*what):
    devices, begin = real(*what), time.monotonic() + 0.3
    for n in range(COUNT):
        matrix.press("0123456789"[n % 10], begin + 2 * DOWN_S * n, begin + 2 * DOWN_S * n + DOWN_S)
    return devices
header.open_header = open_header
header_process.main()
"""
"""The real process, on a matrix that is pressed in it once it looks."""
DOWN_S = 0.2
"""Long enough that a busy machine lets the process look meanwhile: of 0.06 s it saw nothing when others wanted five cores of two."""


def child(count: int) -> list[str]:
    return [sys.executable, "-c", CHILD.replace("COUNT", str(count)).replace("DOWN_S", str(DOWN_S))]


def wait(done, seconds=60.0):
    until = time.monotonic() + seconds
    while not done() and time.monotonic() < until:
        time.sleep(0.01)
    assert done()


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
    assert opened.kinds == ["Keypad", "Pedal", "UsbPad", "Lamp", "Buzzer"]
    assert [one.alive for one in opened.devices] == [True, True, False, True, True]
    wait(lambda: opened.trouble)
    opened.close()
    assert all(not one.alive for one in opened.devices)
    assert all("not plugged in" in one for one in opened.trouble)


def test_no_two_defaults_share_a_pin_and_none_is_one_of_the_buses():
    found = {name: {key: rule.default for key, rule in keys.items()} for name, keys in station_settings.KNOWN.items()}
    used = [number for name in PIN_SECTIONS if name != "buttons" for number in pins_of(found[name])]
    assert set(pins_of(found["buttons"])) < set(pins_of(found["keypad"]))  # in whose place they are
    assert len(used) == len(set(used)) == 11
    buses = {2, 3, 7, 8, 9, 10, 11, 14, 15, 18, 19, 20, 21}  # I2C, SPI0, UART, I2S as raspberrypi's documentation numbers them
    assert not buses & set(used)


@pytest.mark.parametrize("wrong, kinds, sentences", [
    ("[lamp]\nkind = 'led'\npin = 24", ["Keypad", "Pedal", "Buzzer"],
     ["Pin 24 is set for [pedal] and for [lamp] in station.toml: give one of them another pin.", "The lamp can't be used: "]),
    ("[keypad]\nkind = 'matrix'\nlegend = '123 456 789 *0#'", ["Pedal", "Lamp", "Buzzer"],
     ["The keypad can't be used: its legend \"123 456 789 *0#\" is not 4 rows of 4 keys, as its pins are."]),
    ("[usb_pad]\nkind = 'usb'", ["Keypad", "Pedal", "Lamp", "Buzzer"],
     ["The USB pad can't be used: [usb_pad] device is not set; take its name in /dev/input/by-id that ends in -event-kbd."]),
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
    ("[keypad]\nrows = [5, 5]", "[keypad] rows = [5, 5] is not allowed; it must be a list of 1 to 8 different whole numbers"),
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


@pytest.mark.alone
def test_no_key_is_lost_while_a_recogniser_keeps_every_thread_waiting(tmp_path):
    """A number to a decimal text is one call in C that lets no other thread run, as pocketsphinx's decoding is."""
    heavy, gaps, keys = 3 ** 400_000, [], []
    hands = HeaderProcess(settings(tmp_path, "[keypad]\nkind = 'matrix'"), keys.append, print, command=child(10))
    sys.set_int_max_str_digits(0)
    try:
        wait(lambda: hands.alive)
        process = hands.worker._child
        until = time.monotonic() + 60
        while len(keys) < 10 and time.monotonic() < until:
            begin = time.monotonic()
            str(heavy)
            gaps.append(time.monotonic() - begin)
    finally:
        sys.set_int_max_str_digits(4300)
        hands.close()
    assert keys == list("0123456789")
    assert max(gaps) > DOWN_S
    assert hands.worker.pid is None and not hands.alive
    assert process.returncode == 0  # it ended by itself, since it was let go of


@pytest.mark.alone
def test_a_process_that_is_killed_is_told_and_started_again(tmp_path, monkeypatch):
    monkeypatch.setattr(header_process, "WAITS_S", (0.01,))
    keys, trouble = [], []
    hands = HeaderProcess(settings(tmp_path, "[keypad]\nkind = 'matrix'"), keys.append, trouble.append, command=child(1))
    wait(lambda: keys == ["0"])
    first = hands.worker.pid
    os.kill(first, 9)
    wait(lambda: keys == ["0", "0"])
    assert hands.alive and hands.worker.pid != first
    hands.close()
    assert trouble == [ENDED]


def test_a_process_that_can_not_start_is_told_once_and_closing_does_not_wait_for_it(tmp_path, monkeypatch):
    monkeypatch.setattr(header_process, "WAITS_S", (0.01,))
    trouble = []
    hands = HeaderProcess(settings(tmp_path, ""), print, trouble.append, command=["/no/such/program"])
    wait(lambda: trouble)
    time.sleep(0.1)
    hands.close()
    assert trouble == [ENDED]


def test_without_header_pins_the_process_says_so_in_one_sentence(tmp_path, monkeypatch):
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    trouble = []
    found = settings(tmp_path, "[keypad]\nkind = 'matrix'\n[pedal]\nkind = 'button'")
    devices = open_all(found, print, trouble.append, print, print)
    assert [type(one) for one in devices] == [HeaderProcess]
    try:
        wait(lambda: len(trouble) == 2 or devices[0].alive)
        if devices[0].alive:
            pytest.skip("this machine has header pins")
        assert trouble[0].startswith("The keypad can't be used: ") and trouble[1].startswith("The pedal can't be used: ")
        assert all(one.endswith(".") and "\n" not in one for one in trouble)
    finally:
        devices[0].close()


def test_the_process_ends_with_a_station_that_is_killed(tmp_path):
    code = ("import sys, time\nfrom hardware.header_process import HeaderProcess\n"
            f"hands = HeaderProcess({{'keypad': {{}}}}, print, print, command={child(0)!r})\n"
            "while hands.worker.pid is None: time.sleep(0.01)\nprint(hands.worker.pid, flush=True)\ntime.sleep(60)")
    station = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE)
    pid = int(station.stdout.readline())
    station.kill()
    station.wait()
    station.stdout.close()
    wait(lambda: not os.path.exists(f"/proc/{pid}") or open(f"/proc/{pid}/stat").read().split()[2] == "Z")


def test_lgpio_is_imported_without_leaving_anything_or_going_anywhere(tmp_path):
    """The real lgpio, here without pins: by itself it leaves a pipe in the working folder, which a second process would share."""
    if importlib.util.find_spec("lgpio") is None:  # not importorskip: importing it is what leaves the pipe
        pytest.skip("lgpio is missing: pip install lgpio")
    code = ("import os; from hardware.pins import PinError, factory\n"
            "try: factory()\nexcept PinError as error: print(error)\n"
            "print(os.getcwd(), os.environ.get('LG_WD'))")
    environment = {name: value for name, value in os.environ.items() if name != "GPIOZERO_PIN_FACTORY"}
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True,
                          env={**environment, "PYTHONPATH": str(ROOT), "TMPDIR": str(temporary)})
    assert done.stdout.splitlines()[-1] == f"{tmp_path} None"
    assert done.stderr == ""
    assert os.listdir(tmp_path) == ["temporary"] and not os.listdir(temporary)
