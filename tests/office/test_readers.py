"""Who sees what: the rules stand in the database, so they are asked of a real PostgreSQL, as the roles that readers come by."""
from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from hashlib import sha256
from pathlib import Path
from shlex import quote
from uuid import UUID, uuid4

import psycopg
import pytest
from psycopg import Connection, sql
from psycopg.conninfo import make_conninfo
from psycopg.types.json import Jsonb

from assistant.files.refusal import Refusal
from assistant.meters.gear import gear_for
from assistant.meters.register import CERTIFICATE, Check, Meter, fit_for_use
from assistant.office import readers, retention, server
from assistant.office.postgres import Cluster
from assistant.office.readers import Reader, Shut
from tests.office.started import until

MINE, OTHER = "Job A", "Job B"
HERE = "127.0.0.1"
SEEN = {
    # table of office: the rows of one job that a reader with a grant on it sees, by role. Each job has, at a station of its own:
    # an air test with two readings and a result, a cylinder test with one reading, a lost and an unreadable piece.
    "tests": {"agency": 2, "contractor": 2, "lab": 1},
    "readings": {"agency": 3, "contractor": 3, "lab": 1},
    "results": {"agency": 1, "contractor": 1, "lab": 0},
    "rounds": {"agency": 1, "contractor": 1, "lab": 0},
    "pieces": {"agency": 4, "contractor": 2, "lab": 1},
    "unreadable": {"agency": 1, "contractor": 0, "lab": 0},
    "events": {"agency": 2, "contractor": 0, "lab": 1},
    "records": {"agency": 1, "contractor": 1, "lab": 1},
    "stations": {"agency": 1, "contractor": 1, "lab": 1},
    "refusals": {"agency": 1, "contractor": 0, "lab": 0},
    "meters": {"agency": 1, "contractor": 1, "lab": 0},
    "meter_checks": {"agency": 1, "contractor": 1, "lab": 0},
    "equipment": {"agency": 2, "contractor": 1, "lab": 0},
    "jobs": {"agency": 1, "contractor": 1, "lab": 1},
    "job_rules": {"agency": 1, "contractor": 1, "lab": 1},
}
VIEWS = {"tests": "tests", "readings": "readings", "results": "results", "rounds": "rounds", "stations": "stations",
         "meters": "meters", "meter_checks": "meter_checks", "equipment": "equipment"}
"""View of read -> the table whose rows it shows one by one."""
SHUT = ("readers", "grants", "sessions", "wrong_keys", "codes", "guesses", "works_on", "derived_by", "alembic_version")
"""No reader looks into these."""


def count(connection: Connection, table: str) -> int:
    row = connection.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(*table.split(".")))).fetchone()
    assert row is not None
    return row[0]


def fill(connection: Connection, job: str) -> UUID:
    """What SEEN says, for one job."""
    def put(table: str, **values: object) -> None:
        connection.execute(sql.SQL("INSERT INTO office.{} ({}) VALUES ({})").format(
            sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, values)), sql.SQL(", ").join(map(sql.Placeholder, values))), values)

    station, record = uuid4(), uuid4()
    put("stations", id=station, name=f"station of {job}", key_hash=sha256(job.encode()).digest())
    put("records", id=record, station=station)
    put("refusals", station=station, hash=b"", why="It was torn.", program="1")
    put("jobs", name=job)
    put("job_rules", job=job)
    for number, (kind, readings) in enumerate({"air": ["air.reading", "air.again"], "cylinders": ["cylinder.set"],
                                               "lost": [], "unreadable": []}.items(), 1):
        piece = sha256(f"{job} {kind}".encode()).digest()
        put("pieces", record=record, hash=piece, before=bytes(32), test=number, first=number, last=number, station=station, bytes=1,
            gap=False, kind="lost" if kind == "lost" else "test")
        put("events", record=record, seq=number, piece=piece, hash=piece, wall="", boot="", body='{"header": {"technician": "T-07"}}')
        if kind == "unreadable":
            put("unreadable", record=record, piece=piece, why="It is of a newer program.")
        if not readings:
            continue
        document = json.dumps({"id": number, "technician": "T-07", "taken_by": "T-08", "certification": "C-1", "comparison": "air of T-09",
                               "added_by": "T-10", "certification_expires": "2031-01-01", "job": job,
                               "readings": [{"id": each} for each in readings]})
        put("tests", record=record, piece=piece, station=station, number=number, first=number, method=kind, title=kind,
            started="2031-05-17 08:00-05", day="2031-05-17", outcome="done", verdict="pass", why="", job=job, mix="", producer="", place="",
            round="R-1", sample="", ticket="", technician="T-07", meter=f"meter of {job}" if kind == "air" else "", check_of="",
            comparison="air of T-09", practice=False, another_history=False, document=document, brief=document, rules="")
        for position, each in enumerate(readings):
            put("readings", record=record, piece=piece, position=position, id=each, time_of_day="", unit="%", source="keypad", withdrawn="")
        if kind == "air":
            put("results", record=record, piece=piece, position=0, name="air_content", unit="%", verdict="pass", standing="", remark="")
            put("rounds", record=record, round="R-1", day="2031-05-17", branch=0, station=station, began="2031-05-17 08:00-05",
                pieces=[piece], job=job, mix="", producer="", sample="", ticket="", verdict="", why="", standing="", properties="[]",
                practice=False, another_history=False)
            put("meters", name=f"meter of {job}", seen="2031-05-17", station=station, record=record, piece=piece)
            put("meter_checks", record=record, piece=piece, name="leak_drop", meter=f"meter of {job}", at="2031-05-17", day="2031-05-17",
                unit="psi", verdict="pass", tells=True)
            for equipment in ("certificate", "scale"):
                put("equipment", kind=equipment, name=f"T-07 {job}", seen="2031-05-17", station=station, record=record, piece=piece, told="")
    return record


@pytest.fixture
def owner(database: str) -> Iterator[Connection]:
    with psycopg.connect(database, autocommit=True) as connection:
        readers.let_web_in(connection, database)
        for job in (MINE, OTHER):
            fill(connection, job)
        yield connection


@pytest.fixture
def web(database: str, owner: Connection) -> Iterator[Connection]:
    """As the pages ask."""
    with psycopg.connect(readers.web_url(database), autocommit=True) as connection:
        yield connection


def reader(owner: Connection, role: str, *jobs: str, name: str = "") -> Reader:
    name = name or f"the {role} of {jobs}"
    readers.add(owner, name, role, jobs)
    return next(each.reader for each in readers.listed(owner) if each.reader.name == name)


def tables_of(owner: Connection, schema: str) -> set[str]:
    return {row[0] for row in owner.execute("SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace "
                                            "WHERE nspname = %s AND relkind IN ('r', 'v', 'p', 'm')", (schema,))}


# --- the matrix ---------------------------------------------------------------------------------------------------------------

def test_the_matrix_leaves_no_table_and_no_view_out(owner: Connection) -> None:
    assert tables_of(owner, "office") == {*SEEN, *SHUT}
    assert tables_of(owner, "read") == {*VIEWS, "gaps"}
    assert owner.execute("SELECT count(*) FROM pg_views WHERE schemaname = 'read'").fetchone() == (len(VIEWS) + 1,)
    invoked = owner.execute("SELECT count(*) FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace WHERE nspname = 'read' "
                            "AND 'security_invoker=true' = ANY (reloptions)").fetchone()
    assert invoked == (len(VIEWS) + 1,), "a view of its owner's rights shows every row"


@pytest.mark.parametrize("role", readers.ROLES)
@pytest.mark.parametrize("jobs", [(), (MINE,), (MINE, OTHER)], ids=["no grant", "one job", "both jobs"])
def test_every_role_sees_its_rows_of_the_granted_jobs_and_no_other(role: str, jobs: tuple[str, ...], owner: Connection,
                                                                   web: Connection) -> None:
    its = reader(owner, role, *(() if role == "office" else jobs))
    for table, seen in SEEN.items():
        wanted = count(owner, f"office.{table}") if role == "office" else seen[role] * len(jobs)
        if table == "events" and role == "office":
            assert wanted == 8
        with readers.acting(web, its):
            assert count(web, f"office.{table}") == wanted, table
    for view, table in VIEWS.items():
        wanted = count(owner, f"office.{table}") if role == "office" else SEEN[table][role] * len(jobs)
        with readers.acting(web, its):
            assert count(web, f"read.{view}") == wanted, view
    with readers.acting(web, its):
        gaps = {"office": 4, "agency": 2 * len(jobs)}
        assert count(web, "read.gaps") == gaps.get(role, 0)


@pytest.mark.parametrize("role", ["agency", "contractor", "lab"])
def test_what_is_seen_is_of_the_granted_job(role: str, owner: Connection, web: Connection) -> None:
    with readers.acting(web, reader(owner, role, MINE)):
        assert web.execute("SELECT DISTINCT job FROM office.tests").fetchall() == [(MINE,)]
        assert web.execute("SELECT DISTINCT name FROM office.stations").fetchall() == [(f"station of {MINE}",)]
        assert web.execute("SELECT DISTINCT job FROM read.readings").fetchall() == [(MINE,)]


def test_without_a_reader_there_is_nothing(owner: Connection, web: Connection) -> None:
    reader(owner, "office")
    for setting in None, "", "0", "nobody", "1 OR true", "1'; --":
        if setting is not None:
            web.execute("SELECT set_config('office.reader', %s, false)", (setting,))
        for table in (*(f"office.{name}" for name in SEEN), *(f"read.{name}" for name in (*VIEWS, "gaps"))):
            assert count(web, table) == 0, (table, setting)


def test_what_is_no_readers_business_is_shut(owner: Connection, web: Connection) -> None:
    its = reader(owner, "office")
    for table in SHUT:
        with pytest.raises(psycopg.errors.InsufficientPrivilege), readers.acting(web, its):
            count(web, f"office.{table}")


def test_the_keys_of_stations_are_shut(owner: Connection, web: Connection) -> None:
    its = reader(owner, "office")
    for column in ("key_hash", "*"):
        with pytest.raises(psycopg.errors.InsufficientPrivilege), readers.acting(web, its):
            web.execute(f"SELECT {column} FROM office.stations")    # type: ignore[arg-type]


def test_the_pages_role_changes_nothing_and_owns_nothing(owner: Connection, web: Connection) -> None:
    its = reader(owner, "office")
    for statement in (*(statement.format(table) for table in (*SEEN, *SHUT) for statement in (
            "DELETE FROM office.{}", "TRUNCATE office.{}", "INSERT INTO office.{} DEFAULT VALUES", "DROP TABLE office.{}",
            "ALTER TABLE office.{} DISABLE ROW LEVEL SECURITY")),
            "SET ROLE bowlside", "SELECT set_config('role', 'bowlside', true)", "CREATE TABLE office.mine (n int)",
            "CREATE TABLE public.mine (n int)"):
        with pytest.raises(psycopg.errors.InsufficientPrivilege), readers.acting(web, its):
            web.execute(statement)      # type: ignore[arg-type]
    assert owner.execute("SELECT count(*) FROM pg_class WHERE relowner IN (SELECT oid FROM pg_roles WHERE rolname = ANY (%s))",
                         ([readers.WEB, readers.SQL],)).fetchone() == (0,)


def test_the_reader_ends_with_the_transaction(owner: Connection, web: Connection) -> None:
    with readers.acting(web, reader(owner, "office")):
        assert count(web, "office.tests") == 4
    assert count(web, "office.tests") == 0


def test_a_grant_comes_and_goes(owner: Connection, web: Connection) -> None:
    its = reader(owner, "agency", MINE, name="A")
    readers.grant(owner, "A", [OTHER])
    with readers.acting(web, its):
        assert count(web, "office.tests") == 4
    readers.grant(owner, "A", [MINE], take_away=True)
    with readers.acting(web, its):
        assert web.execute("SELECT DISTINCT job FROM office.tests").fetchall() == [(OTHER,)]
    readers.revoke(owner, "A")
    with readers.acting(web, its):
        assert count(web, "office.tests") == 0


NASTY = ["'; DROP TABLE office.tests; --", '"; DROP ROLE bowlside_web; --', "' OR '1'='1", "{}", "%s %(job)s", "$1", "\\", "=1+1", "NULL"]


def test_a_name_that_is_sql_is_a_name(owner: Connection, web: Connection) -> None:
    for name in NASTY:
        its = reader(owner, "agency", name, name=name)
        with readers.acting(web, its):
            assert count(web, "office.tests") == 0
        record = fill(owner, name)
        with readers.acting(web, its):
            assert web.execute("SELECT DISTINCT record, job FROM office.tests").fetchall() == [(record, name)]
        user, _ = readers.give_sql(owner, name)
        retention.rule(owner, name, True, 0)
        assert retention.let_go(owner) == 2 and retention.forget(owner, name) == 2
        readers.grant(owner, name, [name], take_away=True)
        readers.revoke(owner, name)
        owner.execute(sql.SQL("DROP ROLE {}").format(sql.Identifier(user)))
    assert count(owner, "office.tests") == 4 + 2 * len(NASTY) and {each.reader.name for each in readers.listed(owner)} == {*NASTY}


# --- SQL for a tool -----------------------------------------------------------------------------------------------------------

@pytest.fixture
def tool(database: str, owner: Connection) -> Iterator[Connection]:
    """An agency's, with a grant on one job."""
    reader(owner, "agency", MINE, name="tool")
    user, password = readers.give_sql(owner, "tool")
    with psycopg.connect(make_conninfo(database, user=user, password=password), autocommit=True) as connection:
        yield connection
    owner.execute(sql.SQL("DROP ROLE {}").format(sql.Identifier(user)))


def test_a_tool_reads_the_views_under_the_same_rules(owner: Connection, tool: Connection) -> None:
    for view, table in VIEWS.items():
        assert count(tool, f"read.{view}") == SEEN[table]["agency"], view
    assert count(tool, "read.gaps") == 2
    assert tool.execute("SELECT DISTINCT job FROM tests").fetchall() == [(MINE,)], "the schema read is where it looks first"


def test_a_tool_reads_nothing_else_and_is_nobody_else(owner: Connection, tool: Connection) -> None:
    other = reader(owner, "office")
    tool.execute("SELECT set_config('office.reader', %s, false)", (str(other.id),))
    assert count(tool, "read.tests") == 2
    for table in (*SEEN, *SHUT):
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            count(tool, f"office.{table}")
    for statement in ("SELECT office.sign_in('', '', '', '1 day')", "SET ROLE bowlside_web", "SET ROLE bowlside", "SET SESSION AUTHORIZATION bowlside",
                      "SELECT office.granted()"):
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            tool.execute(statement)     # type: ignore[arg-type]
    tool.execute("SET ROLE bowlside_sql")
    assert count(tool, "read.tests") == 2
    tool.execute("RESET ROLE; SET default_transaction_read_only = off")
    for statement in ("DELETE FROM read.tests", "CREATE TABLE read.mine (n int)", "CREATE TABLE public.mine (n int)"):
        with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.ObjectNotInPrerequisiteState)):
            tool.execute(statement)     # type: ignore[arg-type]


def test_a_revoked_tool_sees_nothing_from_the_next_question_on(database: str, owner: Connection, tool: Connection) -> None:
    assert count(tool, "read.tests") == 2
    readers.revoke(owner, "tool")
    assert count(tool, "read.tests") == 0
    user = tool.info.user
    with pytest.raises(psycopg.OperationalError, match="not permitted to log in"):
        psycopg.connect(make_conninfo(database, user=user))


# --- people -------------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("role", readers.ROLES)
def test_lists_name_people_only_where_the_job_lets_them_be_compared(role: str, owner: Connection, web: Connection) -> None:
    its = reader(owner, role, *(() if role == "office" else (MINE, OTHER)))
    retention.rule(owner, OTHER, True, None)
    named = {(OTHER, "T-07")} if role in ("office", "agency") else {(OTHER, "")}
    with readers.acting(web, its):
        assert set(web.execute("SELECT job, technician FROM read.tests").fetchall()) == {(MINE, ""), *named}
        if role != "lab":
            assert set(web.execute("SELECT job, technician FROM read.results").fetchall()) == {(MINE, ""), *named}
    retention.rule(owner, OTHER, False, None)
    with readers.acting(web, its):
        assert set(web.execute("SELECT technician FROM read.tests").fetchall()) == {("",)}

@pytest.mark.parametrize("name", ["T-07", "O'Brien, A. (invented)", 'Ann "Bee" (invented)', "Certificate", "no.7"])
def test_what_the_station_remarks_of_a_certificate_names_nobody_afterwards(owner: Connection, tmp_path: Path, name: str) -> None:
    """In the station's own words (assistant/meters), by both: the database and who verifies an export."""
    day = date(2031, 5, 17)
    old = Check(date(2029, 1, 2), until=date(2031, 1, 2))
    said = [*fit_for_use(Meter(name, day, CERTIFICATE), day), *fit_for_use(Meter(name, day, CERTIFICATE, (old,)), day),
            *fit_for_use(Meter(name, day, CERTIFICATE, retired="lost"), day),
            *gear_for(tmp_path, [CERTIFICATE], {CERTIFICATE: name}, name, day).overdue]
    assert len(said) == 4 and all(name in each or quote(name) in each for each in said)
    remark = " ".join(["No job file: there are no limits.", *said])
    whole = {"technician": name, "remark": remark, "notes": [{"id": "start", "text": remark}, {"id": "x", "text": "Wind."}], "job": "J"}
    bare = retention.without_people(whole)
    assert bare["remark"] == bare["notes"][0]["text"] == " ".join([
        "No job file: there are no limits.", "A certificate has no check in the register: enter it with bowlside meter checked NAME.",
        "A certificate is overdue: it was good until 2031-01-02.", "A certificate is out of use: lost.", "A certificate is not in the register."])
    assert owner.execute("SELECT office.without_people(%s)", (Jsonb(whole),)).fetchone() == (bare,)


def test_after_its_days_a_jobs_people_are_gone_and_stay_gone(owner: Connection, web: Connection) -> None:
    its = reader(owner, "office")
    retention.rule(owner, MINE, None, 30)
    assert retention.let_go(owner) == 0, "its days are not over"
    owner.execute("UPDATE office.pieces SET received_at = now() - interval '31 days'")
    assert retention.let_go(owner) == 2 and retention.let_go(owner) == 0
    with readers.acting(web, its):
        rows = web.execute("SELECT job, technician, document::text, brief::text, comparison FROM office.tests").fetchall()
        assert web.execute("SELECT name FROM office.equipment WHERE kind = 'certificate'").fetchall() == [(f"T-07 {OTHER}",)]
        assert count(web, "office.events") == 6, "raw events of those tests are out of reach, for the office too"
    for job, *texts in rows:
        told = " ".join(texts)
        assert ("T-" in told, "C-1" in told, "2031-01-01" in told) == ((job == OTHER),) * 3
        assert '"comparison"' in told, "that it was only to compare still shows"
    # Derived anew, as after an upgrade.
    owner.execute("CREATE TABLE public.copy AS SELECT * FROM office.tests; CREATE TABLE public.gear AS SELECT * FROM office.equipment")
    owner.execute("""UPDATE public.copy SET technician = 'T-07', comparison = 'air of T-09',
                  document = document || '{"technician": "T-07", "taken_by": "T-08"}'; ALTER TABLE public.copy DROP cylinders""")
    owner.execute("DELETE FROM office.tests")
    columns = sql.SQL(", ").join(sql.Identifier(row[0]) for row in owner.execute(
        "SELECT column_name FROM information_schema.columns WHERE table_schema = 'public' AND table_name = 'copy'"))
    owner.execute(sql.SQL("INSERT INTO office.tests ({0}) SELECT {0} FROM public.copy").format(columns))
    owner.execute("INSERT INTO office.equipment SELECT kind, name || ' again', seen, station, record, piece, good_until, told FROM public.gear")
    assert owner.execute("SELECT DISTINCT job, technician, document ->> 'taken_by' FROM office.tests ORDER BY job").fetchall() == [
        (MINE, "", None), (OTHER, "T-07", "T-08")]
    assert owner.execute("SELECT count(*) FROM office.equipment e JOIN office.tests t USING (record, piece) "
                         "WHERE e.kind = 'certificate' AND t.job = %s", (MINE,)).fetchone() == (0,)


def test_what_is_derived_anew_at_that_very_moment_has_no_people_either(database: str, owner: Connection) -> None:
    """The deriver has its pieces locked, as it does, and writes the names again; letting go waits for it, and so do two at once."""
    retention.rule(owner, MINE, None, 0)
    with psycopg.connect(database) as deriver, ThreadPoolExecutor(2) as others:
        deriver.execute("SELECT 1 FROM office.pieces FOR UPDATE SKIP LOCKED")
        deriver.execute("CREATE TEMP TABLE copy AS SELECT * FROM office.tests; ALTER TABLE copy DROP cylinders")
        deriver.execute("DELETE FROM office.tests")

        def let_go() -> int:
            with psycopg.connect(database, autocommit=True) as connection:
                return retention.let_go(connection)
        gone = [others.submit(let_go) for _ in range(2)]
        until(lambda: owner.execute("SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query LIKE '%people_gone%'").fetchone(),
              "nobody waits")
        columns = sql.SQL(", ").join(sql.Identifier(row[0]) for row in deriver.execute(
            "SELECT attname FROM pg_attribute WHERE attrelid = 'copy'::regclass AND attnum > 0 AND NOT attisdropped"))
        deriver.execute(sql.SQL("INSERT INTO office.tests ({0}) SELECT {0} FROM copy").format(columns))
        deriver.commit()
        assert sorted(each.result() for each in gone) == [0, 2]
    assert owner.execute("SELECT DISTINCT job, technician, document ->> 'taken_by' FROM office.tests ORDER BY job").fetchall() == [
        (MINE, "", None), (OTHER, "T-07", "T-08")]


def test_events_are_deleted_only_when_that_is_asked_and_their_hashes_stay(owner: Connection) -> None:
    assert retention.forget(owner, MINE) == 0 and count(owner, "office.events") == 8, "its people are not gone yet"
    retention.rule(owner, MINE, None, 0)
    assert retention.let_go(owner) == 2 and count(owner, "office.events") == 8
    before = owner.execute("SELECT record, hash, before FROM office.pieces ORDER BY 1, 2").fetchall()
    assert retention.forget(owner, MINE) == 2 and retention.forget(owner, MINE) == 0 and count(owner, "office.events") == 6
    assert owner.execute("SELECT record, hash, before FROM office.pieces ORDER BY 1, 2").fetchall() == before
    assert count(owner, "office.tests") == 4


def test_a_rule_keeps_what_it_is_not_asked_to_change(owner: Connection) -> None:
    assert retention.rule_of(owner, "Job C") == (False, None)
    retention.rule(owner, "Job C", True, 10)
    retention.rule(owner, "Job C", None, None)
    assert retention.rule_of(owner, "Job C") == (True, 10)
    retention.rule(owner, "Job C", False, None, for_good=True)
    assert retention.rule_of(owner, "Job C") == (False, None)
    with pytest.raises(Refusal, match="a job's name must be"):
        retention.rule(owner, "a\nb", True, None)


# --- keys and sessions --------------------------------------------------------------------------------------------------------

def test_a_key_opens_a_session_and_no_secret_is_kept(owner: Connection, web: Connection) -> None:
    key = readers.add(owner, "Anna", "agency", [MINE])
    assert len(key) == 29 and set(key) <= {*readers.LETTERS, "-"}
    cookie = readers.sign_in(web, f"  {key.lower().replace('-', ' ')}\n", HERE)
    assert cookie and (its := readers.signed_in(web, cookie)) and (its.name, its.role) == ("Anna", "agency")
    kept = str(owner.execute("SELECT to_jsonb(r) FROM office.readers r UNION ALL SELECT to_jsonb(s) FROM office.sessions s").fetchall())
    assert cookie not in kept and key not in kept and key.replace("-", "") not in kept and cookie.encode().hex() not in kept
    assert readers.sign_in(web, key, HERE) != cookie
    readers.sign_out(web, cookie)
    assert readers.signed_in(web, cookie) is None


def test_a_session_ends_by_its_days_and_with_its_reader_and_with_the_key(owner: Connection, web: Connection) -> None:
    key = readers.add(owner, "Anna", "agency", [MINE])
    old = readers.sign_in(web, key, HERE) or ""
    owner.execute("UPDATE office.sessions SET ends_at = now()")
    assert readers.signed_in(web, old) is None
    cookie = readers.sign_in(web, key, HERE) or ""
    assert count(owner, "office.sessions") == 1, "what is over is swept out"
    assert readers.signed_in(web, cookie)
    another = readers.new_key(owner, "Anna")
    assert readers.signed_in(web, cookie) is None and readers.sign_in(web, key, HERE) is None
    cookie = readers.sign_in(web, another, HERE) or ""
    assert readers.signed_in(web, cookie)
    readers.revoke(owner, "Anna")
    assert readers.signed_in(web, cookie) is None and readers.sign_in(web, another, HERE) is None
    with pytest.raises(Refusal, match="there is no reader Anna"):
        readers.revoke(owner, "Anna")


def test_ten_wrong_keys_shut_that_network_and_no_other(owner: Connection, web: Connection) -> None:
    key = readers.add(owner, "Anna", "agency")
    for guess in range(10):
        assert readers.sign_in(web, f"{guess}", "2001:db8::1") is None
    with pytest.raises(Shut) as shut:
        readers.sign_in(web, key, "2001:db8::ffff")
    assert 0 < shut.value.seconds <= 900
    with pytest.raises(Shut):
        readers.by_key(web, key, "2001:db8::2")
    assert readers.sign_in(web, key, "2001:db8:0:1::1") and (its := readers.by_key(web, key, HERE)) and its.name == "Anna"
    owner.execute("UPDATE office.wrong_keys SET at = at - interval '15 minutes'")
    assert readers.sign_in(web, key, "2001:db8::1") and count(owner, "office.wrong_keys") == 0


def test_networks() -> None:
    assert readers.network("192.0.2.7") == readers.network("::ffff:192.0.2.7") == "192.0.2.7"
    assert readers.network("fe80::1%eth0") == readers.network("fe80::2") == "fe80::/64"
    assert len(readers.network("x" * 1000)) == 100


def test_the_first_reader_is_made_once(owner: Connection) -> None:
    assert readers.first(owner) and readers.first(owner) is None
    readers.revoke(owner, "office")
    assert readers.first(owner) is None, "revoked is not forgotten: the next start opens no door by itself"


@pytest.mark.parametrize(("name", "role", "jobs", "why"), [
    ("Anna", "boss", (), "boss is no role"), ("", "lab", (), "a reader's name must be"), ("a\x1bb", "lab", (), "a reader's name must be"),
    ("Anna", "office", (MINE,), "sees every job"), ("Anna", "lab", ("a\nb",), "a job's name must be"), ("there", "lab", (), "there already")])
def test_who_can_not_be_added(name: str, role: str, jobs: tuple[str, ...], why: str, owner: Connection) -> None:
    readers.add(owner, "there", "lab")
    with pytest.raises(Refusal, match=why):
        readers.add(owner, name, role, jobs)
    assert [each.reader.name for each in readers.listed(owner)] == ["there"]


def test_a_forms_token_is_of_its_session() -> None:
    assert readers.is_token(readers.token("a"), "a") and not readers.is_token(readers.token("a"), "b") and not readers.is_token("é", "a")


def test_the_pages_password_follows_from_the_owners() -> None:
    url = readers.web_url("host=db.example user=bowlside password=secret dbname=office")
    assert "user=bowlside_web" in url and "secret" not in url
    assert url == readers.web_url("host=db.example user=bowlside password=secret dbname=office")
    assert "password" not in readers.web_url("host=/run/x dbname=office")


def test_where_the_database_asks_for_passwords_each_role_has_its_own(cluster: Cluster) -> None:
    """Outside source: PostgreSQL's own scram-sha-256."""
    folder = Path(tempfile.mkdtemp(prefix="bowlside-"))
    try:
        with Cluster(folder, safe=False) as its, psycopg.connect(its.url("postgres", "postgres"), autocommit=True) as root:
            rules = folder / "data" / "pg_hba.conf"
            rules.write_text("local all postgres trust\nlocal all all scram-sha-256\n")
            root.execute("CREATE DATABASE bowlside OWNER bowlside")
            root.execute("SELECT pg_reload_conf()")
            for password in "one", "another":
                root.execute(f"ALTER ROLE bowlside PASSWORD '{password}'")      # type: ignore[arg-type]
                url = make_conninfo(its.url(), password=password)
                server.prepare(url)
                with psycopg.connect(readers.web_url(url)) as web:
                    assert count(web, "office.tests") == 0
            for wrong in make_conninfo(its.url(), user=readers.WEB), make_conninfo(url, user=readers.WEB), make_conninfo(its.url(), user=readers.SQL):
                with pytest.raises(psycopg.OperationalError):
                    psycopg.connect(wrong)
            with psycopg.connect(url) as owner:
                readers.add(owner, "tool", "agency")
                user, old = readers.give_sql(owner, "tool")
                same, password = readers.give_sql(owner, "tool")
            assert same == user
            with psycopg.connect(make_conninfo(its.url(), user=user, password=password)) as tool:
                assert count(tool, "tests") == 0
            with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
                psycopg.connect(make_conninfo(its.url(), user=user, password=old))
            kept = root.execute("SELECT string_agg(rolpassword, ' ') FROM pg_authid WHERE rolpassword IS NOT NULL").fetchone()
            assert kept and kept[0].count("SCRAM-SHA-256$") == 3 and password not in kept[0]
    finally:
        shutil.rmtree(folder)
