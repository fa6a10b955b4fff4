"""Jobs, meters and equipment over all stations, and what a spreadsheet reads of them."""
from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import psycopg
import pytest

from assistant.files.refusal import Refusal
from assistant.office import equipment, job_history
from assistant.report import lots
from tests.office import made
from tests.office.pieces import derive, pieces_of, put, summaries
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_other_tests import opened, passing

D = Decimal
A, B = (jobs_record for jobs_record in ("11111111-1111-4111-8111-111111111111", "22222222-2222-4222-8222-222222222222"))


def of_one_job(count: int) -> list[int]:
    """Seeds that make tests of one job."""
    found: dict[int, list[int]] = {}
    for seed in range(100):
        its = found.setdefault(made.Random(seed).randrange(1, 6), [])
        its.append(seed)
        if len(its) == count:
            return its
    raise AssertionError


@pytest.fixture
def job(tmp_path: Path) -> Path:
    name = made._header(made.Random(of_one_job(2)[0]), False)["job"]
    path = tmp_path / "job.toml"
    path.write_text(f'job = "{name}"\n[limits]\nslump = {{ min = 3, max = 5 }}\n'
                    "[acceptance.slump]\nlot_tests = 3\npercent_within = 90\n")
    return path


def test_lots_of_one_station_are_those_of_its_own_report(job: Path, tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    folder = tmp_path / "a"
    for day, seed in enumerate(of_one_job(4)):
        made.whole_round(folder, seed=seed, day=made.DAY + timedelta(days=day))
    put(db, pieces_of(folder))
    derive(db)
    name = job_history.keep(db, job)
    its = job_history.of(db, name)
    assert its is not None and its.acceptance
    there, here = lots.of(summaries(folder), its, "2031-05-20"), lots.of(job_history.history(db, name)[0], job_history.of(db, name), "2031-05-20")
    assert there and [(one.key, one.limits, one.lots, one.moving) for one in here] == [
        (one.key, one.limits, one.lots, one.moving) for one in there]


def test_a_job_over_two_stations(job: Path, tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    """Rounds, samples and tests of the same names: none is taken for the other's."""
    first, second = of_one_job(2)
    for name, record, seed, hour in (("Rig 1", A, first, 8), ("Rig 2", B, second, 9)):
        put(db, pieces_of(made.whole_round(tmp_path / name, seed=seed, day=made.DAY.replace(hour=hour))), record, name)
    derive(db)
    name = job_history.keep(db, job)
    its, cut = job_history.history(db, name)
    assert not cut
    assert len({one["id"] for one in its}) == len(its) and {one["id"].rpartition(" ")[0] for one in its} == {"Rig 1", "Rig 2"}
    assert len({one["round"] for one in its}) == 2 and [one["started"] for one in its] == sorted(one["started"] for one in its)
    counted = [test["id"] for one in lots.of(job_history.history(db, name)[0], job_history.of(db, name), "2031-05-20") for sample in one.samples for test in sample.tests]
    assert {one.rpartition(" ")[0] for one in counted} == {"Rig 1", "Rig 2"}
    db.execute("UPDATE office.tests SET brief = jsonb_set(brief, '{verdict}', '\"invalid\"') "
               "WHERE method = 'sampling' AND record = %s", (A,))
    counted = [test["id"] for one in lots.of(job_history.history(db, name)[0], job_history.of(db, name), "2031-05-20") for sample in one.samples for test in sample.tests]
    assert {one.rpartition(" ")[0] for one in counted} == {"Rig 2"}, "what was no composite counts for no lot, there alone"


def test_of_a_day_that_is_cut_nothing_is_taken(job: Path, tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    for day, seed in enumerate(of_one_job(3)):
        made.whole_round(tmp_path / "a", seed=seed, day=made.DAY + timedelta(days=day))
    put(db, pieces_of(tmp_path / "a"))
    derive(db)
    name = job_history.keep(db, job)
    days = [one["started"][8:10] for one in job_history.history(db, name)[0]]
    assert set(days) == {"17", "18", "19"}
    last_two = len(days) - days.count("17")
    assert [job_history.history(db, name, most)[1] for most in (len(days), len(days) - 1)] == [False, True]
    assert [one["started"][8:10] for one in job_history.history(db, name, last_two + 1)[0]] == days[-last_two:]
    assert [one["started"][8:10] for one in job_history.history(db, name, last_two - 1)[0]] == days[-days.count("19"):]


def test_a_job_file_without_a_job_is_refused(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    path = tmp_path / "job.toml"
    path.write_text("chamber_ratio = 0.06\n")
    with pytest.raises(Refusal, match="does not name its job"):
        job_history.keep(db, path)
    assert job_history.of(db, "nobody's") is None
    db.execute("INSERT INTO office.jobs (name, file) VALUES ('of a newer program', 'foreseen = 1')")
    assert job_history.of(db, "of a newer program") is None


def test_the_newest_test_says_what_a_jobs_settings_are(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    """A clock that is years ahead does not make its tests the newest for years."""
    folder, seed = tmp_path / "a", of_one_job(2)[0]
    for day in (0, 1):
        made.journal(folder, 1, seed=seed, day=made.DAY - timedelta(days=3650 - day))
    pieces = pieces_of(folder)
    put(db, pieces[1:])
    derive(db)
    put(db, pieces[:1])
    derive(db)
    seen, settings = db.execute("SELECT seen, settings FROM office.jobs").fetchone() or (None, {})
    assert seen.date() == (made.DAY - timedelta(days=3649)).date() and settings["limits"]["slump"] == ["3", "5"]
    put(db, pieces_of(made.journal(tmp_path / "b", 1, seed=seed, day=made.DAY.replace(year=2199))), B, "Rig 2")
    derive(db)
    assert db.execute("SELECT seen <= now() FROM office.jobs").fetchone() == (True,)


def test_a_meter_by_its_newest_calibration_and_leak_hold_at_any_station(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    """Good for a year (Iowa DOT IM 318), and for its day (common practice, no source)."""
    meter = {"meter": "M-3", "technician": "T-07", "scale": "SC-1", "thermometer": "TH-2", "certification_expires": "2032-01-31",
             "remark": "Override, late: Meter M-3 has no leak hold of today. "
                       "Thermometer TH-2 is overdue: it was good until 2030-04-12."}
    t = passing(Dialogue(tmp_path / "a", "calibration", meter, bowl_volume_ft3="0.245"), "canister", "lid").at("kind").hear("yes")
    for number in (1, 2, 3):
        t.at(f"pass.{number}").hear("next").reading(f"canister.charge.{number}", "14.50").at(f"press.{number}").hear("next")
        t.reading(f"canister.equilibrium.{number}", "7.91")
    opened(t).at("keep").hear("next").kill()
    t = Dialogue(tmp_path / "b", "leak", meter).at("zero").hear("next").reading("leak.charge", "45.25").wait(8)
    t.reading("leak.initial", "45.21").wait(300).reading("leak.final", "45.16").at("leak.down").hear("next").kill()
    put(db, pieces_of(tmp_path / "a"), A, "Rig 1")
    put(db, pieces_of(tmp_path / "b"), B, "Rig 2")
    derive(db)
    day = date.fromisoformat(summaries(tmp_path / "a")[0]["started"][:10])
    assert db.execute("SELECT meter, station, calibrated_on, chamber_ratio::text, calibration_good_until, leak_hold_on, "
                      "leak_drop_psi::text, leak_verdict, leak_hold_good_until, chamber_ratio_in_use::text "
                      "FROM read.meters").fetchall() == [
        ("M-3", "Rig 2", day, "0.0612", day + timedelta(days=365), day, "0.05", "pass", day, "0.06")]
    assert db.execute("SELECT result, station, counts FROM read.meter_checks ORDER BY 1").fetchall() == [
        ("chamber_ratio", "Rig 1", True), ("leak_drop", "Rig 2", True)]
    assert db.execute("SELECT kind, name, good_until, told_then FROM read.equipment ORDER BY kind").fetchall() == [
        ("certificate", "T-07", date(2032, 1, 31), ""), ("scale", "SC-1", None, ""),
        ("thermometer", "TH-2", date(2030, 4, 12), "Thermometer TH-2 is overdue: it was good until 2030-04-12.")]


@pytest.mark.parametrize("verdict, drop, tells, good", [
    ("pass", D("0.05"), True, True), ("fail", D("2.00"), True, False), ("fail", None, True, False),
    ("repeated", D("0.05"), False, False), ("corrected", D("0.05"), False, False), ("invalid", None, False, False)])
def test_a_leak_hold_tells_as_the_register_has_it(verdict: str, drop: Decimal | None, tells: bool, good: bool) -> None:
    test = {"id": 1, "started": "2031-05-17T08:00:00+02:00", "meter": "M-3", "outcome": "done",
            "results": [{"name": "leak_drop", "value": drop, "rounded": drop, "unit": "psi", "verdict": verdict}]}
    check, = equipment.checks(test)
    assert check.tells is tells and (check.good_until == date(2031, 5, 17)) is good
    assert list(equipment.checks({**test, "meter": ""})) == []


def test_every_column_of_the_views_says_what_it_is(db: psycopg.Connection[Any]) -> None:
    columns = db.execute("""
        SELECT c.relname, a.attname, col_description(c.oid, a.attnum) FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
        WHERE c.relnamespace = 'read'::regnamespace AND c.relkind = 'v' AND a.attnum > 0""").fetchall()
    plain = {"outcome", "verdict", "job", "mix", "producer", "round", "sample", "ticket", "technician", "name",
             "newest_test", "newest_verdict", "newest_test_at", "program_version", "station_id", "sampled_at"}
    assert len(columns) > 100 and [column for column in columns if not column[2] and column[1] not in plain] == []
    options = db.execute("SELECT relname, reloptions FROM pg_class "
                         "WHERE relnamespace = 'read'::regnamespace AND relkind = 'v'").fetchall()
    assert options and all("security_invoker=true" in (found or []) for _, found in options)
