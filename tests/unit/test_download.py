"""Resuming a download, against a real server that breaks off, lies and changes its mind.

Invariant: whatever the server does, what is called done is one version of the file, whole; or a sentence comes.
"""

import http.server
import random
import re
import threading
from dataclasses import dataclass, field

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models import download

OLD = random.Random(1).randbytes(300_000)
NEW = random.Random(2).randbytes(300_000)


@dataclass
class Behaviour:
    """How the server treats the next connections; every list is used up from the front, then the default holds."""

    bodies: list[bytes] = field(default_factory=lambda: [OLD])
    breaks: list[int | None] = field(default_factory=list)
    """After so many bytes the connection is cut; None: not."""

    etag: bool = True
    dated: bool = False
    ranges: bool = True
    heeds_if_range: bool = True
    promises: int = 0
    """Bytes too many in Content-Length."""

    starts_off: int = 0
    """Bytes by which a range begins elsewhere than asked."""

    asked: list[str | None] = field(default_factory=list)


class Handler(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_GET(self):
        how: Behaviour = self.server.how
        body = how.bodies.pop(0) if len(how.bodies) > 1 else how.bodies[0]
        cut = how.breaks.pop(0) if how.breaks else None
        mark = f'"{hash(body)}"' if how.etag else "Wed, 25 Nov 2026 10:00:00 GMT" if how.dated else None
        asked = self.headers.get("Range")
        how.asked.append(asked)
        start = int(re.match(r"bytes=(\d+)-", asked)[1]) if asked and how.ranges else 0
        if start and how.heeds_if_range and self.headers.get("If-Range") != mark:
            start = 0
        if start >= len(body) and start:
            self.send_response(416)
            self.send_header("Content-Length", "0")
            self.end_headers()
            return
        start = max(0, start - how.starts_off) if start else 0
        self.send_response(206 if start else 200)
        if start:
            self.send_header("Content-Range", f"bytes {start}-{len(body) - 1}/{len(body)}")
        self.send_header("Content-Length", str(len(body) - start + how.promises))
        if mark:
            self.send_header("ETag" if how.etag else "Last-Modified", mark)
        self.end_headers()
        self.wfile.write(body[start:] if cut is None else body[start:start + cut])
        self.close_connection = True

    def log_message(self, *_):
        pass


@pytest.fixture(scope="module")
def server():
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join(5)


def get(server, part, how: Behaviour) -> bytes:
    server.how = how
    download.download(f"http://127.0.0.1:{server.server_port}/model.zip", part)
    return part.read_bytes()


def test_it_goes_on_where_it_broke_off(server, tmp_path):
    how = Behaviour(breaks=[100_000, 50_000])
    assert get(server, tmp_path / "p", how) == OLD
    assert how.asked == [None, "bytes=100000-", "bytes=150000-"]


def test_it_goes_on_in_a_later_start(server, tmp_path):
    how = Behaviour(breaks=[100_000, 0])
    with pytest.raises(download.NotFetched, match="broke off at 100000 of 300000 bytes; start it again, it goes on"):
        get(server, tmp_path / "p", how)
    how = Behaviour(dated=True)
    assert get(server, tmp_path / "p", how) == OLD and how.asked == ["bytes=100000-"]


def test_a_server_that_is_gone_costs_nothing_that_came(server, tmp_path):
    with pytest.raises(download.NotFetched):
        get(server, tmp_path / "p", Behaviour(breaks=[100_000, 0]))
    server.how = Behaviour(breaks=[0])
    with pytest.raises(download.NotFetched):
        get(server, tmp_path / "p", server.how)
    assert (tmp_path / "p").stat().st_size == 100_000


@pytest.mark.parametrize("how", [
    Behaviour(bodies=[OLD, NEW], breaks=[100_000]),                                # says so by a 200
    Behaviour(bodies=[OLD, NEW], breaks=[100_000], heeds_if_range=False),          # only by its ETag
    Behaviour(bodies=[OLD, NEW[:200_000]], breaks=[250_000], heeds_if_range=False),   # shorter now than what came: 416
    Behaviour(bodies=[OLD, NEW[:250_000]], breaks=[100_000], etag=False, dated=True),   # same date, another size
])
def test_a_file_that_changed_between_two_parts_is_fetched_from_the_start(server, tmp_path, how):
    last = how.bodies[-1]
    try:
        got = get(server, tmp_path / "p", how)
    except download.NotFetched:                                    # no step forward in that connection: the next start
        got = get(server, tmp_path / "p", how)
    assert got == last


def test_without_a_word_for_the_version_or_without_ranges_it_starts_anew(server, tmp_path):
    how = Behaviour(etag=False, breaks=[100_000])
    with pytest.raises(download.NotFetched, match="broke off"):
        get(server, tmp_path / "p", Behaviour(etag=False, breaks=[100_000, 0]))
    assert list(tmp_path.iterdir()) == []                          # nothing that could not be gone on with
    assert get(server, tmp_path / "p", Behaviour(ranges=False, breaks=[100_000, 290_000])) == OLD
    assert how.asked == []


def test_a_range_that_begins_elsewhere_is_not_pieced_in(server, tmp_path):
    how = Behaviour(breaks=[100_000], starts_off=1000)
    try:
        assert get(server, tmp_path / "p", how) == OLD
    except download.NotFetched:
        assert not (tmp_path / "p").exists()


def test_a_length_that_is_a_lie_is_told(server, tmp_path):
    """Too long here; a length that is too short gives a torn archive: test_fetch.py."""
    with pytest.raises(download.NotFetched, match="now shorter than what had come"):
        get(server, tmp_path / "p", Behaviour(promises=500))
    with pytest.raises(download.NotFetched, match="broke off at 0 of 300500 bytes; try again"):
        get(server, tmp_path / "q", Behaviour(promises=500, etag=False, breaks=[None, 0]))


def test_two_fetches_at_once_are_one(server, tmp_path):
    import fcntl
    with (tmp_path / "p").open("ab") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(download.NotFetched, match="under way"):
            get(server, tmp_path / "p", Behaviour())


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(how=st.builds(Behaviour, bodies=st.lists(st.sampled_from([OLD, NEW, OLD[:200_000]]), min_size=1, max_size=4),
                     breaks=st.lists(st.none() | st.integers(0, 310_000), max_size=5), etag=st.booleans(), dated=st.just(False),
                     ranges=st.booleans(), heeds_if_range=st.booleans(), asked=st.builds(list)))
def test_never_pieced_together(server, tmp_path, how):
    part = tmp_path / "p"
    download.forget(part)
    versions = list(how.bodies)
    for _ in range(6):
        try:
            assert get(server, part, how) in versions
            return
        except download.NotFetched as refusal:
            assert str(refusal).endswith(".")
    pytest.fail("the server was sound in the end, and still nothing came")
