"""Readings of the other tests: refused, asked, or taken; and what the ear is told to expect."""

from decimal import Decimal as D

import pytest

from assistant.core.plausible import likely_range, plausible_range, reading
from assistant.core.settings import Settings

US, SI = Settings.from_mapping({"measure_volume_ft3": "0.250"}), Settings.from_mapping({"units": "si"})


@pytest.mark.parametrize("name, value, taken, settings, kind, words", [
    ("slump", "4.25", {}, US, "", ""), ("slump", "4.30", {}, US, "impossible", "quarter inch"),
    ("slump", "110", {}, SI, "", ""), ("slump", "112", {}, SI, "impossible", "5 millimeters"),
    ("slump", "9.00", {}, US, "", ""), ("slump", "9.25", {}, US, "doubtful", "unusually high"),
    ("slump", "0.25", {}, US, "doubtful", "unusually low"), ("slump", "12.25", {}, US, "impossible", "from 0 to 12"),
    ("temperature", "22", {}, US, "impossible", "Celsius"), ("temperature", "72", {}, SI, "impossible", "Fahrenheit"),
    ("temperature", "35", {}, US, "doubtful", "unusually low"), ("temperature", "72", {}, US, "", ""),
    ("temperature", "101", {}, US, "doubtful", "unusually high"), ("temperature", "121", {}, US, "impossible", "hotter"),
    ("gross", "54.1", {"tare": "18.6"}, US, "", ""), ("gross", "18.6", {"tare": "18.6"}, US, "impossible", "swapped"),
    ("gross", "18.5", {"tare": "54.1"}, US, "impossible", "swapped"),
    ("gross", "91.1", {"tare": "18.6"}, US, "doubtful", "290.0 pounds a cubic foot"),
    ("gross", "91.1", {"tare": "18.6"}, Settings(), "", ""),  # no volume, so nothing to compare with
    ("tare", "54.1", {"gross": "54.1"}, US, "impossible", "swapped"), ("tare", "0.0", {}, US, "impossible", "from 0.1"),
    ("air.reading", "5.4", {}, US, "", ""), ("air.reading", "0.4", {}, US, "doubtful", "low"),
    ("air.reading", "54", {}, US, "impossible", "from 0 to 30"),
    ("air.reading", "4.9", {"water.drawn": "5.0"}, US, "doubtful", "drawn off"),
    ("canister.equilibrium.2", "14.50", {"canister.charge.2": "14.50"}, US, "impossible", "not below the charge"),
    ("canister.equilibrium.2", "7.91", {"canister.charge.2": "14.50"}, US, "", ""),
    ("canister.charge.1", "15.50", {}, US, "doubtful", "high"), ("gauge.3", "46.01", {}, US, "impossible", "to 46"),
    ("reference.2", "29.0", {}, US, "doubtful", "low"), ("zero.reading", "0.06", {}, US, "doubtful", "high"),
    ("cure.min", "85", {"cure.max": "84"}, US, "impossible", "swapped"), ("cure.min", "84", {"cure.max": "84"}, US, "", ""),
    ("cure.max", "60", {"cure.min": "61"}, US, "impossible", "swapped"),
    ("cure.hours", "49", {}, US, "doubtful", "high"), ("cylinder.count", "0", {}, US, "impossible", "from 1"),
    ("slump", "NaN", {}, US, "impossible", "no gauge reading"), ("tare", "1e-999", {}, US, "impossible", "no gauge reading"),
])
def test_one_reading(name, value, taken, settings, kind, words) -> None:
    doubt = reading(name, D(value), {key: D(one) for key, one in taken.items()}, settings)
    assert (doubt.kind if doubt else "") == kind
    assert doubt is None or words in doubt.words


@pytest.mark.parametrize("name, taken, plausible, likely", [
    ("slump", {}, ("0", "12"), ("0.50", "9.00")), ("temperature", {}, ("32", "120"), ("40.00", "100.00")),
    ("gross", {"tare": "18.6"}, ("18.6", "999"), ("53.60", "56.10")),
    ("canister.equilibrium.1", {"canister.charge.1": "11.00"}, ("0.01", "11.00"), ("3.00", "11.00")),
    ("gauge.2", {}, ("0.01", "46"), ("29.50", "30.50")),
])
def test_what_the_ear_is_told(name, taken, plausible, likely) -> None:
    given = {key: D(one) for key, one in taken.items()}
    assert tuple(map(str, plausible_range(name, given, US))) == plausible
    assert tuple(map(str, likely_range(name, given, US))) == likely


def test_a_name_that_is_none() -> None:
    with pytest.raises(ValueError, match="no reading"):
        plausible_range("slumps", {}, US)
