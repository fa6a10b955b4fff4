"""Hours of noise, talk and the station's own voice at its microphone: what is cut, offered and taken.

    python -m tests.bench.hearing.idle [--hours H] [--seed N] [--role all|tune|score] [--jobs N] [--save FILE]

Nobody answers the station. Three-minute pieces of sound (site noise that changes, people talking near and far, the station's
own prompts as a deaf time that is too short would let through) run through the real listener, the real ear and the real
machine, which asks for a reading, for yes or no, or for a command. **Offered**: a value was read back. **Taken**: it was
then also confirmed by the same kind of sound. Each piece is seeded by its number; --save appends and goes on.
"""
from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np

from assistant.core.effects import Record
from assistant.core.events import Event, Spoken
from assistant.core.machine import step
from assistant.core.state import Entry, Phase, State
from assistant.core.turn import expected
from models.ear import Ear, open_ear
from models.listener import Listener, end_wait
from models.wav import RATE, to_pcm
from tests.bench.hearing import noises
from tests.bench.hearing.a_test import readings
from tests.bench.hearing.corpus import station_says
from tests.bench.hearing.dialogue import at_reading, event_of
from tests.bench.hearing.places import placed
from tests.bench.hearing.voices import MANNERS, Saying, clean, speaking

PIECE_S = 180
BLOCK = 1600
KINDS = ("noise", "talk", "the station")


Talk = Callable[[random.Random], np.ndarray]
"""Gives clean words that somebody says, (samples,) at 16 kHz."""


def sound(kind: str, seed: str, role: str, talk: Talk | None = None) -> np.ndarray:
    """Three minutes of it, (samples,) at 16 kHz. talk: what people say; the bench's voices."""
    chance, dice = random.Random(seed), np.random.default_rng(list(seed.encode()))
    made = np.zeros(PIECE_S * RATE, np.float32)
    at = 0
    while at < len(made):       # the noise changes every 5 to 30 s
        part = noises.noise(chance.choice(noises.kinds("tune" if role == "tune" else "all")), int(chance.uniform(5, 30) * RATE),
                            dice)
        part = part[:len(made) - at] * 10 ** (chance.uniform(-30, 0) / 20)
        made[at:at + len(part)] += part
        at += len(part)
    people = [voice for voice in speaking(role) if voice.can_say("talk")]
    said = station_says()
    at = int(chance.uniform(1, 4) * RATE)
    while kind != "noise" and at < len(made):
        if kind == "the station":
            words = clean(Saying("the station", chance.choice(said)))
        elif talk is not None:
            words = talk(chance)
        else:
            words = clean(Saying(chance.choice(people).name, chance.choice(noises.TALK), chance.randrange(MANNERS)))
        words = placed(words, chance.choice(("close", "room", "far")), dice)[:len(made) - at]
        made[at:at + len(words)] += (words * 10 ** (chance.uniform(-20, 3) / 20)).astype(np.float32)
        at += len(words) + int(chance.uniform(0.5, 6) * RATE)
    return np.clip(made, -1, 1)


def asking(number: int) -> State:
    """A reading is asked for; every third piece one is already read back, and a yes would take it."""
    chance = random.Random(f"asking {number}")
    found = readings(chance)
    at = chance.randrange(len(found))
    state = at_reading(found[at][0], dict(found[:at]))
    if number // len(KINDS) % 3 == 2:
        off = found[at][1] + Decimal("0.03")
        state = replace(state, phase=Phase.CONFIRM, proposed=Entry(off, "voice", "whole", f"{off}"))
    return state


def piece(number: int, seed: int, role: str, ear: Ear, talk: Talk | None = None) -> dict[str, Any]:
    """One piece through everything. It begins anew after whatever was taken, and after 20 s of a read-back nobody answers."""
    kind = KINDS[number % len(KINDS)]
    listener, counts = Listener(), Counter()
    fresh = state = asking(number)
    since = 0.0
    pcm = to_pcm(sound(kind, f"{seed} {number}", role, talk))
    for at in range(0, len(pcm), 2 * BLOCK):
        now = at / 2 / RATE
        if state is not fresh and now - since > 20:
            state = fresh
        for utterance in listener.feed(pcm[at:at + 2 * BLOCK], end_wait(expected(state).kind)):
            counts["cut"] += 1
            event = event_of(ear.understand(utterance, RATE, expected(state)), 10 + now)
            if event is None:
                continue
            state, records = _handled(state, event)
            since = now
            for one in records:
                counts["offered"] += one.kind == "proposed"
                if one.kind == "taken":
                    counts["taken"] += 1
                    counts[f"taken {one.fields['value']} at {one.fields['id']}"] += 1
            kinds = {one.kind for one in records}
            counts["commands"] += "heard" in kinds and "proposed" not in kinds
            if any(one.kind == "taken" for one in records) or state.phase not in (Phase.ENTRY, Phase.CONFIRM):
                state = fresh
    return {"piece": number, "kind": kind, "asked": fresh.phase.value, **counts}


def _handled(state: State, event: Event) -> tuple[State, list[Record]]:
    state, effects = step(state, event)
    found = list(effects)
    while state.spoken < state.utterance:
        state, effects = step(state, Spoken(event.at, state.utterance))
        found += effects
    return state, [one for one in found if isinstance(one, Record)]


_ear: Ear | None = None
_setting: tuple[int, str] = (1, "all")


def _begin(seed: int, role: str) -> None:
    global _ear, _setting
    _ear, _setting = open_ear(), (seed, role)


def work(number: int) -> dict[str, Any]:
    assert _ear is not None
    return piece(number, *_setting, _ear)


def report(done: list[dict[str, Any]]) -> Iterator[str]:
    yield "| sound | asked for | hours | utterances cut | commands or words heard | values offered | values taken |"
    yield "|---|---|---|---|---|---|---|"
    for kind in (*KINDS, None):
        for asked in (("entry", "confirm") if kind else (None,)):
            some = [one for one in done if kind in (None, one["kind"]) and asked in (None, one["asked"])]
            cells = [sum(one.get(name, 0) for one in some) for name in ("cut", "commands", "offered", "taken")]
            yield f"| {kind or 'all'} | {asked or ''} | {len(some) * PIECE_S / 3600:.2f} | {' | '.join(map(str, cells))} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=0.5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--role", choices=("tune", "score", "all"), default="all")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--save", type=Path)
    args = parser.parse_args()
    done = [json.loads(line) for line in args.save.read_text().splitlines()] if args.save and args.save.exists() else []
    left = sorted(set(range(round(args.hours * 3600 / PIECE_S))) - {one["piece"] for one in done})
    with multiprocessing.get_context("spawn").Pool(args.jobs, _begin, (args.seed, args.role)) as pool:
        for one in pool.imap_unordered(work, left):
            done.append(one)
            print(one, file=sys.stderr, flush=True)
            if args.save:
                with open(args.save, "a", encoding="utf-8") as file:
                    file.write(json.dumps(one) + "\n")
    print("\n".join(report(done)))


if __name__ == "__main__":
    from tests.bench.hearing import idle as itself

    itself.main()
