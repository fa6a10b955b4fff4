"""Indexes for the pages: what they list is found without a look at every test."""
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = depends_on = None

INDEXES = """
CREATE INDEX tests_invalid ON office.tests (started) WHERE verdict = 'invalid';
CREATE INDEX tests_cylinders ON office.tests (started) WHERE cylinders AND outcome = 'done';
CREATE INDEX refusals_at ON office.refusals (at);
CREATE INDEX equipment_good_until ON office.equipment (good_until, kind, name) WHERE good_until IS NOT NULL;
"""


def upgrade() -> None:
    op.execute(INDEXES)
