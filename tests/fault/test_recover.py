"""Every kind of damage to the journal and its log: verify names the first bad event, recover saves every sound test.

The old files stay byte for byte as they were. Whatever is saved was recorded so; a test is saved whole, but for the newest, of
which the beginning is; what is not saved is named; and nothing that has real damage is gone on with silently.
"""
from __future__ import annotations

import os
import random
import shutil
import sqlite3
from pathlib import Path
from uuid import UUID

import pytest

from assistant.record import identity, kept, recover
from assistant.record.journal import FILE, Journal, JournalError, Row
from assistant.record.session import unfinished
from tests.command import READINGS, bowlside, process, script
from tests.fault import killed
from tests.fault.killed import LOG, NOTE, PARTS


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Row]]:
    folder = tmp_path_factory.mktemp("killed") / "journal"
    return folder, killed.make(folder)


@pytest.fixture
def folder(recorded: tuple[Path, list[Row]], tmp_path: Path) -> Path:
    """A copy of it, to be spoiled."""
    shutil.copytree(recorded[0], tmp_path / "journal")
    return tmp_path / "journal"


def bytes_of(folder: Path) -> dict[str, bytes]:
    """An empty log is none: SQLite makes one when it reads."""
    found = {name: (folder / name).read_bytes() for name in PARTS if (folder / name).exists()}
    return {name: data for name, data in found.items() if data or name != LOG}


def verified_and_saved(folder: Path, rows: list[Row]) -> tuple[int, int]:
    """Verify, recover, and all that must hold. The first bad event (0: sound), and how many were saved."""
    before = bytes_of(folder)
    verified = bowlside("log", "verify", "--json", "--journal", folder)
    assert verified.code in (0, 1) and len(verified.out.splitlines()) == 1 and not verified.err, verified
    bad = verified.lines()[0]["first_bad"] or 0
    new = folder.with_name(f"new-{random.random()}")
    done = bowlside("log", "recover", new, "--json", "--journal", folder)
    assert bytes_of(folder) == before, "the damaged journal is kept as it is"
    if not done.out:
        done.is_one_sentence(1, str(folder), "can be saved")
        assert bad and not new.exists(), bad
        return bad, 0
    with Journal(new, write=False) as journal:
        kept = list(journal.rows())
        assert journal.first_bad() is None
        named = str(journal.identity)
    said, saved = done.lines()[0], [row for row in kept if row.test > 0]
    assert said["record"] == named and (rows[0].before == identity.origin(UUID(named)) or not any(
        record for data in before.values() for record in identity.all_in(data) if rows[0].before == identity.origin(record)))
    assert len(saved) == said["recovered"] and set(saved) <= set(rows), "as it was recorded"
    for test in said["tests"]:
        its = [row for row in rows if row.test == test]
        there = [row for row in saved if row.test == test]
        assert there == its or there == its[:len(there)] and test == said["tests"][-1], "whole, or the beginning of the newest"
    lost = {seq for gap in said["lost"] for seq in range(gap["first"], gap["last"] + 1)}
    assert {row.seq for row in saved} | lost == set(range(1, said["newest"] + 1)) and len(saved) + len(lost) == said["newest"]
    for test in {row.test for row in rows}:
        its = [row for row in rows if row.test == test]
        assert set(its) <= set(saved) or bad <= its[-1].seq + 1, f"test {test} is sound and not saved"
    assert said["newest"] == len(rows) or bad == 0
    assert (done.code == 0) == said["whole"] == (not lost)
    return bad, len(saved)


def test_a_journal_that_was_killed_is_sound_and_saved_whole(folder: Path, recorded: tuple[Path, list[Row]]) -> None:
    rows = recorded[1]
    assert verified_and_saved(folder, rows) == (0, len(rows))


def flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0x10
    path.write_bytes(data)


@pytest.mark.parametrize("where", [0.001, 0.2, 0.5, 0.8, 0.999])
def test_a_flipped_bit_in_the_log_does_not_hide_that_the_end_is_gone(
        folder: Path, recorded: tuple[Path, list[Row]], where: float) -> None:
    """SQLite drops the log from there on without a word, and the chain of what is left is sound."""
    size = (folder / LOG).stat().st_size
    flip(folder / LOG, int(where * size))
    bad, saved = verified_and_saved(folder, recorded[1])
    assert bad > sum(row.test == 1 for row in recorded[1]), "the first test is in the database"
    assert saved >= len(recorded[1]) - 1, "rows lie in the log many times: at most the last one is gone"
    bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).is_one_sentence(
        1, f"event {bad} is missing", "log recover")
    bowlside("log", "show", "2", "--journal", folder).is_one_sentence(1, f"vent {bad} ", "log recover")
    listed = bowlside("log", "list", "--json", "--journal", folder)
    assert listed.code == 1 and [one["id"] for one in listed.lines()] == [1] and f"vent {bad} " in listed.err, listed


def spoil(kind: str, name: str, chance: random.Random, folder: Path) -> None:
    """One damage of this kind at a random place of that file."""
    path = folder / name
    data = bytearray(path.read_bytes())
    size, at = len(data), chance.randrange(len(data))
    block = min(chance.choice((16, 512, 4096, 20_000)), size)
    at_block = min(at // block * block, size - block)
    match kind:
        case "a bit":
            data[at] ^= 1 << chance.randrange(8)
        case "a block of zeros":
            data[at_block:at_block + block] = bytes(block)
        case "a block of noise":
            data[at_block:at_block + block] = chance.randbytes(block)
        case "cut off":
            del data[at:]
        case "bytes pushed in":
            data[at:at] = chance.randbytes(chance.randrange(1, 5000))
        case "bytes taken out":
            del data[at:at + chance.randrange(1, 5000)]
        case "a block from elsewhere":
            data[at_block:at_block + block] = data[:block]
        case "gone":
            path.unlink()
            return
    path.write_bytes(data)


KINDS = ("a bit", "a block of zeros", "a block of noise", "cut off", "bytes pushed in", "bytes taken out",
         "a block from elsewhere", "gone")


def damages(folder: Path, rows: list[Row], kind: str, name: str, seeds: range) -> list[tuple[int, int]]:
    whole, found = bytes_of(folder), []
    for seed in seeds:
        for part, data in whole.items():
            (folder / part).write_bytes(data)
        (folder / f"{FILE}-shm").unlink(missing_ok=True)
        spoil(kind, name, random.Random(f"{kind} {name} {seed}"), folder)
        try:
            found.append(verified_and_saved(folder, rows))
        except AssertionError as error:
            raise AssertionError(f"{kind} in {name}, seed {seed}: {error}") from error
    return found


@pytest.mark.parametrize("name", [FILE, LOG])
@pytest.mark.parametrize("kind", KINDS)
def test_any_damage(folder: Path, recorded: tuple[Path, list[Row]], kind: str, name: str) -> None:
    damages(folder, recorded[1], kind, name, range(1))


@pytest.mark.long
@pytest.mark.parametrize("name", [FILE, LOG])
@pytest.mark.parametrize("kind", KINDS)
def test_any_damage_often(folder: Path, recorded: tuple[Path, list[Row]], kind: str, name: str) -> None:
    found = damages(folder, recorded[1], kind, name, range(100, 160))
    saved = sorted(count for _, count in found)
    print(f"\n{kind} in {name}: {sum(bad > 0 for bad, _ in found)} of {len(found)} named by verify; of {len(recorded[1])} events "
          f"recover saved all {saved.count(len(recorded[1]))} times, median {saved[len(saved) // 2]}, least {saved[0]}")


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Row]]:
    """Three tests, the last one not over."""
    folder = tmp_path_factory.mktemp("three") / "journal"
    for readings in (READINGS, READINGS, killed.HALF):
        bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script(readings))
    with Journal(folder, write=False) as journal:
        return folder, list(journal.rows())


CHANGES = {"a digit": "UPDATE events SET body = replace(body, '.', '1.') WHERE seq = ?",
           "its hash": "UPDATE events SET hash = replace(hash, substr(hash, 9, 1), 'x') WHERE seq = ?",
           "its test": "UPDATE events SET test = test + 1 WHERE seq = ?",
           "its time": "UPDATE events SET wall = 'x' WHERE seq = ?",
           "what it follows": "UPDATE events SET before = 'x' WHERE seq = ?", "all of it": "DELETE FROM events WHERE seq = ?",
           "its number": "UPDATE events SET seq = seq + 1000000 WHERE seq = ?"}


@pytest.mark.parametrize("what", CHANGES)
@pytest.mark.parametrize("test, place", [(1, 0), (1, 5), (1, -2), (2, 0), (2, -2)])
def test_damage_costs_only_the_test_that_it_is_in(
        three: tuple[Path, list[Row]], tmp_path: Path, test: int, place: int, what: str) -> None:
    """Issue 15: a digit of the sixth event changed let recover drop every later test, and two more were recorded silently."""
    folder, rows = tmp_path / "journal", three[1]
    shutil.copytree(three[0], folder)
    its = [row for row in rows if row.test == test]
    seq, others = its[place].seq, [one for one in (1, 2, 3) if one != test]
    with sqlite3.connect(folder / FILE) as db:
        db.execute(CHANGES[what], (seq,))
    db.close()
    rest = script(dict(list(READINGS.items())[11:]))
    going_on = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", folder, stdin=rest)
    newest = what == "its number" or what == "its test" and test == 2  # strayed into the newest test: nothing may be added
    assert going_on.code == newest and f"vent {seq} " in going_on.err and "log recover" in going_on.err, going_on.err
    listed = bowlside("log", "list", "--json", "--journal", folder)
    assert listed.code == 1 and f"vent {seq} " in listed.err
    strayed = what in ("its number", "its test")  # into another test, which can't be read either before it is recovered
    assert strayed or [one["id"] for one in listed.lines() if one["id"] != test] == others
    found = recover.look(folder)
    assert found.tests == others or place == -2 and found.tests == [1, 2, 3]
    assert (found.gaps[0].first, found.gaps[0].bad, found.gaps[0].last) in [
        (its[0].seq, seq, its[-1].seq), (its[-2].seq, its[-2].seq, its[-1].seq)]


def test_what_was_recovered_is_gone_on_with_and_says_what_it_lacks(three: tuple[Path, list[Row]], tmp_path: Path) -> None:
    folder, its, new = tmp_path / "journal", [row for row in three[1] if row.test == 2], tmp_path / "new"
    shutil.copytree(three[0], folder)
    with sqlite3.connect(folder / FILE) as db:
        db.execute(CHANGES["a digit"], (its[9].seq,))
    db.close()
    done = bowlside("log", "recover", new, "--journal", folder)
    assert done.code == 1 and "of 2 tests" in done.out
    assert f"Events {its[0].seq} to {its[-1].seq} (test 2) are not saved: event {its[9].seq} is damaged" in done.err
    assert f"Events {its[0].seq} to {its[-1].seq} were lost" in bowlside("log", "verify", "--journal", new).out
    for readings in (dict(list(READINGS.items())[11:]), READINGS):
        again = bowlside("rehearse", "-", "--answer-rest", "--journal", new, stdin=script(readings))
        assert again.code == 0 and not again.err
    shown = bowlside("log", "list", "--json", "--journal", new)
    assert shown.code == 0 and [one["id"] for one in shown.lines()] == [1, 3, 4]
    twice = bowlside("log", "recover", tmp_path / "twice", "--json", "--journal", new)
    assert twice.code == 0 and twice.lines()[0]["whole"], "what was lost before is known"
    with sqlite3.connect(new / FILE) as db:
        db.execute("UPDATE events SET body = replace(body, 'first', 'frist') WHERE test < 0")
    db.close()
    assert bowlside("log", "verify", "--journal", new).code == 1, "that row is sealed as well"


def test_of_200_damaged_copies_none_is_gone_on_with_silently(three: tuple[Path, list[Row]], tmp_path: Path) -> None:
    """A byte changed anywhere in the file. Real damage: an event of a test is no longer read as it was recorded. Then the station
    says so, by itself and at once; and recover saves every test that is not hit. (27 of 200 went on silently.)"""
    folder, rows = tmp_path / "journal", three[1]
    shutil.copytree(three[0], folder)
    data, silent, hit = (folder / FILE).read_bytes(), [], 0
    chance = random.Random(15)
    for number in range(200):
        for path in folder.iterdir():
            path.unlink()
        shutil.copy(three[0] / NOTE, folder)
        at, bit = chance.randrange(len(data)), 1 << chance.randrange(8)
        (folder / FILE).write_bytes(data[:at] + bytes([data[at] ^ bit]) + data[at + 1:])
        with sqlite3.connect(f"file:{folder / FILE}?mode=ro", uri=True) as db:
            try:
                there = [Row(*one) for one in db.execute("SELECT * FROM events ORDER BY seq")]
            except (sqlite3.Error, UnicodeDecodeError):
                there = []
        db.close()
        real = there != rows
        try:
            with Journal(folder) as journal:
                told = bool(journal.damage)
                station = unfinished(journal)
                assert station is not None and station.test == 3, number
        except JournalError:
            told = True
        hit += real
        if real and not told:
            silent.append((number, at))
    print(f"\n200 copies with one bit changed: {hit} with real damage, {len(silent)} of them gone on with silently")
    assert hit > 100 and not silent


def test_what_is_kept_of_sound_tests_never_hides_damage(three: tuple[Path, list[Row]], tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "WORTH_KEEPING", 0)
    folder = tmp_path / "journal"
    shutil.copytree(three[0], folder)
    with Journal(folder) as journal:
        assert not journal.damage
    with kept.Kept(folder) as one:
        assert sorted(one.known()) == [1, 2]
    for what in ("a digit", "its hash", "its time", "all of it"):
        with sqlite3.connect(folder / FILE) as db:
            db.execute("SAVEPOINT before")
            db.execute(CHANGES[what], (100,))
            db.commit()
        db.close()
        with Journal(folder) as journal:
            assert "vent 100 (test 1)" in journal.damage, what
        shutil.copy(three[0] / FILE, folder)


def test_a_lost_note_accuses_nobody_and_a_damaged_one_is_told(folder: Path, recorded: tuple[Path, list[Row]]) -> None:
    text = (folder / NOTE).read_bytes()
    for data, bad in ((text, 0), (b"", 0), (text[:40], len(recorded[1]) + 1), (b"\x00" + text[1:], len(recorded[1]) + 1)):
        (folder / NOTE).write_bytes(data)
        assert verified_and_saved(folder, recorded[1]) == (bad, len(recorded[1]))
    (folder / NOTE).unlink()
    assert verified_and_saved(folder, recorded[1]) == (0, len(recorded[1]))
    with Journal(folder) as journal:  # made anew
        assert journal.count() == len(recorded[1])
    assert (folder / NOTE).read_bytes() == text


def test_an_older_journal_put_in_its_place_is_found_out(folder: Path, recorded: tuple[Path, list[Row]]) -> None:
    """Sound in itself, and yet not all that was recorded."""
    (folder / LOG).unlink()
    rows = [row for row in recorded[1] if row.test == 1]
    bad, saved = verified_and_saved(folder, recorded[1])
    assert (bad, saved) == (len(rows) + 1, len(rows))


@pytest.mark.parametrize("left", [b"", None], ids=["emptied", "removed"])
def test_a_journal_that_is_gone_is_not_begun_anew_over_its_log(
        folder: Path, recorded: tuple[Path, list[Row]], left: bytes | None) -> None:
    """SQLite would take an empty file for a new one and remove the log beside it, where the whole second test still is."""
    (folder / FILE).unlink()
    if left is not None:
        (folder / FILE).write_bytes(left)
    log = (folder / LOG).read_bytes()
    bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).is_one_sentence(1, "is gone", "log recover")
    assert verified_and_saved(folder, recorded[1])[0] == 1
    assert (folder / LOG).read_bytes() == log


def test_a_chain_made_anew_by_whoever_changed_it_is_found_out(folder: Path) -> None:
    """He can compute every hash again; the note still has the old one."""
    with Journal(folder, write=False) as journal:
        rows = list(journal.rows())
    with sqlite3.connect(folder / FILE) as db:
        before = rows[0].before
        for row in rows:
            body = row.body.replace('"8"', '"3"') if row.test == 2 else row.body
            forged = Row(row.seq, row.test, row.wall, row.boot, body, "")
            before = forged.expected_hash(before)
            db.execute("UPDATE events SET body = ?, hash = ? WHERE seq = ?", (body, before, row.seq))
    db.close()
    assert bowlside("log", "verify", "--json", "--journal", folder).lines()[0]["first_bad"] == len(rows)


def test_damage_in_the_index_alone_loses_nothing(folder: Path, recorded: tuple[Path, list[Row]]) -> None:
    with Journal(folder):
        pass  # the log goes into the database
    with sqlite3.connect(folder / FILE) as db:
        page = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'by_test'").fetchone()[0]
    db.close()
    data = bytearray((folder / FILE).read_bytes())
    data[(page - 1) * 4096:page * 4096] = bytes(4096)
    (folder / FILE).write_bytes(data)
    bad, saved = verified_and_saved(folder, recorded[1])
    assert bad and saved == len(recorded[1])


def test_the_test_goes_on_from_what_was_saved(folder: Path, tmp_path: Path) -> None:
    """The whole way out of it: refused, saved, gone on with, and the result as if nothing had been."""
    flip(folder / LOG, (folder / LOG).stat().st_size - 5000)
    assert process("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script().encode()).code == 1
    (folder / "meters.db").write_bytes(b"the register")
    done = process("log", "recover", tmp_path / "new", "--journal", folder)
    assert "Saved" in done.out and str(tmp_path / "new") in done.out and "Traceback" not in done.err
    assert (tmp_path / "new" / "meters.db").read_bytes() == b"the register", "the meters come along"
    again = process("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path / "new", stdin=script().encode())
    assert again.code == 0 and {one["name"]: str(one["rounded"]) for one in again.lines("result")}["system_air_metric"] == "0.20"
    shown = bowlside("log", "show", "2", "--json", "--journal", tmp_path / "new").lines()[0]
    assert {one["id"]: str(one["value"]) for one in shown["readings"] if not one["withdrawn"]} == READINGS


@pytest.mark.skipif(os.geteuid() != 0, reason="only root makes files in another's folder")
def test_what_root_saves_for_the_service_is_the_services(folder: Path, tmp_path: Path) -> None:
    """``sudo bowlside log recover /var/lib/bowlside/new``: a register that stayed root's would keep the station from starting."""
    (folder / "meters.db").write_bytes(b"the register")
    data = tmp_path / "data"
    data.mkdir()
    os.chown(data, 65534, 65534)
    assert bowlside("log", "recover", data / "new", "--journal", folder).code == 0
    owners = {path.name: path.lstat().st_uid for path in data.rglob("*")}
    assert "meters.db" in owners and set(owners.values()) == {65534}, owners


def test_what_recover_refuses(folder: Path, tmp_path: Path) -> None:
    def recover(*args: object):
        return bowlside("log", "recover", *args)
    full = tmp_path / "full"
    full.mkdir()
    (full / "letter.txt").write_text("x")
    for new in (full, folder):
        recover(new, "--journal", folder).is_one_sentence(1, str(new), "not empty")
    recover(tmp_path / "new", "--journal", tmp_path / "nothing").is_one_sentence(1, "no journal", "--journal")
    recover(full / "letter.txt", "--journal", folder).is_one_sentence(1, "letter.txt")
    recover(full / "letter.txt" / "below", "--journal", folder).is_one_sentence(1, "letter.txt")
    (tmp_path / "garbage").mkdir()
    (tmp_path / "garbage" / FILE).write_bytes(bytes(10_000))
    recover(tmp_path / "new", "--journal", tmp_path / "garbage").is_one_sentence(1, "Nothing", "can be saved")
    with Journal(folder):
        process("log", "recover", tmp_path / "new", "--journal", folder).is_one_sentence(1, "Stop it first")
    assert not (tmp_path / "new").exists()
