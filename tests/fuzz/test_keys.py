"""Whatever a hand, a cat or a broken keypad sends: only keys of the map come out, nothing is raised, memory is bounded, and no
reading is taken that was not read back.

Bytes go in whole and one by one; both must give the same keys. With --all a hundred times as many.
"""
from __future__ import annotations

import random
import struct
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.core.answers import TYPED_AT_MOST
from assistant.core.effects import Record, Speak
from assistant.core.events import KeyPressed, Spoken, TestStarted, TimerDue
from assistant.core.machine import step
from assistant.core.state import Phase, State
from assistant.procedures import load
from assistant.rehearsal.script import KEYS as TOKENS
from hardware.input_events import EVENT, Reader
from hardware.terminal import KEYS, METER_KEYS, decode
from hardware.usb_pad import CODES, PadKeys
from tests.property.test_never_stuck import JOB, TRUE

MASHED = (*"0123456789**#####ABD", "A-held")
STATION_KEYS = {*TOKENS, "quit", "light"}
PIECES = [b"\x1b[", b"\x1bO", b"\x1b[3~", b"\x1b", b"[", b"O", b"A", b"0", b"7", b";", b"\x7f", b"\xc3", b"\xa9", b"\xf0\x9f",
          b"\xff", b"\r", b"q", b"#", b"~", b"\x00"]


def times(request: pytest.FixtureRequest, count: int) -> int:
    return count * (100 if request.config.getoption("--all") else 1)


@given(st.binary(max_size=40) | st.lists(st.sampled_from(PIECES), max_size=20).map(b"".join), st.booleans())
def test_any_bytes_of_a_terminal(data: bytes, meter: bool) -> None:
    whole, rest = decode(data, meter=meter, final=True)
    assert rest == b""
    assert all(press.name in {"key": STATION_KEYS, "meter": set(METER_KEYS.values())}.get(press.kind, {press.name})
               and press.name.isprintable() and (meter or press.kind != "meter") for press in whole)
    one_by_one, pending = [], b""
    for byte in data:
        some, pending = decode(pending + bytes([byte]), meter=meter)
        one_by_one += some
        assert len(pending) <= len(data)
    some, pending = decode(pending, meter=meter, final=True)
    assert one_by_one + some == whole and pending == b""
    assert set(KEYS.values()) <= STATION_KEYS


def mashed(chance: random.Random, length: int) -> bytes:
    """Events of a pad as a broken one might send them."""
    rows = []
    for n in range(length):
        kind = chance.choice((1, 1, 1, 1, 0, 4, chance.randrange(65536)))
        code = chance.choice((*CODES, 0, 3, 3, chance.randrange(65536)))
        rows.append(EVENT.pack(chance.choice((n, n // 50, -n, 2 ** 40)), chance.choice((0, 5000, 999999, -1)), kind, code,
                               chance.choice((0, 1, 1, 0, 2, -1, 2 ** 31 - 1))))
    return b"".join(rows)


def keys_of(data: bytes, size: int) -> list[tuple[str, str]]:
    reader, pad, told = Reader(), PadKeys(), []
    for at in range(0, len(data), size):
        for when, code, value in reader.feed(data[at:at + size]):
            told += pad.event(when, code, value)
            told += pad.look(when)
    return told


def test_any_events_of_a_pad(request: pytest.FixtureRequest) -> None:
    pressed = 0
    for seed in range(times(request, 30)):
        chance = random.Random(seed)
        data = mashed(chance, 60)
        if seed % 3 == 0:
            data = bytes(byte ^ (chance.random() < 0.02) for byte in data)[chance.randrange(EVENT.size):]
        told = keys_of(data, len(data) or 1)
        assert told == keys_of(data, 1)
        assert all(name in TOKENS and what in ("press", "hold", "stuck", "freed", "up") for name, what in told)
        pressed += sum(what == "press" for _, what in told)
    assert pressed > 50, "hardly a key came through: this shows nothing"


def test_events_without_end_leave_nothing_behind() -> None:
    reader, pad, data = Reader(), PadKeys(), mashed(random.Random(1), 200)
    tracemalloc.start()
    for _ in range(20):
        for when, code, value in reader.feed(data + b"\x01" * 7):
            pad.event(when, code, value)
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert held < 50_000 and len(reader._rest) < struct.calcsize("llHHi")


@pytest.mark.parametrize("test", ["sequential", "density", "pressure-air"])
def test_mashing_the_keypad_takes_nothing_that_was_not_read_back(test: str, request: pytest.FixtureRequest) -> None:
    longest, taken = 0, 0
    for seed in range(times(request, 10)):
        chance, now, read_back = random.Random(seed), 0.0, ""
        state = step(State(), TestStarted(0.0, test, load(test), JOB.to_mapping(), {}))[0]
        keys: list[str] = []
        for _ in range(400):
            now += chance.choice((0.0, 0.01, 0.3, 1.0, 3.0))
            if state.phase is Phase.ENTRY and not keys and chance.random() < 0.1:   # now and then a reading that can be
                keys = ["C", *TRUE[state.ask.id].replace(".", "*"), "#"] if chance.random() < 0.9 else ["C", *"123456789012"]
            due = [name for name, when in state.timers if when <= now]
            event = TimerDue(now, due[0]) if due else (
                Spoken(now, state.utterance) if chance.random() < 0.3 else
                KeyPressed(now, keys.pop(0) if keys else
                           chance.choice((*MASHED, *(("C-held",) if chance.random() < 0.1 else ())))))
            before = state
            state, effects = step(state, event)
            for effect in effects:
                if isinstance(effect, Speak) and effect.id.endswith((".confirm", ".override")):
                    read_back = effect.text
                if isinstance(effect, Record) and effect.kind == "taken":
                    taken += 1
                    assert before.phase in (Phase.CONFIRM, Phase.OVERRIDE) and read_back, "taken without a read-back"
            longest = max(longest, len(state.typed))
            if state.phase is Phase.OVER:
                break
    assert 1 < longest <= TYPED_AT_MOST
    assert taken, "nothing was ever taken: this shows nothing"
