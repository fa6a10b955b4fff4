"""What came, as it came: stations and their keys, records, pieces and their events. All that is shown is derived from these.

pieces and events are keyed by the record first, so either may later be partitioned by hash of it without another key. No foreign
key leads from events to pieces: one transaction in one place writes both, and 300 look-ups a test would prove nothing more.
"""
from alembic import op

revision = "0001"
down_revision = branch_labels = depends_on = None

STATIONS = """
CREATE TABLE office.stations (
    id uuid PRIMARY KEY DEFAULT gen_random_uuid(),
    name text NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 80),
    practice bool NOT NULL DEFAULT false,
    key_hash bytea NOT NULL UNIQUE CHECK (octet_length(key_hash) = 32),
    enrolled_at timestamptz NOT NULL DEFAULT now(),
    revoked_at timestamptz,
    heard_at timestamptz,
    program text NOT NULL DEFAULT '',
    waiting int NOT NULL DEFAULT 0,
    newest_seq bigint,
    newest_hash bytea,
    clock_off_s float8
) WITH (fillfactor = 50);                           -- heard_at changes with every request: within its page, no index touched
COMMENT ON TABLE office.stations IS 'who may send; revoke: bowlside office revoke NAME';
COMMENT ON COLUMN office.stations.practice IS 'only practice and invented tests are taken from it, from no other are they';
COMMENT ON COLUMN office.stations.key_hash IS 'SHA-256 of its key, which only the station has';
COMMENT ON COLUMN office.stations.waiting IS 'pieces that it had still to send when it was last heard';
COMMENT ON COLUMN office.stations.newest_seq IS 'the newest event of its journal when it was last heard, finished test or not';
COMMENT ON COLUMN office.stations.clock_off_s IS 'seconds that its wall clock was ahead of the database''s when last heard';

CREATE TABLE office.codes (
    code_hash bytea PRIMARY KEY,
    name text NOT NULL,
    practice bool NOT NULL,
    made_at timestamptz NOT NULL DEFAULT now(),
    expires_at timestamptz NOT NULL,
    used_at timestamptz);
COMMENT ON TABLE office.codes IS 'enrolment codes by their SHA-256: each is good once, for an hour';

CREATE TABLE office.guesses (address text NOT NULL, at timestamptz NOT NULL DEFAULT clock_timestamp());
CREATE INDEX guesses_at ON office.guesses (at);
COMMENT ON TABLE office.guesses IS 'wrong enrolment codes of the last hour: so many are looked at, and no more';
"""

RAW = """
CREATE TABLE office.records (
    id uuid PRIMARY KEY,
    station uuid NOT NULL REFERENCES office.stations,
    first_seen timestamptz NOT NULL DEFAULT now());
CREATE INDEX records_station ON office.records (station);
COMMENT ON TABLE office.records IS 'each journal, and the station that may send it: the first that did (bowlside office move)';

CREATE TABLE office.pieces (
    record uuid NOT NULL REFERENCES office.records,
    hash bytea NOT NULL CHECK (octet_length(hash) = 32),
    before bytea NOT NULL CHECK (octet_length(before) = 32),
    test bigint NOT NULL,
    first bigint NOT NULL,
    last bigint NOT NULL CHECK (first <= last),
    received_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    station uuid NOT NULL REFERENCES office.stations,
    bytes int NOT NULL,
    gap bool NOT NULL,
    kind text NOT NULL CHECK (kind IN ('test', 'withheld', 'damaged', 'lost')),
    derived text,
    PRIMARY KEY (record, hash));
CREATE INDEX pieces_before ON office.pieces (record, before);
CREATE INDEX pieces_gap ON office.pieces (record) WHERE gap;
CREATE INDEX pieces_to_derive ON office.pieces (received_at) WHERE derived IS NULL;
COMMENT ON TABLE office.pieces IS 'a test of a record, or what stands in its place; two that follow one hash are two histories';
COMMENT ON COLUMN office.pieces.before IS 'hash of the piece that it follows';
COMMENT ON COLUMN office.pieces.first IS 'number of its first event in the record';
COMMENT ON COLUMN office.pieces.station IS 'which station sent it';
COMMENT ON COLUMN office.pieces.bytes IS 'of its events'' texts; 0: it has none';
COMMENT ON COLUMN office.pieces.gap IS 'what it follows is not here: it is asked for';
COMMENT ON COLUMN office.pieces.derived IS 'digest of the rules by which it was derived; null: it is to be';

CREATE TABLE office.events (
    record uuid NOT NULL,
    seq bigint NOT NULL,
    piece bytea NOT NULL,
    hash bytea NOT NULL,
    wall text NOT NULL,
    boot text NOT NULL,
    body text COMPRESSION lz4 NOT NULL,
    PRIMARY KEY (record, piece, seq));
COMMENT ON TABLE office.events IS 'every event as the station''s journal has it; two histories may share their first';
COMMENT ON COLUMN office.events.wall IS 'what the station''s clock showed: a label, never an order';

CREATE TABLE office.refusals (
    station uuid NOT NULL REFERENCES office.stations,
    hash bytea NOT NULL,
    why text NOT NULL,
    program text NOT NULL,
    first_at timestamptz NOT NULL DEFAULT now(),
    at timestamptz NOT NULL DEFAULT now(),
    times int NOT NULL DEFAULT 1,
    PRIMARY KEY (station, hash, why));
COMMENT ON TABLE office.refusals IS 'what was refused: told once, counted after that';
COMMENT ON COLUMN office.refusals.hash IS 'of the piece, as it was named; empty: it named none';
COMMENT ON COLUMN office.refusals.program IS 'the version of the office that refused it last: a newer one asks for it again';
"""


def upgrade() -> None:
    op.execute(STATIONS)
    op.execute(RAW)
