"""Reading the published folder: what is new is seen, what is broken changes nothing, and nothing but its plain files is read."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from assistant.board.published import MOST, Published
from tests.board import publisher


def test_what_is_new_is_seen_once(tmp_path: Path) -> None:
    published = Published(tmp_path / "not there yet")
    assert not published.look() and published.snapshot.id == "none"
    publisher.whole(tmp_path / "not there yet")
    assert published.look() and not published.look()
    assert published.snapshot.now["station"] == "Tern Hollow 2" and len(published.snapshot.day["tests"]) == 3


def test_the_id_is_of_the_files_whoever_reads_them(tmp_path: Path) -> None:
    publisher.whole(tmp_path, run="x\ndata: forged")
    first, second = Published(tmp_path), Published(tmp_path)
    assert first.look() and second.look() and first.snapshot.id == second.snapshot.id != "none"
    assert "\n" not in first.snapshot.id and " " not in first.snapshot.id
    before = first.snapshot.id
    publisher.put(tmp_path, "now.json", publisher.now(2))
    assert first.look() and first.snapshot.id != before


@pytest.mark.parametrize(
    "broken", [b"", b"{", b"[]", b"\xff", b'{"schema": 2}', b'{"at": "soon"}', b"[" * 100_000, b"0" * (MOST + 1)]
)
def test_what_cant_be_read_leaves_what_was_there_and_says_so(tmp_path: Path, broken: bytes) -> None:
    publisher.whole(tmp_path)
    published = Published(tmp_path)
    published.look()
    publisher.put(tmp_path, "now.json", broken)
    assert published.look() and published.snapshot.trouble and published.snapshot.now["station"] == "Tern Hollow 2"
    publisher.put(tmp_path, "now.json", publisher.now(5))
    assert published.look() and not published.snapshot.trouble and published.snapshot.now["seq"] == 5


def test_only_plain_files_of_the_folder_are_read(tmp_path: Path) -> None:
    """A link leads elsewhere, and who opens a pipe waits without end."""
    (tmp_path / "secret").write_text(json.dumps({"schema": 1, "title": "secret"}))
    folder = tmp_path / "published"
    publisher.whole(folder)
    publisher.put(folder, "day.json", publisher.day(11))
    (folder / "test-7.json").symlink_to(tmp_path / "secret")
    os.mkfifo(folder / "test-8.json")
    (folder / "test-9.pdf").mkdir()
    published = Published(folder)
    assert published.test(1) and published.pdf(1)
    assert published.test(7) is published.test(8) is published.test(10) is None
    assert published.pdf(9) is published.pdf(10) is None


def test_words_within_a_step_are_no_new_step(tmp_path: Path) -> None:
    """Only a change of step is read out: guidance that changes each second would chatter."""
    published = Published(tmp_path)
    for seq, (step, do, said) in enumerate(
        [(4, "Pump.", "Pump."), (4, "Over by 0.1.", "Pump."), (5, "Tap.", "Tap."), (5, "More.", "Tap.")]
    ):
        publisher.put(tmp_path, "now.json", publisher.now(seq, step=step, do=do))
        assert published.look() and published.snapshot.step_words == said


def test_what_the_day_does_not_list_is_not_given(tmp_path: Path) -> None:
    """While another test checks it, say: its files may still lie there for a moment."""
    publisher.whole(tmp_path)
    published, day = Published(tmp_path), publisher.day()
    assert published.test(2) and published.pdf(2)
    day["tests"][1] |= {"page": None, "pdf": None, "withheld": True}
    publisher.put(tmp_path, "day.json", day)
    assert published.test(2) is None and published.pdf(2) is None and published.test(1)


def test_what_was_written_before_the_machine_started_anew_is_nothing(tmp_path: Path) -> None:
    """Its clock would run for hours: the boot clock began again from nothing. The day's tests are as they were."""
    publisher.whole(tmp_path, at=50_000.0)
    published = Published(tmp_path, lambda: 60.0)
    published.look()
    assert published.snapshot.now == {} and len(published.snapshot.day["tests"]) == 3
    publisher.put(tmp_path, "now.json", publisher.now(at=59.0))
    assert published.look() and published.snapshot.at == 59.0
