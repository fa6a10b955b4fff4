"""What a test is begun with: the meter register under the job file, a meter that is not fit, and what is said of both."""
from __future__ import annotations

import argparse
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from assistant import job
from assistant.core.state import Phase, State
from assistant.files.refusal import Refusal
from assistant.meters.register import Register
from assistant.record.header import header_of
from assistant.round.plan import Plan, plan_of
from assistant.station import job_and_meter, practice_keys

pytestmark = pytest.mark.dates
JOB = """
job = "Tern Hollow footbridge (invented)"
meter = "M-3"
mix = "TH-40A"
ticket_of = 1
[limits]
air_content = { min = 4.5, max = 7.5 }
[retest]
check_test = false
[round]
tests = ["slump", "sequential"]
technicians = 2
second = "T-09"
[mixes.TH-40A]
aggregate_source = "Alder pit"
[mixes.TH-30B]
limits = { air_content = { min = 4.0, max = 7.0 } }
""".replace("ticket_of = 1\n", "")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path


def asked(folder: Path, **more: object) -> argparse.Namespace:
    return argparse.Namespace(**{"job": folder / "job.toml", "mix": None, "override": None, **more})


def registered(folder: Path, days: int) -> None:
    register = Register(folder)
    register.add("M-3", "added", max_psi=Decimal(50), clamps=8)
    register.add("M-3", "calibrated", chamber_ratio=Decimal("0.0612"), bowl_ft3=Decimal("0.2490"),
                 on=(date.today() - timedelta(days=days)).isoformat())
    register.add("M-3", "factor", source="Alder pit", pct=Decimal("0.3"))


def test_the_registers_settings_lie_under_the_jobs(folder: Path) -> None:
    registered(folder, 3)
    found = job_and_meter.for_real(asked(folder), folder, ["sequential"], "terse")
    settings = header_of({"test": "sequential", **found.data}, "here").settings
    assert (settings.chamber_ratio, settings.clamps, settings.max_psi) == (Decimal("0.0612"), 8, Decimal(50))
    assert settings.aggregate_correction_pct == Decimal("0.3") and settings.limits["air_content"][0] == Decimal("4.5")
    assert not found.remark and not found.refusal
    path = folder / "own.toml"
    path.write_text('meter = "M-3"\nchamber_ratio = 0.0605\n', encoding="utf-8")
    own = job_and_meter.for_real(asked(folder, job=path, override="x"), folder, ["sequential"], "terse")
    assert own.data["chamber_ratio"] == Decimal("0.0605"), "what the job says wins"


def test_a_mix_of_the_job_can_be_named(folder: Path) -> None:
    registered(folder, 3)
    found = job_and_meter.for_real(asked(folder, mix="TH-30B", override="tried"), folder, ["sequential"], "normal").data
    assert found["mix"] == "TH-30B" and found["limits"]["air_content"] == [Decimal("4.0"), Decimal("7.0")]
    with pytest.raises(Refusal, match="there is no mix"):
        job_and_meter.for_real(asked(folder, mix="TH-99"), folder, ["sequential"], "normal")
    with pytest.raises(Refusal, match="name that too"):
        job_and_meter.for_real(asked(folder, job=None, mix="TH-30B"), folder, ["sequential"], "normal")


def test_a_meter_out_of_date_is_refused_or_used_with_a_reason(folder: Path) -> None:
    registered(folder, 400)
    refused = job_and_meter.for_real(asked(folder), folder, ["sequential"], "normal")
    with pytest.raises(Refusal, match="M-3.*--override"):
        refused.must_be_fit()
    used = job_and_meter.for_real(asked(folder, override="the other leaks"), folder, ["sequential"], "normal")
    used.must_be_fit()
    assert used.remark.startswith("Override, the other leaks: ") and "M-3" in used.remark
    slump = job_and_meter.for_real(asked(folder), folder, ["slump"], "normal")
    slump.must_be_fit()
    assert not slump.remark, "no meter is used for it"


def test_what_is_not_known_is_said_only_where_it_matters(folder: Path) -> None:
    no_job = asked(folder, job=None)
    assert job_and_meter.for_real(no_job, folder, ["slump"],
                          "normal").remark == "No job file: there are no limits. Name the job with --job."
    assert not job_and_meter.for_real(asked(folder), folder, ["pressure-air"], "normal").remark


def test_every_practice_test_has_something_to_compute_with() -> None:
    for test in ("density", "calibration", "sequential", "slump"):
        settings = header_of({"test": test, **job_and_meter.for_practice("normal")}, "practice").settings
        assert settings.amount("measure_volume") and settings.amount("bowl_volume") and "slump" in settings.limits


def test_labels_of_the_command_line() -> None:
    assert job_and_meter.labelled(["ticket=40117", "location=Pier 2, lift 1"]) == {"ticket": "40117", "location": "Pier 2, lift 1"}
    for wrong in ("tikket=1", "ticket", "ticket=", "round=R-1", "practice=yes"):
        with pytest.raises(Refusal, match="KEY=TEXT"):
            job_and_meter.labelled([wrong])


def test_what_the_job_says_of_its_rounds(folder: Path) -> None:
    its_job = job.load(folder / "job.toml")
    plan = plan_of({**job.read(folder / "job.toml"), **job_and_meter.round_of(its_job)}, "job")
    assert plan.tests == ("slump", "sequential") and plan.technicians == 2 and plan.second == "T-09" and not plan.check_tests
    assert job_and_meter.round_of(None) == {} and plan_of({}, "none") == Plan()


@pytest.mark.parametrize(("line", "words"), [
    ('tests = ["slumps"]', r'line 2: "tests" is \["slumps"\]'), ("technicians = 3", "line 2.*1 or 2"),
    ("tets = 1", "did you mean"),
    ("second = 7", "line 2.*must be a text"), ('tests = "slump"', "line 2.*list")])
def test_a_wrong_round_in_a_job_file_is_told_with_its_line(tmp_path: Path, line: str, words: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(f"[round]\n{line}\n", encoding="utf-8")
    with pytest.raises(Refusal, match=words):
        job.load(path)


def test_labels_of_the_report_pass_from_job_to_header(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text('owner = "Parish of Tern Hollow (invented)"\nplant = "Plant 1"\ncertification = "C-1"\ninvented = true\n',
                    encoding="utf-8")
    labels = header_of({"test": "slump", **job.read(path)}, "here").labels
    assert labels == {"owner": "Parish of Tern Hollow (invented)", "plant": "Plant 1", "certification": "C-1", "invented": True}


@pytest.mark.parametrize(("test", "prompt", "value"), [("slump", "slump", "4.25"), ("density", "gross", "43.0"),
                                                       ("pressure-air", "air.reading", "6.2")])
def test_practice_says_what_is_not_simulated(test: str, prompt: str, value: str) -> None:
    """Beside the simulated meter there is no cone, scale or thermometer."""
    procedure = header_of({"test": test, **job_and_meter.for_practice("normal")}, "practice").procedure
    state = State(procedure=procedure, index=procedure.index(prompt), phase=Phase.ENTRY)
    assert practice_keys.hint(state) == f"Nothing of this is simulated: make one up, such as {value}."
