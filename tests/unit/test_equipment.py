"""The register knows all equipment: what is overdue is told and recorded at the start of a test, and refused where the job says so.
C1064 wants a thermometer verified yearly (an agency's checklist of 2014); the other terms are marked in ``register.GEAR``."""
from __future__ import annotations

import argparse
from datetime import date, timedelta
from pathlib import Path

import pytest

from assistant.files.refusal import Refusal
from assistant.meters.gear import gear_for
from assistant.meters.register import GEAR, METER, Register, fit_for_use
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.station import job_and_meter
from tests.command import bowlside

TODAY = date(2031, 5, 17)


def register(folder: Path, *entries: tuple[str, str, dict[str, object]]) -> Register:
    found = Register(folder)
    for name, kind, body in entries:
        found.add(name, kind, **body)
    return found


def test_a_check_is_good_for_its_kinds_days_or_as_its_paper_says(tmp_path: Path) -> None:
    there = register(tmp_path, ("TM-1", "added", {"kind": "thermometer"}), ("TM-1", "checked", {"on": date(2030, 5, 17)}),
                     ("T-07", "added", {"kind": "certificate"}), ("T-07", "checked", {"on": date(2026, 1, 1), "until": date(2031, 1, 1)}),
                     ("R-1", "added", {"kind": "rod"}), ("S-1", "added", {"kind": "scale"}),
                     ("S-2", "added", {"kind": "scale"}), ("S-2", "intervals", {"days": {"check_days": 30}}),
                     ("S-2", "checked", {"on": TODAY - timedelta(days=31)})).meters()
    assert fit_for_use(there["TM-1"], TODAY) == []
    assert fit_for_use(there["TM-1"], TODAY + timedelta(days=1)) == ["Thermometer TM-1 is overdue: it was good until 2031-05-17."]
    assert fit_for_use(there["T-07"], TODAY) == ["Certificate T-07 is overdue: it was good until 2031-01-01."]
    assert fit_for_use(there["R-1"], TODAY) == []
    assert "has no check in the register" in fit_for_use(there["S-1"], TODAY)[0]
    assert "good until" in fit_for_use(there["S-2"], TODAY)[0]


def test_what_a_test_is_done_with(tmp_path: Path) -> None:
    register(tmp_path, ("TM-1", "added", {"kind": "thermometer"}), ("TM-2", "added", {"kind": "thermometer"}),
             ("TM-1", "checked", {"on": date(2020, 1, 1)}), ("TM-2", "checked", {"on": TODAY}))
    def its(named: dict[str, str]) -> tuple[dict[str, str], int]:
        found = gear_for(tmp_path, ("thermometer", "certificate"), named, "T-07", TODAY)
        return dict(found.labels), len(found.overdue)
    assert its({}) == ({}, 0)  # two thermometers: nobody knows which
    assert its({"thermometer": "TM-1"}) == ({"thermometer": "TM-1"}, 1)
    assert its({"thermometer": "TM-2"}) == ({"thermometer": "TM-2"}, 0)
    assert its({"thermometer": "TM-9"}) == ({"thermometer": "TM-9"}, 1)
    Register(tmp_path).add("TM-1", "retired", why="broken")
    assert its({}) == ({"thermometer": "TM-2"}, 0)  # the only one in use


def args(job: Path | None, override: str | None = None) -> argparse.Namespace:
    return argparse.Namespace(job=job, mix=None, override=override)


@pytest.mark.parametrize("overdue, override, refused", [("told", None, False), ("refused", None, True), ("refused", "none other", False)])
def test_overdue_is_told_and_refused_where_the_job_says_so(tmp_path: Path, overdue: str, override: str | None, refused: bool) -> None:
    register(tmp_path, ("TM-1", "added", {"kind": "thermometer"}), ("TM-1", "checked", {"on": date(2020, 1, 1)}))
    job = tmp_path / "job.toml"
    job.write_text(f'job = "J"\ntechnician = "T-07"\n[equipment]\nthermometer = "TM-1"\noverdue = "{overdue}"\n')
    known = job_and_meter.for_real(args(job, override), tmp_path, ["temperature", "sampling"], "normal")
    labels, remark = known.of("temperature")
    assert labels == {"thermometer": "TM-1"} and "Thermometer TM-1 is overdue" in remark and known.of("sampling") == ({}, "")
    if refused:
        with pytest.raises(Refusal, match="Thermometer TM-1 is overdue.*--override"):
            known.must_be_fit()
    else:
        known.must_be_fit()
    assert ("Override, none other" in known.remark) == bool(override)


def test_a_wrong_table_is_told_with_its_line(tmp_path: Path) -> None:
    for text, part in (('[equipment]\nthermometr = "T"\n', "thermometr"), ('[equipment]\noverdue = "no"\n', "told")):
        (tmp_path / "job.toml").write_text(text)
        bowlside("job", "check", tmp_path / "job.toml", "--journal", tmp_path).is_one_sentence(2, "line 2", part)


def test_by_command(tmp_path: Path) -> None:
    def do(*words: str) -> str:
        done = bowlside("meter", *words, "--journal", tmp_path)
        assert done.code == 0, done.err
        return done.out
    do("add", "TM-1", "--kind", "thermometer")
    assert bowlside("meter", "list", "--journal", tmp_path).code == 1
    do("checked", "TM-1", "--by", "T-02", "--remark", "0.4 F low at 70")
    assert "good until" in do("list") and "0.4 F low" in do("show", "TM-1") and '"kind": "thermometer"' in do("show", "TM-1", "--json")
    bowlside("meter", "calibrated", "TM-1", "--ratio", "0.06", "--journal", tmp_path).is_one_sentence(2, "TM-1 is a thermometer")
    bowlside("meter", "checked", "TM-1", "--until", "2020-01-01", "--journal", tmp_path).is_one_sentence(2, "before the check")
    do("due", "TM-1", "--check-days", "180")


def test_every_kind_says_where_its_term_comes_from() -> None:
    assert METER not in GEAR and all(str(source) for _, source in GEAR.values())


def test_an_old_register_has_meters_only(tmp_path: Path) -> None:
    there = register(tmp_path, ("M-3", "added", {"max_psi": "46"})).meters()
    assert there["M-3"].kind == METER and "calibrate it" in fit_for_use(there["M-3"], TODAY)[0]


def test_it_stands_in_the_record_of_the_test(tmp_path: Path) -> None:
    """A label of the test like any other."""
    text = '{"test": "temperature", "thermometer": "TM-1", "thermometer_s": "60"}\n{"on": "temperature", "key": "6 8 #"}\n'
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=text).code == 0
    with Journal(tmp_path, write=False) as journal:
        assert summary.of(journal, 1)["thermometer"] == "TM-1"
