"""A process as hardware/worker.py guards one, which misbehaves as it is told: `python -S stub_worker.py PLAN`.

PLAN is a file of JSON: {"starts": [words], "answers": [words]}. Each start and each request takes the next word of its list and does
what it says; after the last all is well. A request that is JSON with a "text" is its own word, and well it is answered b"xy" for each
letter of it; any other by what the recogniser would say. The frames are written anew here, from what worker.py says of them.
"""
from __future__ import annotations

import json
import os
import struct
import sys
import time
from pathlib import Path

HEAD, GOOD, BAD = struct.Struct(">4sII"), b"BWHK", b"BWHN"
UNDERSTOOD = json.dumps({"heard": "seven point two five", "value": "7.25", "accepted": True, "why": None}).encode()
FOR_EVER_S = 600.0


def raw(data: bytes) -> None:
    """The link is a socket, so what stands for the input takes answers too."""
    os.write(0, data)


def send(kind: bytes, number: int, body: bytes) -> None:
    raw(HEAD.pack(kind, number, len(body)) + body)


def hang() -> None:
    time.sleep(FOR_EVER_S)


def next_of(plan: Path, what: str) -> str:
    told = json.loads(plan.read_text())
    word = told[what].pop(0) if told[what] else "good"
    plan.write_text(json.dumps(told))
    return word


def start(word: str) -> None:
    if word == "mute":
        hang()
    if word == "stillborn":
        sys.exit(3)
    if word == "babble":
        raw(os.urandom(4096))
        hang()
    if word == "refuses":
        send(BAD, 0, b"There is no model here.")
        sys.exit(1)
    send(GOOD, 0, b"Hearing with a st\xe4nd-in." if word == "latin" else b"Hearing with a stand-in.")
    if word == "never reads":
        hang()
    if word == "dies later":
        time.sleep(0.2)
        os._exit(9)


def answer(word: str, number: int, good: bytes) -> None:
    match word:
        case "hang":
            hang()
        case "die":
            os._exit(9)
        case "half":
            raw(HEAD.pack(GOOD, number, 1000) + b"x" * 10)
            hang()
        case "half and die":
            raw(HEAD.pack(GOOD, number, 1000))
            os._exit(9)
        case "garbage":
            raw(os.urandom(500))
            hang()
        case "stale":
            send(GOOD, number - 1, good)
        case "huge":
            raw(HEAD.pack(GOOD, number, 2**31))
            hang()
        case "trickle":
            raw(HEAD.pack(GOOD, number, 1000))
            while True:
                raw(b"x")
                time.sleep(0.05)
        case "odd":
            send(GOOD, number, b"xyz")
        case "no json":
            send(GOOD, number, b"seven")
        case "other json":
            send(GOOD, number, b'{"value": 7}')
        case "no":
            send(BAD, number, b"It has a cold.")
        case "flood":
            send(GOOD, number, good)
            while True:
                raw(b"flood" * 1000)
        case _:
            send(GOOD, number, good)


def main() -> None:
    plan, requests = Path(sys.argv[1]), sys.stdin.buffer
    start(next_of(plan, "starts"))
    while len(head := requests.read(HEAD.size)) == HEAD.size:
        _, number, length = HEAD.unpack(head)
        asked = json.loads(requests.read(length).partition(b"\n")[0])
        if "text" in asked:
            answer(asked["text"], number, b"xy" * len(asked["text"]))
        else:
            answer(next_of(plan, "answers"), number, UNDERSTOOD)


if __name__ == "__main__":
    main()
