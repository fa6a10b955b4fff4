"""Who may look at what, said in the database itself: readers, their grants, their sessions, row security, and the views for them.

Two roles of the database besides the owner, neither of which owns anything: ``bowlside_web``, by which the pages ask, for the reader
that ``office.reader`` names in the transaction, and ``bowlside_sql``, of which each reader who was given SQL has a role of its own.
No reader named: no row. The functions belong to the owner, whom row security does not hold, so a rule may look at other tables
without going round in a circle. Rules call them as ``(SELECT f())``, so that PostgreSQL asks each once in a query, not once a row.
"""
from alembic import op

from assistant.office.readers import make_roles

revision = "0003"
down_revision = "0002"
branch_labels = depends_on = None

TABLES = """
CREATE TABLE office.readers (
    id int GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE,
    role text NOT NULL CHECK (role IN ('office', 'agency', 'contractor', 'lab')),
    key_hash bytea NOT NULL,                    -- SHA-256 of the key, which nobody keeps
    sql_role name UNIQUE,
    made_at timestamptz NOT NULL DEFAULT now(),
    revoked_at timestamptz);
CREATE TABLE office.grants (reader int NOT NULL REFERENCES office.readers, job text NOT NULL, PRIMARY KEY (reader, job));
CREATE TABLE office.job_rules (
    job text PRIMARY KEY, compare_people bool NOT NULL DEFAULT false, keep_days int CHECK (keep_days BETWEEN 0 AND 36500));
CREATE TABLE office.sessions (
    secret bytea PRIMARY KEY,                   -- SHA-256 of the cookie
    reader int NOT NULL REFERENCES office.readers,
    ends_at timestamptz NOT NULL);
CREATE TABLE office.wrong_keys (network text NOT NULL, at timestamptz NOT NULL DEFAULT clock_timestamp());
CREATE INDEX ON office.wrong_keys (network, at);
ALTER TABLE office.pieces ADD people_gone timestamptz, ADD forgotten timestamptz;
COMMENT ON COLUMN office.pieces.people_gone IS 'since when nobody may see its events, and its people stand in no table';
COMMENT ON COLUMN office.pieces.forgotten IS 'since when its events are deleted: it can never be derived anew';
ALTER TABLE office.tests ADD cylinders bool GENERATED ALWAYS AS (document @? '$.readings[*] ? (@.id == "cylinder.set")') STORED;
COMMENT ON COLUMN office.tests.cylinders IS 'it tells of a set of cylinders, so that a lab may see it';
CREATE TABLE office.works_on (
    job text NOT NULL, record uuid NOT NULL, station uuid NOT NULL, cylinders bool NOT NULL,
    PRIMARY KEY (job, record, station, cylinders));
COMMENT ON TABLE office.works_on IS 'which station and record ever had a test of which job: to ask all tests for it would take too long';
INSERT INTO office.works_on SELECT DISTINCT job, record, station, cylinders FROM office.tests;
"""

WHO = """
CREATE FUNCTION office.reader() RETURNS int AS $$
    SELECT id FROM office.readers WHERE revoked_at IS NULL AND CASE
        WHEN session_user IN (SELECT sql_role FROM office.readers WHERE sql_role IS NOT NULL) THEN sql_role = session_user
        WHEN pg_has_role(session_user, 'bowlside_web', 'MEMBER') THEN id::text = current_setting('office.reader', true)
        ELSE false END
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.role() RETURNS text AS $$
    SELECT coalesce((SELECT role FROM office.readers WHERE id = office.reader()), '')
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.sees_all() RETURNS bool AS $$ SELECT office.role() = 'office' $$
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.granted() RETURNS text[] AS $$
    SELECT coalesce(array_agg(job), '{}') FROM office.grants WHERE reader = office.reader()
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
COMMENT ON FUNCTION office.granted IS 'the jobs of which this reader may see anything';
CREATE FUNCTION office.records_seen() RETURNS uuid[] AS $$
    SELECT coalesce(array_agg(DISTINCT record), '{}') FROM office.works_on
    WHERE job = ANY ((SELECT office.granted())::text[]) AND (cylinders OR (SELECT office.role()) <> 'lab')
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.stations_seen() RETURNS uuid[] AS $$
    SELECT coalesce(array_agg(DISTINCT station), '{}') FROM office.works_on
    WHERE job = ANY ((SELECT office.granted())::text[]) AND (cylinders OR (SELECT office.role()) <> 'lab')
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.compared() RETURNS text[] AS $$
    SELECT coalesce(array_agg(job), '{}') FROM office.job_rules WHERE compare_people AND office.role() IN ('office', 'agency')
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
COMMENT ON FUNCTION office.compared IS 'the jobs whose people this reader may see named in lists, so that they can be compared';
"""

SIGN_IN = """
CREATE FUNCTION office.sign_in(given bytea, cookie bytea, its_network text, lasts interval,
                               OUT id int, OUT name text, OUT role text, OUT shut_s int) AS $$
-- A key's hash against all, by values that nobody can steer or foretell, so that the time it takes tells nothing. Ten wrong ones
-- from one network within a quarter of an hour: none is looked at until the oldest of them is that old.
DECLARE salt bytea := uuid_send(gen_random_uuid());
BEGIN
    PERFORM pg_advisory_xact_lock(hashtextextended('bowlside sign-in ' || its_network, 0));
    DELETE FROM office.wrong_keys WHERE at < clock_timestamp() - interval '15 minutes';
    SELECT ceil(extract(epoch FROM interval '15 minutes' - (clock_timestamp() - min(at))))::int INTO shut_s
        FROM office.wrong_keys WHERE network = its_network HAVING count(*) >= 10;
    IF shut_s IS NOT NULL THEN RETURN; END IF;
    SELECT r.id, r.name, r.role INTO id, name, role FROM office.readers r
        WHERE revoked_at IS NULL AND sha256(salt || key_hash) = sha256(salt || given);
    IF id IS NULL THEN
        INSERT INTO office.wrong_keys (network) VALUES (its_network);
    ELSIF cookie IS NOT NULL THEN                   -- else a tool, which gives its key with every question
        DELETE FROM office.sessions WHERE ends_at < now();
        INSERT INTO office.sessions VALUES (cookie, id, now() + lasts);
    END IF;
END $$ LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.signed_in(cookie bytea, OUT id int, OUT name text, OUT role text) RETURNS SETOF record AS $$
    SELECT r.id, r.name, r.role FROM office.sessions s JOIN office.readers r ON r.id = s.reader
    WHERE s.secret = cookie AND s.ends_at > now() AND r.revoked_at IS NULL
$$ LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.sign_out(cookie bytea) RETURNS void AS $$ DELETE FROM office.sessions WHERE secret = cookie $$
    LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp;
"""

RETENTION = """
CREATE FUNCTION office.unnamed(remark text, name text) RETURNS text AS $$
    SELECT CASE WHEN coalesce(name, '') = '' THEN remark ELSE
        replace(replace(replace(replace(remark, 'Certificate ' || name || ' ', 'A certificate '),
            'Certificate "' || name || '" ', 'A certificate '), 'meter checked ' || name || '.', 'meter checked NAME.'),
            'meter checked ''' || replace(name, '''', '''"''"''') || '''.', 'meter checked NAME.') END
$$ LANGUAGE sql IMMUTABLE SET search_path = pg_catalog, pg_temp;
COMMENT ON FUNCTION office.unnamed IS 'what the program remarks of a certificate, without whose it is';
CREATE FUNCTION office.without_people(document jsonb) RETURNS jsonb AS $$
    SELECT document - '{technician,taken_by,added_by,certification,certification_expires}'::text[]
        || CASE WHEN document ? 'comparison' THEN '{"comparison": "another technician"}'::jsonb ELSE '{}' END
        || CASE WHEN document ? 'remark'
            THEN jsonb_build_object('remark', office.unnamed(document ->> 'remark', document ->> 'technician')) ELSE '{}' END
        || CASE WHEN document ? 'notes' THEN jsonb_build_object('notes', (
            SELECT coalesce(jsonb_agg(note || jsonb_build_object('text', office.unnamed(note ->> 'text', document ->> 'technician'))
                ORDER BY at), '[]') FROM jsonb_array_elements(document -> 'notes') WITH ORDINALITY AS each (note, at))) ELSE '{}' END
$$ LANGUAGE sql IMMUTABLE SET search_path = pg_catalog, pg_temp;
CREATE FUNCTION office.people_stay_gone() RETURNS trigger AS $$
BEGIN
    IF EXISTS (SELECT FROM office.pieces WHERE record = NEW.record AND hash = NEW.piece AND people_gone IS NOT NULL) THEN
        NEW.technician := '';
        NEW.comparison := CASE WHEN NEW.comparison <> '' THEN 'another technician' ELSE '' END;
        NEW.document := office.without_people(NEW.document);
        NEW.brief := office.without_people(NEW.brief);
    END IF;
    RETURN NEW;
END $$ LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp;
COMMENT ON FUNCTION office.people_stay_gone IS 'also where a test is derived anew after an upgrade';
CREATE TRIGGER people_stay_gone BEFORE INSERT OR UPDATE ON office.tests FOR EACH ROW EXECUTE FUNCTION office.people_stay_gone();
CREATE FUNCTION office.certificates_stay_gone() RETURNS trigger AS $$
BEGIN
    RETURN CASE WHEN NEW.kind = 'certificate' AND EXISTS (
        SELECT FROM office.pieces WHERE record = NEW.record AND hash = NEW.piece AND people_gone IS NOT NULL) THEN NULL ELSE NEW END;
END $$ LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp;
COMMENT ON FUNCTION office.certificates_stay_gone IS 'a certificate goes by its technician''s name';
CREATE TRIGGER certificates_stay_gone BEFORE INSERT OR UPDATE ON office.equipment
    FOR EACH ROW EXECUTE FUNCTION office.certificates_stay_gone();
CREATE FUNCTION office.works_on() RETURNS trigger AS $$
BEGIN
    INSERT INTO office.works_on VALUES (NEW.job, NEW.record, NEW.station, NEW.cylinders) ON CONFLICT DO NOTHING;
    RETURN NULL;
END $$ LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp;
CREATE TRIGGER works_on AFTER INSERT ON office.tests FOR EACH ROW EXECUTE FUNCTION office.works_on();
"""

ALL, ROLE, JOBS = "(SELECT office.sees_all())", "(SELECT office.role())", "(SELECT office.granted())::text[]"
OF_RECORD = f"{ROLE} = 'agency' AND record = ANY ((SELECT office.records_seen())::uuid[])"


def of_test(table: str) -> str:
    """With a test that may be seen."""
    return f"{ALL} OR EXISTS (SELECT FROM office.tests t WHERE t.record = {table}.record AND t.piece = {table}.piece)"


RULES = {
    "tests": f"{ALL} OR (job = ANY ({JOBS}) AND (cylinders OR {ROLE} <> 'lab'))",
    "readings": of_test("readings"),
    "results": of_test("results"),
    "rounds": f"{ALL} OR (job = ANY ({JOBS}) AND {ROLE} <> 'lab')",
    "unreadable": f"{ALL} OR ({OF_RECORD})",
    "pieces": f"{ALL} OR EXISTS (SELECT FROM office.tests t WHERE t.record = pieces.record AND t.piece = pieces.hash) OR ({OF_RECORD} AND "
              "(kind <> 'test' OR EXISTS (SELECT FROM office.unreadable u WHERE u.record = pieces.record AND u.piece = pieces.hash)))",
    "events": f"{ROLE} <> 'contractor' AND ({of_test('events')}) AND NOT EXISTS (SELECT FROM office.pieces p "
              "WHERE p.record = events.record AND p.hash = events.piece AND p.people_gone IS NOT NULL)",
    "records": f"{ALL} OR id = ANY ((SELECT office.records_seen())::uuid[])",
    "stations": f"{ALL} OR id = ANY ((SELECT office.stations_seen())::uuid[])",
    "refusals": f"{ALL} OR ({ROLE} = 'agency' AND station = ANY ((SELECT office.stations_seen())::uuid[]))",
    "meters": f"{ALL} OR EXISTS (SELECT FROM office.tests t WHERE t.meter = meters.name)",
    "meter_checks": f"{ALL} OR EXISTS (SELECT FROM office.tests t WHERE t.meter = meter_checks.meter)",
    "equipment": f"({of_test('equipment')}) AND (kind <> 'certificate' OR {ROLE} IN ('office', 'agency'))",
    "jobs": f"{ALL} OR name = ANY ({JOBS})",
    "job_rules": f"{ALL} OR job = ANY ({JOBS})",
}
"""Each table that a reader may look into, and which of its rows. What has no rule here is shut."""
COLUMNS = {"stations": "(id, name, practice, enrolled_at, revoked_at, heard_at, program, waiting, newest_seq, clock_off_s)"}
"""Where not every column is for readers."""
NAMED = "CASE WHEN t.job = ANY ((SELECT office.compared())::text[]) THEN t.technician ELSE '' END AS technician"
"""Lists name people only where the job allows that they are compared; the page of one test does, as its report."""
DOOR = "sign_in(bytea, bytea, text, interval)", "signed_in(bytea)", "sign_out(bytea)"
"""Functions for the pages alone."""


def upgrade() -> None:
    run = op.get_bind().exec_driver_sql
    psycopg_connection = op.get_bind().connection.driver_connection
    assert psycopg_connection is not None
    make_roles(psycopg_connection)
    for part in (TABLES, WHO, SIGN_IN, RETENTION):
        run(part.replace("%", "%%"))
    run("REVOKE ALL ON ALL FUNCTIONS IN SCHEMA office FROM PUBLIC")
    for name, rule in RULES.items():
        run(f"ALTER TABLE office.{name} ENABLE ROW LEVEL SECURITY")
        run(f"CREATE POLICY readers ON office.{name} FOR SELECT USING ({rule})")
        run(f"GRANT SELECT {COLUMNS.get(name, '')} ON office.{name} TO bowlside_web, bowlside_sql")
    for name in ("reader", "role", "sees_all", "granted", "records_seen", "stations_seen", "compared"):
        run(f"GRANT EXECUTE ON FUNCTION office.{name}() TO bowlside_web, bowlside_sql")
    for name in (*DOOR, "without_people(jsonb)", "unnamed(text, text)"):
        run(f"GRANT EXECUTE ON FUNCTION office.{name} TO bowlside_web")
    for view in ("tests", "results", "meter_checks"):
        definition = run(f"SELECT pg_get_viewdef('read.{view}'::regclass)").scalar_one()
        assert definition.count("t.technician,") == 1
        run(f"CREATE OR REPLACE VIEW read.{view} WITH (security_invoker = true) AS "
            + definition.replace("t.technician,", f"{NAMED},").replace("%", "%%"))
    # Who has a view but not the schema of its tables reaches these by the view alone.
    run("GRANT USAGE ON SCHEMA office TO bowlside_web")
    run("GRANT USAGE ON SCHEMA read TO bowlside_web, bowlside_sql")
    run("GRANT SELECT ON ALL TABLES IN SCHEMA read TO bowlside_web, bowlside_sql")
