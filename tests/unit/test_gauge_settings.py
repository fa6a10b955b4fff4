"""[gauge] in the station's settings: one set of defaults, and one sentence for each mistake."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.station import station_settings
from hardware.gauges import GaugeSettingsError, open_gauge, settings
from hardware.gauges.fake import FakeGauge
from hardware.gauges.pty_gauge import SETTINGS, PtyGauge
from tests.unit.gauge_wire import Told


def opened(**section):
    return open_gauge(section, *[lambda *told: None] * 4)


def test_the_stations_defaults_and_the_gauges_are_the_same():
    known = station_settings.KNOWN["gauge"]
    assert {key: rule.default for key, rule in known.items()} == dict(settings.DEFAULTS)
    assert [key for key, rule in known.items() if not rule.right(rule.default)] == []


@pytest.mark.parametrize("line, words", [
    ("kind = 'usb'", 'must be one of "", "line", "polled", "modbus", "transducer"'),
    ("unit = 'atm'", 'must be one of "psi", "kPa", "bar", "mbar", "line"'),
    ("scale = '0.01'", "must be a number from -1000 to 1000"),
    ("scale = nan", "must be a number"),
    ("baud = 9600.0", "whole number from 300 to 921600"),
    ("device = 0", "whole number from 1 to 247"),
    ("function = 6", "3 holding registers, 4 input registers"),
    ("every_ms = 5000", "whole number from 20 to 1000"),
])
def test_the_file_refuses_what_is_not_allowed(tmp_path, line, words):
    path = tmp_path / "station.toml"
    path.write_text(f"[gauge]\n{line}\n")
    with pytest.raises(station_settings.StationSettingsError) as problem:
        station_settings.read(path)
    assert words in str(problem.value) and "\n" not in str(problem.value)


@pytest.mark.parametrize("section, words", [
    ({"kind": "usb"}, "kind = 'usb': it must be one of line, polled, modbus, transducer"),
    ({"kind": "line", "speed": 9600}, "has no key 'speed'"),
    ({"kind": "line", "scale": 0}, "scale = 0"),
    ({"kind": "line", "scale": True}, "scale = True: it must be a number"),
    ({"kind": "line", "lowest_psi": 60}, "lowest_psi = 60 must be below highest_psi = 60"),
    ({"kind": "line", "highest_psi": float("inf")}, "highest_psi = inf: it must be a number"),
    ({"kind": "line", "pattern": "{value"}, "must be doubled"),
    ({"kind": "polled", "ask": ""}, "ask is empty"),
    ({"kind": "polled", "ask": "€"}, "plain ASCII"),
])
def test_settings_that_only_the_gauge_can_judge(section, words):
    with pytest.raises(GaugeSettingsError) as problem:
        opened(**section)
    assert words in str(problem.value) and "\n" not in str(problem.value)


def test_a_number_is_what_is_written():
    assert settings.decimal_of({"scale": 0.1}, "scale") == Decimal("0.1")
    assert settings.decimal_of({"scale": 0.01}, "scale") == Decimal("0.01")


def test_a_file_that_is_read_opens_the_simulated_gauge(tmp_path):
    """From the text that a person writes to the sample, with the real reader of that text."""
    meter, told = PtyGauge("line", lambda: Decimal("14.50")), Told()
    path = tmp_path / "station.toml"
    path.write_text(f"[gauge]\nkind = 'line'\nport = '{meter.path}'\npattern = '{SETTINGS['line']['pattern']}'\n")
    gauge = open_gauge(station_settings.read(path)["gauge"], *map(told.note, ("sample", "lost", "back", "trouble")))
    assert told.more_samples(1)[0].psi == Decimal("14.50")
    gauge.close()
    meter.stop()


PAGE = (Path(settings.__file__).parent / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("number, block", list(enumerate(re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL))))
def test_each_example_of_the_page_is_right(tmp_path, number, block):
    path = tmp_path / "station.toml"
    path.write_text(block)
    section = station_settings.read(path)["gauge"]
    assert callable(settings.source_for(section, lambda: 0.0))
    lines = {0: b"  +14.50 psi", 1: b"$+014.50,psi*73"}
    if number in lines:
        assert settings._pattern({**settings.DEFAULTS, **section}).psi(lines[number]) == Decimal("14.50")


def test_the_page_tells_every_key_and_its_default():
    rows = re.findall(r"^\| (`[a-z_`, ]+) \| ([^|]+) \|", PAGE.partition("## Every key")[2], re.MULTILINE)
    told = {key: default for keys, defaults in rows
            for key, default in zip(re.findall(r"`(\w+)`", keys), defaults.split(", "), strict=True)}
    assert {key: default.strip().strip("`") for key, default in told.items()} == {
        key: f'"{value}"' if isinstance(value, str) else str(value) for key, value in settings.DEFAULTS.items()}


def test_escapes_become_bytes():
    assert settings.unescaped(r"\x01P\t\r\n\\", "ask") == b"\x01P\t\r\n\\"


def test_a_simulated_gauge_of_no_kind_is_refused():
    with pytest.raises(ValueError, match="the kinds are line, polled, modbus"):
        PtyGauge("transducer", lambda: Decimal(0))


def test_the_fake_tells_what_a_real_one_tells():
    told = Told()
    fake = FakeGauge(told.note("sample"), told.note("lost"), told.note("back"), clock=lambda: 3.0)
    fake.feed("14.50")
    fake.lose()
    fake.lose()
    assert not fake.alive
    fake.feed(Decimal("14.51"))
    assert [one[0] for one in told.all] == ["sample", "lost", "back", "sample"]
    assert (told.of("sample")[0].at, told.psi()) == (3.0, [Decimal("14.50"), Decimal("14.51")])
