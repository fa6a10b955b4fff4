"""What stands on a daily report of fresh concrete, in order (common practice, no source). What is unknown is a blank line."""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from assistant.job import Job
from assistant.report.rows import RECORDED, Round

CYLINDERS = "Cylinder ids, size, ages"
FIELDS = (
    ("job", "Project"), ("contract_item", "Contract item"), ("owner", "Owner"), ("contractor", "Contractor"),
    ("producer", "Producer"), ("plant", "Plant"), ("mix", "Mix"), ("mix_class", "Mix class"),
    ("truck", "Truck"), ("ticket", "Ticket"), ("load", "Load no."), ("volume_yd3", "Load, yd3"), ("sample", "Sample"),
    ("batched_at", "Batched at"), ("arrived_at", "Arrived at"), ("sampled_at", "Sampled at"), ("discharged_at", "Discharged at"),
    ("location", "Placed at"), ("sample_point", "Sample point"), ("weather", "Weather"), ("air_temperature", "Air temperature"),
    ("water_added", "Water added"), ("admixture_added", "Admixture added"), ("added_by", "Added by"),
    ("revolutions", "Revolutions"), ("cylinders", CYLINDERS), ("initial_cure", "Initial cure, min / max"),
    ("station", "Station"),
)
"""Label of a test's header, and its name on paper."""

_ELSEWHERE = {"technician", "meter", "certification", "certification_expires", "practice", "invented", "speech", "hands",
              "round", "remark", "wpm", "check_of", "check_test", "comparison", "second", "after_last_portion_s", "completed",
              "timing", "round_tests", "check_tests"}


def fields(one: Round, job: Job | None) -> list[tuple[str, str]]:
    """Name and value of every field; empty where nothing is known. Labels that have no field of their own follow."""
    named = dict(FIELDS)
    values = {key: text(one.label(key)) or of_job(job, key, one.label("mix")) for key in named}
    others = dict.fromkeys(key for test in one.tests for key in test if key not in {*named, *_ELSEWHERE, *RECORDED})
    return ([(named[key], values[key]) for key in named]
            + [(key.replace("_", " ").capitalize(), text(one.label(key))) for key in others])


def of_job(job: Job | None, key: str, mix: Any = None) -> str:
    """What the job file says where the record says nothing; of the mix that was tested, else of the job's own."""
    if job is None:
        return ""
    if key == "mix_class":
        own = job.mixes.get(str(mix)) if mix else job.mix()
        return own.texts.get("class", "") if own else ""
    return text(job.labels.get(key))


def belongs(job: Job | None, labels: Mapping[str, Any]) -> bool:
    """Whether these tests are that job's: its fields must not be printed beside another's results."""
    return job is not None and labels.get("job") in (None, "", job.labels.get("job"))


def text(value: Any) -> str:
    return "" if value is None or isinstance(value, bool) else str(value)
