"""How long people's names are kept, job by job, and whether people may be compared.

After the days of its job the people of a test go: out of the tables, by the database itself, also when it is derived anew; and its
events, which are hashed and so can't be changed, out of every reader's reach. Deleted they are only when that is asked for. What
then remains is the piece with its hashes, so that the chain can be checked up to it and after it.
"""
from __future__ import annotations

from collections.abc import Mapping
from shlex import quote
from typing import Any

from psycopg import Connection

from assistant.files import plain
from assistant.files.refusal import Refusal

EVERY_S = 3600.0
"""How often the office looks whose days are over. Ours."""
PEOPLE = ("technician", "taken_by", "added_by", "certification", "certification_expires")
"""Labels of a test that are about people; ``comparison`` names one too."""


def without_people(test: Mapping[str, Any]) -> dict[str, Any]:
    """As the database's function of this name does it. Of what the program itself remarks a certificate alone goes by a name."""
    name = test.get("technician")
    kept: dict[str, Any] = {key: "another technician" if key == "comparison" else value for key, value in test.items() if key not in PEOPLE}
    if "remark" in kept:
        kept["remark"] = _unnamed(str(kept["remark"]), name)
    if "notes" in kept:
        kept["notes"] = [{**note, "text": _unnamed(note["text"], name)} for note in kept["notes"]]
    return kept


def _unnamed(remark: str, name: Any) -> str:
    """``name``: whose certificate it may tell of (assistant/meters/gear.py)."""
    for said, instead in ((f"Certificate {name} ", "A certificate "), (f'Certificate "{name}" ', "A certificate "),
                          (f"meter checked {quote(str(name))}.", "meter checked NAME.")) if name else ():
        remark = remark.replace(said, instead)
    return remark


def rule(connection: Connection, job: str, compare_people: bool | None, keep_days: int | None, for_good: bool = False) -> None:
    """What is None stays as it is. ``for_good``: no end of days. Raises Refusal."""
    if not job or not plain.is_line(job):
        raise Refusal(f"office: a job's name must be {plain.RULE}.")
    with connection.transaction():
        connection.execute("INSERT INTO office.job_rules (job) VALUES (%s) ON CONFLICT DO NOTHING", (job,))
        if compare_people is not None:
            connection.execute("UPDATE office.job_rules SET compare_people = %s WHERE job = %s", (compare_people, job))
        if keep_days is not None or for_good:
            connection.execute("UPDATE office.job_rules SET keep_days = %s WHERE job = %s", (keep_days, job))


def rule_of(connection: Connection, job: str) -> tuple[bool, int | None]:
    """Whether its people may be compared, and how many days they are kept; None: for good."""
    row = connection.execute("SELECT compare_people, keep_days FROM office.job_rules WHERE job = %s", (job,)).fetchone()
    return (row[0], row[1]) if row else (False, None)


def let_go(connection: Connection) -> int:
    """Take the people out of all tests whose days are over; how many tests those were.

    The days count from when the office received the test: a station's clock may be years off.
    """
    with connection.transaction():
        connection.execute("SELECT pg_advisory_xact_lock(hashtextextended('bowlside people', 0))")      # one at a time
        gone = connection.execute("""
            UPDATE office.pieces p SET people_gone = now() FROM office.tests t JOIN office.job_rules r ON r.job = t.job
            WHERE t.record = p.record AND t.piece = p.hash AND p.people_gone IS NULL
              AND p.received_at < now() - make_interval(days => r.keep_days)""").rowcount
        # A second statement, which sees what was derived anew while the first one waited for it. The trigger takes them out.
        connection.execute("UPDATE office.tests t SET rules = rules FROM office.pieces p "
                           "WHERE t.record = p.record AND t.piece = p.hash AND p.people_gone = now()")
        connection.execute("DELETE FROM office.equipment e USING office.pieces p WHERE e.kind = 'certificate' "
                           "AND e.record = p.record AND e.piece = p.hash AND p.people_gone = now()")
    return gone


def forget(connection: Connection, job: str) -> int:
    """Delete the events of those of a job's tests whose people are gone already; of how many tests."""
    with connection.transaction():
        gone = connection.execute("""
            UPDATE office.pieces p SET forgotten = now() FROM office.tests t
            WHERE t.record = p.record AND t.piece = p.hash AND t.job = %s AND p.people_gone IS NOT NULL AND p.forgotten IS NULL
            RETURNING p.record, p.hash""", (job,)).fetchall()
        for record, piece in gone:
            connection.execute("DELETE FROM office.events WHERE record = %s AND piece = %s", (record, piece))
    return len(gone)
