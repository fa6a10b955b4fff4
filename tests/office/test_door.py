"""The door for stations: enrolling, keys, bounds, and an answer for whatever comes. A real server, a real PostgreSQL."""
from __future__ import annotations

import gzip
import hashlib
import json
import re
import socket
import threading
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import requests

from assistant.files.refusal import Refusal
from assistant.office import database as tables
from assistant.office import intake, postgres, request_body, stations, web
from assistant.office.refused import Refused
from assistant.send.piece import MOST_BYTES
from tests.office import made
from tests.office.at_door import Door, asked


@pytest.fixture
def door(at_door: Door) -> Door:
    return at_door


def only_a_sentence(answer: requests.Response, status: int) -> str:
    assert answer.status_code == status and answer.headers["content-type"] == "application/json", answer.text
    assert list(answer.json()) == ["error"]
    said = answer.json()["error"]
    assert said.endswith(".") and "\n" not in said and not re.search(r"Traceback|psycopg|SELECT|office\.\w", said), said
    return said


# --- enrolling ---------------------------------------------------------------------------------------------------------------


def redeem(door: Door, code: str, address: str = "192.0.2.7") -> Any:
    with door.pool.connection() as db:
        return stations.redeem(db, code, address)


def test_a_code_gives_a_key_once_and_only_hashes_are_kept(door: Door) -> None:
    code = door.code("Bay 1")
    assert len(code) == 9 and code[4] == " "
    answer = door.session.post(f"{door.url}/enrol", json={"code": code, "version": "0.1"}).json()
    assert answer == {"station": answer["station"], "name": "Bay 1", "practice": False, "key": answer["key"],
                      "office": "Made office (invented)"}
    assert door.sent(answer["key"], uuid4())["committed"] == []
    kept = str(door.ask("SELECT s::text FROM office.stations s UNION ALL SELECT c::text FROM office.codes c"))
    assert answer["key"] not in kept and code.replace(" ", "") not in kept
    assert hashlib.sha256(answer["key"].encode()).hexdigest() in kept
    assert "wrong, used or older" in only_a_sentence(door.session.post(f"{door.url}/enrol", json={"code": code}), 403)


@pytest.mark.parametrize("typed", ["{}{}", "{} {}", "{}-{}", "{}.{}"])
def test_a_code_may_be_typed_in_groups(door: Door, typed: str) -> None:
    assert redeem(door, typed.format(*door.code("Bay 1").split()))[0].name == "Bay 1"


def test_no_two_open_codes_are_alike(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ten thousand that are open at once two would be, as often as not."""
    drawn = iter([7, 7, 8])
    monkeypatch.setattr(stations.secrets, "randbelow", lambda most: next(drawn))
    assert [door.code("Bay 1").replace(" ", ""), door.code("Bay 2").replace(" ", "")] == ["00000007", "00000008"]


def test_a_code_is_good_for_an_hour(door: Door) -> None:
    code = door.code("Bay 1")
    door.do("UPDATE office.codes SET expires_at = expires_at - interval '1 hour'")
    with pytest.raises(Refused, match="older than an hour"):
        redeem(door, code)
    assert door.ask("SELECT * FROM office.stations") == []


def test_guesses_are_limited_for_each_network_and_in_all(door: Door) -> None:
    code = door.code("Bay 1")
    wrong = f"{(int(code.replace(' ', '')) + 1) % 10**8:08}"
    for number in range(stations.WRONG_FROM_ONE):
        with pytest.raises(Refused, match="wrong, used"):
            redeem(door, wrong, f"2001:db8::{number + 1:x}")
    for tried in (wrong, code):     # a right one too: else the limit would be none
        with pytest.raises(Refused, match="try again in an hour") as refused:
            redeem(door, tried, "2001:db8::ffff")
        assert refused.value.status == 429 and refused.value.wait_s == 3600
    door.do("INSERT INTO office.guesses SELECT 'made', now() FROM generate_series(1, %s)",
            stations.WRONG_IN_ALL - stations.WRONG_FROM_ONE)
    with pytest.raises(Refused, match="try again in an hour"):
        redeem(door, code, "198.51.100.1")
    door.do("UPDATE office.guesses SET at = at - interval '1 hour'")
    assert redeem(door, code, "2001:db8::1")[0].name == "Bay 1"
    assert door.ask("SELECT count(*) FROM office.guesses") == [(0,)]


def test_who_comes_over_ipv4_to_a_door_of_both_is_himself(door: Door) -> None:
    """Where the office listens on IPv6 too, IPv4 addresses have a form there, and all of them would be one network."""
    for _ in range(stations.WRONG_FROM_ONE):
        with pytest.raises(Refused, match="wrong, used"):
            redeem(door, "00000000", "::ffff:198.51.100.1")
    with pytest.raises(Refused, match="try again in an hour"):
        redeem(door, "00000000", "198.51.100.1")
    assert redeem(door, door.code("Bay 1"), "::ffff:198.51.100.2")[0].name == "Bay 1"


def test_a_guess_counts_though_it_is_refused(door: Door) -> None:
    door.session.post(f"{door.url}/enrol", json={"code": "0000 0000"})
    assert door.ask("SELECT address FROM office.guesses") == [("127.0.0.1",)]


@pytest.mark.parametrize("given", [
    {}, {"code": 12345678}, {"code": "1234567"}, {"code": "1234 56789"}, {"code": "١٢٣٤٥٦٧٨"}, [1], "x"])
def test_what_is_no_code_is_no_guess(door: Door, given: Any) -> None:
    only_a_sentence(door.session.post(f"{door.url}/enrol", json=given), 400)
    assert door.ask("SELECT * FROM office.guesses") == []


def test_a_code_of_two_at_the_same_instant_enrols_one(door: Door) -> None:
    code, told = door.code("Bay 1"), []

    def try_it() -> None:
        try:
            told.append(redeem(door, code))
        except Refused:
            told.append(None)
    threads = [threading.Thread(target=try_it) for _ in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(told) == 6 and sum(each is not None for each in told) == 1


def test_enrolling_anew_under_the_same_name_is_another_key_for_the_same_station(door: Door) -> None:
    record = uuid4()
    old = door.enrol("Bay 1")
    door.sent(old, record)
    before = door.ask("SELECT id FROM office.stations")
    new = door.enrol("Bay 1")
    assert door.ask("SELECT id FROM office.stations") == before
    assert "does not know that key" in only_a_sentence(door.send(old, record), 401)
    door.sent(new, record)


def test_a_revoked_key_is_refused_and_noted_once(door: Door) -> None:
    key = door.enrol("Bay 1")
    code = door.code("Bay 1")
    with door.pool.connection() as db:
        stations.revoke(db, "Bay 1")
    for times in (1, 2):
        said = only_a_sentence(door.send(key, uuid4()), 403)
        assert "was revoked" in said and door.refusals() == [(said, times)]
    with pytest.raises(Refused):        # nor does a code from before bring it back
        redeem(door, code)
    assert door.sent(door.enrol("Bay 1"), uuid4())["committed"] == []


@pytest.mark.parametrize("name", ["", " ", "a\nb", "x" * 81, "\x1b[31m"])
def test_a_name_is_a_line(door: Door, name: str) -> None:
    with pytest.raises(Refusal, match="on one line"):
        door.code(name)


def test_nobody_is_said_to_be_nobody(door: Door) -> None:
    with door.pool.connection() as db:
        for do in (lambda: stations.revoke(db, "Bay 9"), lambda: stations.move(db, uuid4(), "Bay 9")):
            with pytest.raises(Refusal, match="No station 'Bay 9'"):
                do()
    door.enrol("Bay 9")
    with door.pool.connection() as db, pytest.raises(Refusal, match="No record"):
        stations.move(db, uuid4(), "Bay 9")


# --- whatever comes ----------------------------------------------------------------------------------------------------------

FORMS = {
    "no JSON": (b"{", 400), "no text": (b"\xff\xfe{}", 400), "no object": (b"[]", 400), "nothing": (b"", 400),
    "without end": (b"[" * 200_000, 400), "an endless number": (b'{"version": ' + b"9" * 10_000 + b"}", 400),
    "another form": ({"form": "photographs"}, 400), "no version": ({"version": None}, 400),
    "a version that is true": ({"version": True}, 400), "from the future": ({"version": 2}, 422),
    "no record": ({"record": "1"}, 400), "a record in capitals": ({"record": "A" * 32}, 400),
    "no pieces": ({"pieces": {}}, 400), "no newest": ({"newest": [1]}, 400), "no number": ({"newest": ["1", "a" * 64]}, 400),
    "no hash": ({"sent": "A" * 64}, 400), "too many": ({"pieces": [{}] * 65}, 413),
    "nothing but brackets": (b'{"pieces": [' + b"[]," * 600_000 + b"[]]}", 413),
}


@pytest.mark.parametrize("how", FORMS)
def test_what_is_no_request_is_a_sentence(door: Door, how: str) -> None:
    given, status = FORMS[how]
    key = door.enrol("Bay 1")
    data = given if isinstance(given, bytes) else json.dumps({**asked(uuid4()), **given}).encode()
    said = only_a_sentence(door.raw("/pieces", key, data), status)
    assert door.refusals() == [(said, 1)] and door.ask("SELECT * FROM office.records") == []


@pytest.mark.parametrize("given", [b"{", {"record": str(uuid4())}, {"record": str(uuid4()), "pieces": [1]},
                                   {"record": str(uuid4()), "pieces": [[1, 1, 1, "x"]]}, {"record": "x", "pieces": []}])
def test_what_is_no_offer_is_a_sentence(door: Door, given: Any) -> None:
    data = given if isinstance(given, bytes) else json.dumps(given).encode()
    only_a_sentence(door.raw("/offers", door.enrol("Bay 1"), data), 400)


@pytest.mark.parametrize("path", ["/pieces", "/offers"])
@pytest.mark.parametrize("authorization", [None, "", "Bearer", "Bearer ", "Basic x", "Bearer x", b"Bearer \xfc"])
def test_nobody_without_a_key_is_heard(door: Door, path: str, authorization: Any) -> None:
    headers = {} if authorization is None else {"authorization": authorization}
    only_a_sentence(door.session.post(door.url + path, data=b"{}", headers=headers), 401)
    assert door.refusals() == []


def begun(door: Door, key: str, length: str) -> socket.socket:
    """A request that has sent its head."""
    host, port = door.url.removeprefix("http://").split(":")
    line = socket.create_connection((host, int(port)))
    head = ("POST /pieces HTTP/1.1", "Host: x", f"Authorization: Bearer {key}", f"Content-Length: {length}", "", "")
    line.sendall("\r\n".join(head).encode())
    return line


def test_an_oversized_request_is_refused_before_it_is_read(door: Door) -> None:
    key = door.enrol("Bay 1")
    for length in (str(MOST_BYTES + 1), "9" * 30):
        with begun(door, key, length) as line:
            said = b"".join(iter(lambda: line.recv(65536), b""))
            assert b" 413 " in said.split(b"\r\n")[0] and b"16 MiB" in said or length == "9" * 30 and b" 400 " in said, said


def test_an_oversized_request_in_parts_is_refused(door: Door) -> None:
    key = door.enrol("Bay 1")
    parts = (b"x" * 2**20 for _ in range(18))
    assert "16 MiB" in only_a_sentence(door.raw("/pieces", key, parts), 413)


def test_what_is_small_packed_and_large_unpacked_is_refused(door: Door) -> None:
    key, packed = door.enrol("Bay 1"), gzip.compress(b"[" * (MOST_BYTES + 1))
    assert len(packed) < 20_000
    assert "16 MiB" in only_a_sentence(door.raw("/pieces", key, packed, {"content-encoding": "gzip"}), 413)


PACKED = gzip.compress(b"{}", mtime=0)     # the same in every worker


@pytest.mark.parametrize("data", [b"", b"{}", PACKED[:-1], PACKED + b"x"])
def test_a_torn_packing_is_refused(door: Door, data: bytes) -> None:
    only_a_sentence(door.raw("/pieces", door.enrol("Bay 1"), data, {"content-encoding": "gzip"}), 400)


def test_another_packing_is_refused(door: Door) -> None:
    only_a_sentence(door.raw("/pieces", door.enrol("Bay 1"), b"{}", {"content-encoding": "br"}), 415)


def test_bodies_share_what_a_process_may_hold(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    key = door.enrol("Bay 1")
    with Door(door.pool, most_at_once=10_000) as small:
        small.sent(key, uuid4())
        answer = small.send(key, uuid4(), program="x" * 20_000)
        assert "busy" in only_a_sentence(answer, 503) and answer.headers["retry-after"] == "5"
        for _ in range(20):     # what was held is free again
            small.sent(key, uuid4(), program="x" * 5_000)


def test_one_station_can_not_keep_the_office_from_others(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    """As many long requests as it likes: some are refused for now, and another station is answered meanwhile."""
    greedy, other, goes_on, reading = door.enrol("Bay 1"), door.enrol("Bay 2"), threading.Event(), threading.Semaphore(0)
    read = intake.read

    def slowly(data: bytes) -> intake.Delivery:
        if len(data) > web.SMALL:
            reading.release()
            assert goes_on.wait(60)
        return read(data)
    monkeypatch.setattr(intake, "read", slowly)
    told: list[Any] = []

    def send() -> None:
        told.append(requests.post(f"{door.url}/pieces", json=asked(uuid4(), more="x" * web.SMALL),
                                  headers={"authorization": f"Bearer {greedy}"}))
    threads = [threading.Thread(target=send) for _ in range(2)]
    for each in threads:
        each.start()
    for _ in threads:
        assert reading.acquire(timeout=60)
    assert "another request of this station" in only_a_sentence(door.send(greedy, uuid4()), 503)
    assert door.sent(other, uuid4())["committed"] == []
    goes_on.set()
    for each in threads:
        each.join()
    assert [answer.status_code for answer in told] == [200, 200]
    assert door.sent(greedy, uuid4())["committed"] == []


def test_a_body_that_does_not_come_is_not_waited_for(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(request_body, "PART_S", 0.05)
    with begun(door, door.enrol("Bay 1"), "9") as line:
        assert b" 408 " in line.recv(65536)


def test_a_failure_of_ours_is_a_sentence_and_in_the_log(door: Door, monkeypatch: pytest.MonkeyPatch,
                                                        caplog: pytest.LogCaptureFixture) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("SELECT secret")
    key = door.enrol("Bay 1")
    monkeypatch.setattr(intake, "take", fails)
    assert "its log says why" in only_a_sentence(door.send(key, uuid4()), 500)
    assert "SELECT secret" in caplog.text


def test_instances_agree_on_nothing_but_the_database(door: Door, tmp_path: Path) -> None:
    folder = made.journal(tmp_path, 2)
    record, pieces, code = made.record(folder), made.pieces(folder), door.code("Bay 1")
    with tables.pool(door.pool.conninfo) as pool, Door(pool) as other:
        key = other.session.post(f"{other.url}/enrol", json={"code": code}).json()["key"]
        only_a_sentence(door.session.post(f"{door.url}/enrol", json={"code": code}), 403)
        assert door.sent(key, record, pieces[1:])["lacks"] == [pieces[0].hash]
        assert other.sent(key, record, pieces)["lacks"] == [] == door.sent(key, record)["lacks"]
        with pool.connection() as db:
            stations.revoke(db, "Bay 1")
        only_a_sentence(door.send(key, record), 403)


def test_an_unknown_key_is_logged_once(door: Door, caplog: pytest.LogCaptureFixture) -> None:
    with Door(door.pool) as fresh:
        for key in ("one", "two"):
            fresh.send(key, uuid4())
    assert caplog.text.count("An unknown key was used from 127.0.0.1") == 1 and "two" not in caplog.text


def test_the_database_goes_and_comes_back_by_itself(cluster: postgres.Cluster, database: str, tmp_path: Path) -> None:
    folder = made.journal(tmp_path, 1)
    with tables.pool(database) as pool, Door(pool) as door:
        key = door.enrol("Bay 1")
        cluster.kill()
        for _ in range(3):
            answer = door.send(key, made.record(folder), made.pieces(folder))
            assert "does not answer just now" in only_a_sentence(answer, 503) and answer.headers["retry-after"]
        cluster.start()
        while (answer := door.send(key, made.record(folder), made.pieces(folder))).status_code == 503:
            pass
        assert answer.json()["committed"] == [made.pieces(folder)[0].hash]
        assert door.events(made.record(folder)) == list(made.pieces(folder)[0].rows)
