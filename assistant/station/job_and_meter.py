"""What a test is begun with: the meter register's settings, the job's over them, and what is to be said of both."""
from __future__ import annotations

import argparse
from collections.abc import Collection, Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from assistant import job
from assistant.core.methods.registry import METHODS
from assistant.files import plain
from assistant.files.refusal import Refusal
from assistant.job import Job
from assistant.meters import register
from assistant.meters.gear import Gear, gear_for
from assistant.record.header import LABELS, header_of
from assistant.station import station_settings

INVENTED = {"job": "Tern Hollow footbridge (invented)", "mix": "TH-40A", "producer": "Quarry Bend (invented)",
            "station": "Pier 2", "technician": "T-07", "meter": "simulated"}
PRACTICE = {"limits": {"air_content": ["4.5", "7.5"], "system_air_metric": [None, "0.20"], "slump": ["3", "5"],
                       "temperature": ["50", "90"]},
            "measure_volume_ft3": "0.2494", "bowl_volume_ft3": "0.2450", "chamber_ratio": "0.06", "aggregate_correction_pct": "0"}
"""An invented job's, so that a practice test of any kind has something to compute with."""
AIR_PCT, METRIC_PSI = 6.0, 0.10
"""The concrete on the simulated meter. A charge anywhere in its band moves the metric by up to 0.06 psi (tests/unit/test_practise.py),
so nothing near the limit of 0.20 would do: whoever does what he is told passes."""


def for_practice(wording: str) -> dict[str, Any]:
    """Labels and settings of practice; nothing of them was measured."""
    return {"practice": True, **of_station(wording), **PRACTICE, **INVENTED}


def of_station(wording: str) -> dict[str, str]:
    """Labels by which the dialogue is led: how it is worded, and whether three buttons are all that the technician has."""
    return {"speech": wording, **({"hands": "buttons"} if station_settings.read()["buttons"]["kind"] else {})}


class Given(NamedTuple):
    data: dict[str, Any]
    """Labels and settings, as ``header_of`` takes them."""
    remark: str
    """To be said and recorded at the start of a test that uses the meter."""
    refusal: str
    """Why no new test may begin; empty if one may. One that is under way is always gone on with."""

    gear: Mapping[str, Gear] = {}
    """What each test is done with; of what is overdue it is told."""

    def of(self, test: str) -> tuple[Mapping[str, str], str]:
        """Labels and remark of this test alone."""
        its = self.gear.get(test, Gear())
        return its.labels, " ".join(its.overdue)

    def must_be_fit(self) -> None:
        """Raises Refusal: the meter is not fit for use, and nobody said why it is used all the same."""
        if self.refusal:
            raise Refusal(self.refusal)


def for_real(args: argparse.Namespace, folder: Path, tests: Collection[str], wording: str, day: date | None = None) -> Given:
    """For tests of these kinds, from the job file and the meter register.

    args    ``job`` a file or None, ``mix`` one of its mixes or None, ``override`` why an unfit meter is used or None
    folder  the journal's, where the meter register lies too
    day     on which it must be good, today unless it is said
    Raises JobError, MeterError: one of the two files is wrong.
    """
    day = day or date.today()
    if args.override and not plain.is_line(args.override):
        raise Refusal(f"--override must be {plain.RULE}.")
    its_job = job.load(args.job) if args.job else None
    if args.mix and its_job is None:
        raise Refusal("--mix names a mix of a job file: name that too, with --job.")
    given: dict[str, Any] = {**(job.read(args.job, args.mix) if args.job else {}), **of_station(wording)}
    source = its_job.aggregate_source(args.mix) if its_job else ""
    known, reasons = register.for_run(folder, given.get("meter"), day, source,
                                    given.get("units", "inch-pound"))
    given = known | given  # what the job says wins; the meter's maximum and its clamps come from the register
    if not any(test in METHODS and METHODS[test].air_meter for test in tests):
        reasons = []  # no result hangs on the meter's calibration
    technician, equipment = str(given.get("technician", "")), its_job.equipment if its_job else {}
    gear = {test: gear_for(folder, (*METHODS[test].needs, register.CERTIFICATE), equipment, technician, day)
            for test in tests if test in METHODS and METHODS[test].needs}
    if equipment.get("overdue") == job.REFUSED:
        reasons = [*reasons, *dict.fromkeys(one for its in gear.values() for one in its.overdue)]
    refusal = "" if args.override or not reasons else (
        " ".join(reasons) + " Or say why it is used all the same, with --override, which is recorded.")
    remarks = [f"Override, {args.override}: {' '.join(reasons)}"] if reasons else []
    if its_job is None:
        remarks.append("No job file: there are no limits. Name the job with --job.")
    return Given(given, " ".join(remarks), refusal, gear)


OURS = ("practice", "speech", "hands", "invented", "round", "sampled_at", "check_of", "comparison", "round_tests", "check_tests",
        "measured_in")
"""Labels that the station gives itself."""


def labelled(pairs: Collection[str]) -> dict[str, str]:
    """``KEY=TEXT`` pairs of the command line as labels. Raises Refusal naming the keys there are."""
    found, allowed = {}, [key for key in LABELS if key not in OURS]
    for pair in pairs:
        key, equal, value = pair.partition("=")
        if key not in allowed or not equal or not value.strip():
            raise Refusal(f"--label {pair}: write KEY=TEXT, such as ticket=40117; the keys are {', '.join(allowed)}.")
        found[key] = value
    header_of({"test": "sampling", **found}, "--label")
    return found


def round_of(its_job: Job | None) -> dict[str, Any]:
    """What a job file says of its rounds: tests, technicians, the second technician, whether check tests are wanted."""
    if its_job is None:
        return {}
    return {**its_job.round, **({"check_tests": its_job.retest["check_test"]} if "check_test" in its_job.retest else {})}
