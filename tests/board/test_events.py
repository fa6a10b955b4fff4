"""Live updates over the wire: only what changed, the newest to who is slow, on through a restart of the station."""

from __future__ import annotations

import shutil
from pathlib import Path

from assistant.board import hub as hub_module
from assistant.board.hub import Hub, message
from assistant.board.published import Published, Snapshot
from hardware.clock import boot_now
from tests.board import publisher
from tests.board.phone import Board, Phone


def test_only_what_changed_is_sent(board: Board, phone: Phone) -> None:
    stream = iter(phone.listen())
    first = next(stream)
    assert set(first["regions"]) > {"clock", "do", "curve", "readings", "said"} and "Hold" in first["regions"]["do"]
    began = publisher.now()
    publisher.put(board.folder, "now.json", {**began, "seq": 2, "at": first["at"], "do": "Read the gauge."})
    second = next(stream)
    assert set(second["regions"]) == {"do"} and second["id"] != first["id"]
    publisher.put(
        board.folder, "now.json", {**began, "seq": 3, "at": (later := boot_now()), "do": "Read the gauge.", "clock": None, "round": []}
    )
    third = next(stream)
    assert third["regions"]["clock"] == "" and abs(third["at"] - later) < 0.001


def test_time_is_what_is_left_and_never_the_wall_clock(board: Board, phone: Phone) -> None:
    before = boot_now()
    first = next(iter(phone.listen()))
    assert before <= first["sent"] <= boot_now() and first["at"] <= first["sent"]
    ends = float(first["regions"]["clock"].partition('data-ends="')[2].partition('"')[0])
    assert abs(ends - first["at"] - 231.4) <= 0.06


def test_who_comes_back_is_told_what_he_missed_and_no_more(board: Board, phone: Phone) -> None:
    first = next(iter(phone.listen()))
    assert next(iter(phone.listen(last=first["id"])))["regions"] == {}
    publisher.put(board.folder, "now.json", publisher.now(2))
    again = next(iter(phone.listen(last=first["id"])))
    assert "do" in again["regions"] and again["id"] != first["id"]


def test_it_goes_on_when_the_station_starts_again(board: Board, phone: Phone) -> None:
    """Another run begins to count anew, perhaps in a folder that was taken away and made anew."""
    stream = phone.listen()
    next(iter(stream))
    shutil.rmtree(board.folder)
    assert "published nothing" in stream.until(lambda event: event["id"] == "none")["regions"]["notice"]
    publisher.whole(board.folder, run="another", seq=1, do="Fill the bowl.")
    back = stream.until(lambda event: event["id"].startswith("another"))
    assert "Fill the bowl." in str(back) and back["regions"]["notice"] == '<p class="notice">Practice: nothing counts.</p>'


def test_the_day_is_live_too(board: Board, phone: Phone) -> None:
    stream = phone.listen("day")
    assert "Test 4" not in str(next(iter(stream)))
    publisher.put(board.folder, "day.json", publisher.day(4))
    assert "Test 4" in stream.until(lambda event: "tests" in event["regions"])["regions"]["tests"]


def test_a_phone_hears_something_while_nothing_changes(board: Board, phone: Phone, monkeypatch) -> None:
    monkeypatch.setattr(hub_module, "BEAT_S", 0.01)
    stream = iter(phone.listen())
    first, second, third = (next(stream) for _ in range(3))
    assert second["regions"] == third["regions"] == {} and first["sent"] < second["sent"] < third["sent"]


def test_who_is_slow_gets_the_newest(tmp_path: Path) -> None:
    """A thousand changes between two looks are one message: nothing piles up."""
    publisher.whole(tmp_path)
    published = Published(tmp_path)
    hub = Hub(published)
    seen = published.snapshot
    for seq in range(2, 1000):
        publisher.put(tmp_path, "now.json", publisher.now(seq, do=f"Step {seq}."))
        published.look()
    told = message("now", seen, hub.published.snapshot, 1.0)
    assert b"Step 999." in told and b"Step 998." not in told


def test_a_day_of_uptime_holds_nothing() -> None:
    """86,400 changes and messages: what is kept for phones stays as it was."""
    shown = Snapshot("0", publisher.now(at=0.0), {})
    for second in range(0, 86_400, 60):
        fresh = Snapshot(str(second), publisher.now(at=float(second)), {})
        message("now", shown, fresh, float(second))
        shown = fresh
    assert hub_module._changed.cache_info().currsize <= 8 and hub_module._regions.cache_info().currsize <= 8


def test_no_more_listen_than_it_bears(board: Board, phone: Phone, monkeypatch) -> None:
    from assistant.board import web

    monkeypatch.setattr(web, "MOST_LISTENING", 2)
    streams = [phone.listen() for _ in range(2)]
    assert all("clock" in next(iter(stream))["regions"] for stream in streams)
    assert phone.listen().status == 503
    for stream in streams:
        stream.close()
