"""Sender, office and database killed at random instants while the journals grow: afterwards the office has every event, once.

A thousand kills: ``python -m tests.bench.office kills --kills 1000``.
"""
from __future__ import annotations

from pathlib import Path

import pytest

from assistant.files.refusal import Refusal
from assistant.office import postgres
from tests.office import fleet, site


@pytest.mark.alone
def test_nothing_is_lost_or_doubled_when_anything_is_killed(tmp_path: Path) -> None:
    try:
        postgres.programs()
    except Refusal:
        pytest.skip("no PostgreSQL here: apt-get install postgresql")
    done = site.killed(8, 2, fleet.template(tmp_path / "journal"))
    assert done["tests"] > 12 and done["cuts"] and done["sender"] + done["office"] + done["database"] == 8
