import json
from decimal import Decimal as D

import pytest

from assistant.core.settings import Settings


def test_defaults_pass_their_own_checks_and_round_trip_through_json() -> None:
    for settings in (Settings(), Settings.from_mapping({
            "chamber_ratio": D("0.0600"),
            "limits": {"system_air_metric": [None, D("0.20")], "air_content": ["4.5", "7.5"]},
            "rounding": "half-up", "step_targets": ["14.50", 30, D("45")], "clamps": 8})):
        mapping = settings.to_mapping()
        back = Settings.from_mapping(json.loads(json.dumps(mapping)))
        assert back == settings and back.to_mapping() == mapping  # the digits too: 0.20 stays 0.20


def test_numbers_are_decimals_and_never_floats() -> None:
    assert isinstance(Settings.from_mapping({"leak_hold_s": 120}).leak_hold_s, D)
    with pytest.raises(ValueError, match="chamber_ratio is .*must be a number"):
        Settings.from_mapping({"chamber_ratio": 0.06})


@pytest.mark.parametrize("key, value, words", [
    ("chamber_ration", "0.06", "is no setting"), ("chamber_ratio", "-1", "from 0.001 to 1"),
    ("chamber_ratio", True, "must be a number"), ("chamber_ratio", "six", "must be a number"),
    ("chamber_ratio", "1e-3", "must be a number"), ("chamber_ratio", D("NaN"), "at most 12 decimals"),
    ("max_psi", D("1e999999"), "below 1000000"), ("band_psi", D("0.0000000000001"), "at most 12 decimals"),
    ("leak_low", "45.6", "leak_low must be the lower"), ("leak_high", "47", "leak_high must be the lower"),
    ("air_low_pct", "13", "air_low_pct must be the lower"), ("max_psi", "45.04", "leak_high"),
    ("step_targets", ["30", "14.5", "45"], "each must be above"), ("step_targets", "14.5", "three pressures"),
    ("step_targets", ["14.5", "30", "46"], "must not go over max_psi"),
    ("units", "metric", "inch-pound or si"), ("units", None, "inch-pound or si"), ("cylinder", "5x10", "4x8 or 6x12 or 9x18"),
    ("measure_volume_ft3", "0", "from 0.1 to 4 (ft3)"), ("measure_volume_ft3", "7.1", "from 0.1 to 4"),
    ("batch_mass_kg", "2360", "batch_mass_kg is given and units is inch-pound"), ("lift_s", None, "lift_s is null"),
    ("limits", {"slumps": [1, 2]}, "the results are"),
    ("clamps", "5.5", "whole number"), ("clamps", [6], "must be a number"),
    ("rounding", "up", "half-even or half-up"),
    ("rounding", ["half-up"], "half-even or half-up"), ("limits", [], "must name results"),
    ("limits", {"air": [1, 2]}, "the results are"), ("limits", {"air_content": 5}, "lowest and the highest"),
    ("limits", {"air_content": [7, 5]}, "lowest comes first"),
    ("limits", {"air_content": [-1, 5]}, "negative"),
    ("limits", {"air_content": [1, 0.2]}, "must be a number"),
])
def test_wrong_settings_are_one_sentence_that_names_the_key(key, value, words) -> None:
    with pytest.raises(ValueError) as wrong:
        Settings.from_mapping({key: value})
    said = str(wrong.value)
    assert words in said and "\n" not in said and len(said) < 1000
    assert key in said or "air_content" in said


def test_amounts_go_by_the_units_of_the_job() -> None:
    us = Settings.from_mapping({"batch_mass_lb": "3978", "measure_volume_ft3": "0.250"})
    si = Settings.from_mapping({"units": "si", "batch_mass_kg": "2360"})
    assert (us.amount("batch_mass"), us.amount("measure_volume"), us.amount("cementitious")) == (D(3978), D("0.250"), None)
    assert (si.amount("batch_mass"), si.amount("measure_volume")) == (D(2360), None)
    for one in (us, si):
        assert Settings.from_mapping(json.loads(json.dumps(one.to_mapping()))) == one
    with pytest.raises(ValueError, match="measure_volume_ft3 is given and units is si"):
        Settings.from_mapping({"units": "si", "measure_volume_ft3": "0.250"})


def test_a_record_from_before_these_settings_still_reads() -> None:
    old = {key: Settings().to_mapping()[key] for key in ("chamber_ratio", "limits", "rounding", "clamps")}
    assert Settings.from_mapping(old) == Settings()
