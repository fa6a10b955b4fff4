"""Whatever the journal's bytes have become: what is saved of it are whole tests as they were recorded and the beginning of the
newest, or it is refused."""
from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from assistant.record import recover, salvage
from assistant.record.journal import FILE, Journal, JournalError, Row
from tests.fault import killed
from tests.fault.killed import LOG, NOTE

places = st.floats(0, 1, exclude_max=True)
damage = st.tuples(st.sampled_from([FILE, FILE, LOG, LOG, NOTE]), st.sampled_from(["put", "push", "take", "cut", "copy"]),
                   places, places, st.binary(min_size=1, max_size=40))


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], list[Row]]:
    folder = tmp_path_factory.mktemp("fuzz") / "journal"
    rows = killed.make(folder)
    return {name: (folder / name).read_bytes() for name in killed.PARTS}, rows


def spoiled(data: bytes, how: str, one: float, other: float, new: bytes) -> bytes:
    at, length = int(one * len(data)), 1 + int(other * 9000)
    return {"put": data[:at] + new + data[at + len(new):], "push": data[:at] + new + data[at:],
            "take": data[:at] + data[at + length:], "cut": data[:at], "copy": data[:at] + data[:length] + data[at + length:]}[how]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(done=st.lists(damage, min_size=1, max_size=4))
def test_any_bytes(recorded: tuple[dict[str, bytes], list[Row]], done: list[tuple[str, str, float, float, bytes]]) -> None:
    files, rows = dict(recorded[0]), recorded[1]
    for name, *how in done:
        files[name] = spoiled(files[name], *how)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "old"
        folder.mkdir()
        for name, data in files.items():
            (folder / name).write_bytes(data)
        try:
            with Journal(folder, write=False) as journal:
                bad = journal.first_bad()
                there = journal.count()
        except JournalError as error:
            bad, there = (1, str(error)), 0
        found = recover.look(folder)
        saved = [row for row in found.rows if row.test > 0]
        assert set(saved) <= set(rows) and found.newest <= len(rows)
        for test in found.tests:
            its, kept = [[row for row in some if row.test == test] for some in (rows, saved)]
            assert kept == its or kept == its[:len(kept)] and test == found.tests[-1]
        for test in (1, 2):
            its = [row for row in rows if row.test == test]
            if its[-1].seq < (bad[0] if bad else there + 1):
                assert set(its) <= set(saved), "recover saves every test that verify calls sound"
        if bad is None and files[NOTE] == recorded[0][NOTE]:
            assert there == len(rows), "called sound, and yet events are missing"


@given(st.binary(max_size=3000), st.binary(max_size=3000))
@example(b"\x00\x08\x00\x09\x0f\x0f\x0f\x81\x0d", b"")
@example(b"\x81\x0d" * 1000, b"")
def test_bytes_that_never_were_a_journal(database: bytes, log: bytes) -> None:
    for row in salvage.rows(database, log):
        assert row.hash != row.expected_hash("0" * 64)
