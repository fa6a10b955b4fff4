"""Every kind of damage to the journal and its log: verify names the first bad event, recover saves what is sound before it.

The old files stay byte for byte as they were. Whatever is saved is the beginning of what was recorded, and nothing else.
"""
from __future__ import annotations

import os
import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from assistant.journal import FILE, Journal, Row
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
        assert bad == 1 and not new.exists(), bad
        return bad, 0
    with Journal(new, write=False) as journal:
        saved = list(journal.rows())
        assert journal.first_bad() is None
    said = done.lines()[0]
    assert saved == rows[:len(saved)] and len(saved) == said["recovered"] >= bad - 1
    assert said["newest"] == len(rows) or bad == 0
    assert (done.code == 0) == said["whole"] == (len(saved) == said["newest"])
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
    assert bad >= 292, "the first test, 291 events, is in the database"
    assert saved >= len(recorded[1]) - 1, "rows lie in the log many times: at most the last one is gone"
    bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).is_one_sentence(
        1, f"event {bad} is missing", "log recover")
    bowlside("log", "show", "2", "--journal", folder).is_one_sentence(1, f"vent {bad} ", "log recover")
    listed = bowlside("log", "list", "--json", "--journal", folder)
    shown = [] if bad == 292 else [1]  # what is missing there may have been the end of test 1
    assert listed.code == 1 and [one["id"] for one in listed.lines()] == shown and f"vent {bad} " in listed.err, listed


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
        before = "0" * 64
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
