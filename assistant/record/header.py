"""The header of a test: which test it is, its labels and its settings, checked."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from assistant.core import deviations
from assistant.core.methods.registry import METHODS
from assistant.core.phrases import capital
from assistant.core.procedure import Procedure, build
from assistant.core.settings import Settings
from assistant.files import plain
from assistant.files.refusal import Refusal
from assistant.procedures import load

LABELS = ("job", "mix", "producer", "station", "technician", "meter", "practice", "speech", "hands", "invented", "round", "sample",
          "ticket", "truck", "load", "volume_yd3", "volume_m3", "location", "sample_point", "weather", "air_temperature", "owner", "contractor",
          "contract_item", "plant", "certification", "certification_expires", "batched_at", "arrived_at", "sampled_at",
          "discharged_at",
          "thermometer", "scale", "measure", "cone", "rod", "moulds", "water_added", "admixture_added", "taken_by", "added_by", "revolutions", "check_of", "comparison", "preliminary", "round_tests", "check_tests", "measured_in")
"""Header keys that are labels, not settings; those of the report are explained in report/form.py."""


def led_by(given: Mapping[str, Any]) -> dict[str, str]:
    """The labels by which the dialogue is led, for the questions between two tests."""
    return {"speech": "normal", **{key: str(given[key]) for key in ("speech", "hands") if key in given}}


@dataclass(frozen=True)
class Header:
    test: str
    data: Mapping[str, Any]
    """The procedure as parsed."""
    settings: Settings
    labels: Mapping[str, Any]
    procedure: Procedure

    def must_begin(self) -> None:
        """Raises Refusal where the job wants no such test begun. One that is under way is always gone on with."""
        if self.test in METHODS and (why := METHODS[self.test].refuses(self.settings)):
            raise Refusal(f"{capital(why)}.")


def header_of(given: Mapping[str, Any], where: str) -> Header:
    """Check a test's header. Raises Refusal."""
    test = given.get("test")
    if not isinstance(test, str):
        raise Refusal(f'{where}: it must name a test, such as {{"test": "sequential"}}.')
    settings = {key: value for key, value in given.items() if key != "test" and key not in LABELS}
    labels = {key: value for key, value in given.items() if key in LABELS}
    try:
        checked = Settings.for_test(settings)
        data = load(test)
        procedure = build(data, checked, f"{test}.toml")
    except ValueError as error:
        raise Refusal(f"{where}: {str(error).removesuffix('.')}.") from None
    for key, value in labels.items():
        if not isinstance(value, bool) and not plain.is_line(value):
            raise Refusal(f'{where}: "{key}" must be {plain.RULE}.')
    if told := [deviation.words for deviation in deviations.of(checked, test)]:
        labels["deviations"] = told
    return Header(test, data, checked, labels, procedure)
