"""What is derived from the pieces: tests with their readings and results, rounds, jobs, meters and equipment; and the views that
a spreadsheet reads.

All but ``jobs``, ``meters`` and ``equipment`` (the latest seen of each) hangs on its piece, and is made anew from it at any time.
"""
from alembic import op

revision = "0002"
down_revision = "0001"

TABLES = """
CREATE TABLE office.derived_by (
    rules text PRIMARY KEY,
    since timestamptz NOT NULL DEFAULT clock_timestamp());
COMMENT ON TABLE office.derived_by IS
    'Digest of the rules that a program derives by, and when one first did: what older ones gave is derived anew by newer ones.';
CREATE INDEX pieces_derived ON office.pieces (derived, received_at);

CREATE TABLE office.tests (
    record uuid NOT NULL, piece bytea NOT NULL, station uuid NOT NULL, number bigint NOT NULL, first bigint NOT NULL,
    method text NOT NULL, title text NOT NULL, started timestamptz NOT NULL, day date NOT NULL,
    outcome text NOT NULL, verdict text NOT NULL, why text NOT NULL,
    job text NOT NULL, mix text NOT NULL, producer text NOT NULL, place text NOT NULL, round text NOT NULL, sample text NOT NULL,
    ticket text NOT NULL, technician text NOT NULL, meter text NOT NULL,
    check_of text NOT NULL, comparison text NOT NULL, practice boolean NOT NULL, another_history boolean NOT NULL,
    document jsonb NOT NULL, brief jsonb NOT NULL, rules text NOT NULL, seen timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (record, piece),
    FOREIGN KEY (record, piece) REFERENCES office.pieces (record, hash) ON DELETE CASCADE);
COMMENT ON COLUMN office.tests.seen IS 'When it was done: by its station''s clock, but no later than it came. Which test is the newest.';
CREATE INDEX tests_started ON office.tests (started);
CREATE INDEX tests_of_station ON office.tests (station, started);
CREATE INDEX tests_of_job ON office.tests (job, started);
CREATE INDEX tests_newest_of_station ON office.tests (station, seen);
CREATE INDEX tests_newest_of_job ON office.tests (job, seen);
CREATE INDEX tests_of_day ON office.tests (day);
CREATE INDEX tests_number ON office.tests (record, number);
CREATE INDEX tests_twice ON office.tests (record) WHERE another_history;
CREATE INDEX tests_round ON office.tests (record, round) WHERE round <> '';
CREATE INDEX tests_meter ON office.tests (meter, started) WHERE meter <> '';

CREATE TABLE office.readings (
    record uuid NOT NULL, piece bytea NOT NULL, position integer NOT NULL, id text NOT NULL,
    value numeric, time_of_day text NOT NULL, unit text NOT NULL, taken timestamptz, source text NOT NULL,
    withdrawn text NOT NULL,
    PRIMARY KEY (record, piece, position),
    FOREIGN KEY (record, piece) REFERENCES office.tests ON DELETE CASCADE);

CREATE TABLE office.results (
    record uuid NOT NULL, piece bytea NOT NULL, position integer NOT NULL, name text NOT NULL,
    value numeric, rounded numeric, unit text NOT NULL, verdict text NOT NULL, low numeric, high numeric,
    standing text NOT NULL, remark text NOT NULL,
    PRIMARY KEY (record, piece, position),
    FOREIGN KEY (record, piece) REFERENCES office.tests ON DELETE CASCADE);

CREATE TABLE office.rounds (
    record uuid NOT NULL, round text NOT NULL, day date NOT NULL, branch integer NOT NULL, station uuid NOT NULL,
    began timestamptz NOT NULL, pieces bytea[] NOT NULL, job text NOT NULL, mix text NOT NULL, producer text NOT NULL,
    sample text NOT NULL, ticket text NOT NULL, verdict text NOT NULL, why text NOT NULL, standing text NOT NULL,
    properties jsonb NOT NULL, practice boolean NOT NULL, another_history boolean NOT NULL,
    PRIMARY KEY (record, round, day, branch));
CREATE INDEX rounds_began ON office.rounds (began);
CREATE INDEX rounds_of_job ON office.rounds (job, began);

CREATE TABLE office.unreadable (
    record uuid NOT NULL, piece bytea NOT NULL, why text NOT NULL, at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (record, piece),
    FOREIGN KEY (record, piece) REFERENCES office.pieces (record, hash) ON DELETE CASCADE);
COMMENT ON TABLE office.unreadable IS
    'Pieces that are sound and that this program can''t replay: a sentence each. An upgrade tries again.';
CREATE INDEX pieces_odd ON office.pieces (record) WHERE kind IN ('damaged', 'lost');

CREATE TABLE office.jobs (
    name text PRIMARY KEY, seen timestamptz, settings jsonb, file text, file_at timestamptz);
COMMENT ON COLUMN office.jobs.settings IS 'As the newest of its tests was begun with.';
COMMENT ON COLUMN office.jobs.file IS 'The job file: its lots and levels stand nowhere else.';

CREATE TABLE office.meters (
    name text PRIMARY KEY, seen timestamptz NOT NULL, station uuid NOT NULL, record uuid NOT NULL, piece bytea NOT NULL);

CREATE TABLE office.meter_checks (
    record uuid NOT NULL, piece bytea NOT NULL, name text NOT NULL, meter text NOT NULL, at timestamptz NOT NULL,
    day date NOT NULL, value numeric, unit text NOT NULL, verdict text NOT NULL, tells boolean NOT NULL, good_until date,
    PRIMARY KEY (record, piece, name),
    FOREIGN KEY (record, piece) REFERENCES office.tests ON DELETE CASCADE);
CREATE INDEX meter_checks_newest ON office.meter_checks (meter, name, at);
COMMENT ON COLUMN office.meter_checks.tells IS 'Whether it says how the meter is: one that was repeated or corrected does not.';

CREATE TABLE office.equipment (
    kind text NOT NULL, name text NOT NULL, seen timestamptz NOT NULL, station uuid NOT NULL, record uuid NOT NULL,
    piece bytea NOT NULL, good_until date, told text NOT NULL,
    PRIMARY KEY (kind, name));
"""

VIEWS = """
CREATE SCHEMA IF NOT EXISTS read;
COMMENT ON SCHEMA read IS 'What a spreadsheet or another tool may read. The views keep their columns; new ones come at the end.';

CREATE VIEW read.tests WITH (security_invoker = true) AS
SELECT s.name AS station, t.number AS test_number, t.method AS test, t.title, t.started AS started_at, t.day,
       t.outcome, t.verdict, t.why, t.job, t.mix, t.producer, t.place, t.round, t.sample, t.ticket, t.technician, t.meter,
       t.check_of <> '' AS is_check_test, t.comparison <> '' AS is_comparison,
       (t.document ->> 'after_last_portion_s')::numeric AS seconds_after_last_portion,
       t.practice AS is_practice, t.another_history AS has_another_history,
       t.record AS record_id, encode(t.piece, 'hex') AS piece_hash
FROM office.tests t JOIN office.stations s ON s.id = t.station;
COMMENT ON VIEW read.tests IS 'One row a test.';

CREATE VIEW read.readings WITH (security_invoker = true) AS
SELECT s.name AS station, t.number AS test_number, t.method AS test, t.started AS started_at, t.day, t.job,
       r.position + 1 AS reading_number, r.id AS reading, r.value, r.unit, r.time_of_day, r.taken AS taken_at, r.source,
       r.withdrawn AS withdrawn_because, r.withdrawn = '' AS counts,
       t.practice AS is_practice, t.another_history AS has_another_history,
       t.record AS record_id, encode(t.piece, 'hex') AS piece_hash
FROM office.readings r JOIN office.tests t USING (record, piece) JOIN office.stations s ON s.id = t.station;
COMMENT ON VIEW read.readings IS 'One row a reading, also those that were withdrawn.';

CREATE VIEW read.results WITH (security_invoker = true) AS
SELECT s.name AS station, t.number AS test_number, t.method AS test, t.started AS started_at, t.day, t.outcome, t.job, t.mix,
       t.sample, t.ticket, t.technician, t.meter, r.name AS result, r.rounded AS value, r.unit, r.low AS lowest_allowed,
       r.high AS highest_allowed, r.verdict, r.remark, r.value AS value_unrounded,
       r.standing AS where_the_rule_is_from, t.verdict AS test_verdict,
       t.check_of <> '' AS is_check_test, t.comparison <> '' AS is_comparison,
       t.practice AS is_practice, t.another_history AS has_another_history,
       t.record AS record_id, encode(t.piece, 'hex') AS piece_hash
FROM office.results r JOIN office.tests t USING (record, piece) JOIN office.stations s ON s.id = t.station;
COMMENT ON VIEW read.results IS 'One row a result.';

CREATE VIEW read.rounds WITH (security_invoker = true) AS
SELECT s.name AS station, r.round, r.day, r.began AS began_at, r.job, r.mix, r.producer, r.sample, r.ticket,
       cardinality(r.pieces) AS tests, r.verdict AS load_verdict, r.why AS load_why, r.standing AS where_the_rule_is_from,
       r.practice AS is_practice, r.another_history AS has_another_history, r.record AS record_id
FROM office.rounds r JOIN office.stations s ON s.id = r.station;
COMMENT ON VIEW read.rounds IS 'One row a round: what its tests together say of the load.';

CREATE VIEW read.stations WITH (security_invoker = true) AS
SELECT s.name AS station, s.enrolled_at, s.revoked_at, s.heard_at, newest.started AS newest_test_at, newest.title AS newest_test,
       newest.verdict AS newest_verdict, s.waiting AS tests_waiting_there, s.program AS program_version,
       s.clock_off_s AS clock_off_seconds, s.id AS station_id
FROM office.stations s LEFT JOIN LATERAL (
    SELECT t.started, t.title, t.verdict FROM office.tests t WHERE t.station = s.id
    ORDER BY t.seen DESC LIMIT 1) newest ON true;
COMMENT ON VIEW read.stations IS 'One row a station, also those whose key was revoked.';

CREATE VIEW read.gaps WITH (security_invoker = true) AS
SELECT s.name AS station, odd.what, p.test AS test_number, odd.first AS first_event, odd.last AS last_event, odd.why,
       p.received_at AS found_at, p.record AS record_id, encode(p.hash, 'hex') AS piece_hash
FROM (SELECT p.record, p.hash, 'missing' AS what, known.last + 1 AS first, p.first - 1 AS last,
             'What comes before this test is missing: the station is asked for it.' AS why
      FROM office.pieces p CROSS JOIN LATERAL (
          SELECT COALESCE(max(b.last), 0) AS last FROM office.pieces b WHERE b.record = p.record AND b.last < p.first) known
      WHERE p.gap
      UNION ALL
      SELECT p.record, p.hash, p.kind, p.first, p.last, CASE p.kind
             WHEN 'damaged' THEN 'This test is damaged at its station. Look at its journal with log verify.'
             ELSE 'These events were lost before the station''s journal was recovered.' END
      FROM office.pieces p WHERE p.kind IN ('damaged', 'lost')
      UNION ALL
      SELECT p.record, p.hash, 'two histories', p.first, p.last,
             'The record was continued twice from here, as after a restored backup: both are kept.'
      FROM office.tests t JOIN office.pieces p ON p.record = t.record AND p.hash = t.piece
      WHERE t.another_history AND EXISTS (
          SELECT FROM office.pieces b WHERE b.record = p.record AND b.before = p.before AND b.hash <> p.hash)
      UNION ALL
      SELECT p.record, p.hash, 'unreadable', p.first, p.last, u.why
      FROM office.unreadable u JOIN office.pieces p ON p.record = u.record AND p.hash = u.piece) odd
JOIN office.pieces p ON p.record = odd.record AND p.hash = odd.hash JOIN office.stations s ON s.id = p.station;
COMMENT ON VIEW read.gaps IS 'What is missing, damaged, lost, there twice or can''t be read. No row is the rule.';

CREATE VIEW read.meters WITH (security_invoker = true) AS
SELECT m.name AS meter, m.seen AS seen_at, s.name AS station,
       calibrated.day AS calibrated_on, calibrated.value AS chamber_ratio, calibrated.good_until AS calibration_good_until,
       held.day AS leak_hold_on, held.value AS leak_drop_psi, held.verdict AS leak_verdict,
       held.good_until AS leak_hold_good_until,
       (newest.document -> 'settings' ->> 'chamber_ratio')::numeric AS chamber_ratio_in_use
FROM office.meters m JOIN office.stations s ON s.id = m.station
LEFT JOIN office.tests newest ON newest.record = m.record AND newest.piece = m.piece
LEFT JOIN LATERAL (SELECT c.day, c.value, c.good_until FROM office.meter_checks c
    WHERE c.meter = m.name AND c.name = 'chamber_ratio' AND c.tells ORDER BY c.at DESC LIMIT 1) calibrated ON true
LEFT JOIN LATERAL (SELECT c.day, c.value, c.verdict, c.good_until FROM office.meter_checks c
    WHERE c.meter = m.name AND c.name = 'leak_drop' AND c.tells ORDER BY c.at DESC LIMIT 1) held ON true;
COMMENT ON VIEW read.meters IS 'One row a meter, by its name: its newest calibration and leak hold at any station.';

CREATE VIEW read.meter_checks WITH (security_invoker = true) AS
SELECT c.meter, c.at AS done_at, c.day, s.name AS station, t.number AS test_number, t.technician, c.name AS result,
       c.value, c.unit, c.verdict, c.tells AS counts, c.good_until, t.record AS record_id, encode(t.piece, 'hex') AS piece_hash
FROM office.meter_checks c JOIN office.tests t USING (record, piece) JOIN office.stations s ON s.id = t.station;
COMMENT ON VIEW read.meter_checks IS 'One row a calibration or leak hold of a meter, at any station.';

CREATE VIEW read.equipment WITH (security_invoker = true) AS
SELECT e.kind, e.name, e.seen AS seen_at, s.name AS station, e.good_until, e.told AS told_then
FROM office.equipment e JOIN office.stations s ON s.id = e.station;
COMMENT ON VIEW read.equipment IS 'One row a thing that tests are done with, down to the technician''s certificate.';
"""

COMMENTS = {
    "station": "The name that the station was enrolled by",
    "test_number": "In the station's record; two records may have the same",
    "test": "The kind of test", "title": "The kind of test, as the report has it",
    "started_at": "By the station's clock", "taken_at": "By the station's clock", "began_at": "By the station's clock",
    "seen_at": "When the newest test with it began", "done_at": "By the station's clock",
    "day": "The day at the station on which the test began, or its round where that went on after midnight",
    "outcome": "done, scrapped, stopped, or not over where the station never ended it",
    "why": "One sentence", "place": "The label station of the test: where on the site it was",
    "is_check_test": "Done because the first one failed", "is_comparison": "A second technician's, only to compare",
    "seconds_after_last_portion": "From the last portion of the sample to the work on the concrete, seconds",
    "is_practice": "Nothing of it counts",
    "has_another_history": "The record was continued twice, and the other one has a test of this number too",
    "record_id": "Which record", "piece_hash": "Which piece of it: the hash of its last event",
    "reading_number": "In the order in which they were taken", "reading": "What was read",
    "value": "With the digits of the record", "unit": "Empty for a plain number",
    "time_of_day": "Of a reading that is one: 09:11",
    "source": "voice, keypad or gauge", "withdrawn_because": "Empty while it counts", "counts": "False: it says nothing",
    "result": "What was found", "value_unrounded": "As computed", "remark": "Such as preliminary",
    "lowest_allowed": "By the job, or the method's own; in the result's unit", "highest_allowed": "As the lowest",
    "where_the_rule_is_from": "The source, or that there is none", "test_verdict": "Of the whole test",
    "tests": "How many it has so far",
    "load_verdict": "accepted, rejected or open; empty: its record names no tests that it was to have",
    "load_why": "One sentence", "heard_at": "Its newest sign of life, by the office's clock",
    "enrolled_at": "By the office's clock",
    "revoked_at": "When its key was revoked; empty while it is good", "tests_waiting_there": "As it last said",
    "clock_off_seconds": "Its clock less the office's, when last heard",
    "what": "missing, damaged, lost, two histories or unreadable",
    "first_event": "Of the events that it is about", "last_event": "The same",
    "found_at": "By the office's clock", "meter": "Its name; two meters must not share one",
    "calibrated_on": "Newest calibration at a station that gave a ratio",
    "chamber_ratio": "Chamber volume by bowl volume, as that gave it",
    "calibration_good_until": "Last day, by the usual interval; a meter's own is in the register of its station",
    "leak_hold_on": "Newest leak hold that tells", "leak_drop_psi": "Pressure lost in it, psi", "leak_verdict": "Of that hold",
    "leak_hold_good_until": "Last day, by the usual interval", "chamber_ratio_in_use": "By the settings of its newest test",
    "kind": "thermometer, scale, certificate and so on", "good_until": "Last day on which it is good, where the record says so",
    "told_then": "What the station said of it when it was last used; empty: it was in order",
}


def upgrade() -> None:
    op.execute(TABLES)
    op.execute(VIEWS)
    named = op.get_bind().exec_driver_sql(
        "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = 'read'")
    for view, column in named.all():
        if column in COMMENTS:
            words = COMMENTS[column].replace("'", "''")
            op.get_bind().exec_driver_sql(f"COMMENT ON COLUMN read.{view}.{column} IS '{words}'")
