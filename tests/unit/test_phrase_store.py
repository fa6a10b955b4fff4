"""Phrases kept on disk: what comes back is what was put, for exactly that voice, or nothing."""
import os
import threading

import pytest

from hardware.phrase_store import HEAD, PhraseStore, default_folder


def test_what_is_put_comes_back_for_the_same_name_only(tmp_path):
    store = PhraseStore(tmp_path)
    assert store.get("en-us", 170, "yes") is None
    store.put(b"abcd", "en-us", 170, "yes")
    assert store.get("en-us", 170, "yes") == PhraseStore(tmp_path).get("en-us", 170, "yes") == b"abcd"
    for other in (("en-gb", 170, "yes"), ("en-us", 171, "yes"), ("en-us", 170, "Yes"), ("en-us", "17", "0", "yes")):
        assert store.get(*other) is None


@pytest.mark.parametrize("damage", [lambda b: b[:-2], lambda b: b[:HEAD], lambda b: b"", lambda b: b"x" + b[1:],
                                    lambda b: b[:-1] + bytes([b[-1] ^ 1]), lambda b: b + b"xy"])
def test_a_broken_file_is_as_if_it_were_not_there_and_is_done_again(tmp_path, damage):
    store = PhraseStore(tmp_path)
    store.put(b"abcd", "a")
    (path,) = tmp_path.iterdir()
    path.write_bytes(damage(path.read_bytes()))
    assert store.get("a") is None
    store.put(b"efgh", "a")
    assert store.get("a") == b"efgh"


def test_the_folder_stays_within_its_bound_and_the_longest_unused_go_first(tmp_path):
    store = PhraseStore(tmp_path, largest_bytes=10_000)
    for number in range(40):
        store.put(bytes(1000), number)
        for path in tmp_path.iterdir():                   # file times are coarse: make the order plain
            os.utime(path, (path.stat().st_atime, path.stat().st_mtime - 10))
        assert store.get(0) is not None                   # in use all the time
        assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 10_000
    assert store.get(39) is not None
    assert store.get(1) is None


def test_a_place_that_cannot_be_used_costs_nothing_but_the_keeping(tmp_path):
    (tmp_path / "file").write_text("in the way")
    store = PhraseStore(tmp_path / "file" / "folder")
    store.put(b"abcd", "a")
    assert store.get("a") is None


def test_many_at_once(tmp_path):
    def work(name):
        store = PhraseStore(tmp_path, largest_bytes=5000)
        for number in range(30):
            store.put(bytes([name]) * 400, name, number)
            assert store.get(name, number) in (None, bytes([name]) * 400)
    threads = [threading.Thread(target=work, args=(name,)) for name in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert not list(tmp_path.glob("*.new"))


def test_the_place_follows_xdg(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert default_folder() == tmp_path / "bowlside" / "speech"
