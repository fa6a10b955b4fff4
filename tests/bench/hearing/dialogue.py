"""Whole dialogues: a simulated attentive technician, real sound, the real ear, the real machine.

    python -m tests.bench.hearing.dialogue [--readings N] [--seed N] [--role all|tune|score] [--snr DB,...] [--jobs N]
                                           [--save FILE] [--pack FILE]

Each item is one reading of an invented test. The technician says it in a random form, voice and noise; looks at the
read-back and answers yes or no truthfully in the same voice and noise; after the second miss, and for a deciding reading's
second entry, says it digit by digit; and keys it after the third refusal, or when told to. Counted: **taken wrong** (the
record holds another value than the gauge showed), finished by voice within two tries, the keypad needed, "no" heard as yes.

--save appends each item as it is done and skips those already there: a run that was cut off goes on. --pack renders the
clean speech of all items into an archive and stops; with $BOWLSIDE_BENCH_PACK naming it, another machine needs only numpy,
soxr, pocketsphinx and pyrnnoise. Every item is seeded by its number, so the number of processes changes nothing.
"""
from __future__ import annotations

import argparse
import functools
import json
import multiprocessing
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core.effects import Record
from assistant.core.events import Event, Heard, KeyPressed, Spoken, TestStarted, Unclear
from assistant.core.machine import step
from assistant.core.procedure import build as build_procedure
from assistant.core.spoken import digits
from assistant.core.state import Phase, Reading, State
from assistant.core.turn import expected
from assistant.procedures import load
from models.ear import Ear, Understood, open_ear
from models.wav import RATE, to_pcm
from tests.bench.hearing import noises
from tests.bench.hearing.a_test import SETTINGS, readings
from tests.bench.hearing.corpus import all_talk, one_form, pack
from tests.bench.hearing.places import Scene, in_scene
from tests.bench.hearing.scorer import at_most
from tests.bench.hearing.voices import MANNERS, Saying, Voice, clean, speaking

REFUSALS_THEN_KEYS = 3
ANSWERS_AT_MOST = 40
"""A dialogue that is still not over then is a fault of the bench or the machine: told, never dropped."""
VALUES = 250
"""Tests invented in all: few enough that every sentence can be rendered beforehand, noise is new each time."""
SNR = "20,10,5,0"


def event_of(understood: Understood, at: float) -> Event | None:
    """As assistant/station/ears.py tells the machine (not imported: it wants the sound libraries, which a rented machine lacks)."""
    if understood.heard is None:
        return None
    if understood.accepted or understood.value is not None:
        return Heard(at, understood.heard)
    return Unclear(at, understood.why or "", understood.heard, apart=understood.apart)


class Technician:
    """One person in one noise, with one gauge value before his eyes."""

    def __init__(self, seed: int, number: int, role: str, ratios: tuple[float, ...]) -> None:
        self.chance = random.Random(f"{seed} dialogue {number}")
        found = readings(random.Random(f"test {self.chance.randrange(VALUES)}"))
        at = self.chance.randrange(len(found))
        self.before, (self.name, self.value) = dict(found[:at]), found[at]
        self.voice: Voice = self.chance.choice([one for one in speaking(role)
                                                if one.can_say(digits(self.value).replace(",", ""))])
        self.manner = self.chance.randrange(MANNERS)
        kinds = noises.kinds("tune" if role == "tune" else "all")
        self.scene = Scene(self.chance.choice(kinds), self.chance.choice(ratios), self.chance.choice(("close", "close", "room")))
        self.form, self.whole = one_form(self.value, self.voice, self.chance)
        self.single = digits(self.value).replace(",", "")

    def sayings(self) -> Iterator[Saying]:
        """All that he may say: for packing."""
        for words in (self.whole, self.single, "yes", "no"):
            if self.voice.can_say(words):
                yield Saying(self.voice.name, words, self.manner)

    def sound(self, words: str) -> bytes | None:
        """New noise each time; None where this voice lacks the word (recorded people): he presses the key then."""
        if not self.voice.can_say(words):
            return None
        scene = replace(self.scene, seed=self.chance.randrange(10**9))
        return to_pcm(in_scene(clean(Saying(self.voice.name, words, self.manner)), scene))


@functools.cache
def _start() -> State:
    data = load("sequential")
    state, _ = step(State(), TestStarted(0.0, "sequential", data, SETTINGS.to_mapping(), {}))
    return state


@functools.cache
def _index(name: str) -> int:
    return build_procedure(load("sequential"), SETTINGS).index(name)


def at_reading(name: str, before: dict[str, Decimal]) -> State:
    """The machine's state as it asks for this reading after those."""
    taken = tuple(Reading(one, value, "psi", (), 0.0) for one, value in before.items())
    return replace(_start(), index=_index(name), phase=Phase.ENTRY, readings=taken, timers=(), hold=None, listening=True,
                   spoken=_start().utterance, cautions=())


def dialogue(ear: Ear, man: Technician) -> dict[str, Any]:
    """One reading from being asked to being taken."""
    state, now = at_reading(man.name, man.before), 10.0
    told: Counter[str] = Counter()
    taken: str | None = None
    tries, refusals, keyed_reading = 0, 0, False

    def post(event: Event) -> list[Record]:
        nonlocal state
        records = []
        state, effects = step(state, event)
        records += [effect for effect in effects if isinstance(effect, Record)]
        while state.spoken < state.utterance:       # the station ends what it says before he answers
            state, effects = step(state, Spoken(now, state.utterance))
            records += [effect for effect in effects if isinstance(effect, Record)]
        return records

    for _ in range(ANSWERS_AT_MOST):
        now += 3.0
        prompt, expect = state.prompt, expected(state)
        records: list[Record] = []
        if state.phase is Phase.ENTRY:
            second = state.first is not None
            if refusals >= REFUSALS_THEN_KEYS or second and (state.first.source != "voice" or state.first.form != "whole"):
                keyed_reading = keyed_reading or refusals >= REFUSALS_THEN_KEYS
                told["keyings"] += 1
                for key in [*f"{man.value:f}".replace(".", "*"), "#"]:
                    now += 0.3
                    records += post(KeyPressed(now, key))
            else:
                tries += 1
                pcm = man.sound(man.single if second or refusals >= 1 else man.whole)
                records = _hear(ear, pcm, expect, post, now)
                offered = [one.fields["value"] for one in records if one.kind == "proposed"]
                told["offered wrong"] += sum(value != man.value for value in offered)
                refusals += 0 if offered else 1
        elif state.phase is Phase.CONFIRM and state.proposed is not None:
            right = state.proposed.value == man.value
            pcm = man.sound("yes" if right else "no") if told["unclear answers"] < 3 else None
            if pcm is None:
                records = post(KeyPressed(now, "#" if right else "C"))
            else:
                records = _hear(ear, pcm, expect, post, now)
                told["answers"] += 1
            if state.prompt == prompt:
                told["unclear answers"] += 1
            else:
                told["unclear answers"] = 0
                yes = not any("said no" in str(one.fields.get("why")) for one in records)
                told["no heard as yes"] += not right and yes
                told["yes heard as no"] += right and not yes
                told["said no"] += not right
                refusals += 0 if yes else 1
        elif state.phase is Phase.OVERRIDE:         # it is not outside its band: trim again
            records = post(KeyPressed(now, "#"))
            refusals += 1
        elif state.phase is Phase.SCRAP:
            told["scrap asked"] += 1
            records = post(KeyPressed(now, "C"))
        else:
            told["strayed"] += 1                    # a command was heard: he takes it back by key
            break
        found = [one.fields for one in records if one.kind == "taken" and one.fields["id"] == man.name]
        if found:
            taken = f"{found[0]['value']:f}"
            break
    entries = 2 if "equilibrium" in man.name and man.name.endswith(".3") else 1
    return {"name": man.name, "truth": f"{man.value:f}", "taken": taken, "tries": tries, "entries": entries,
            "keyed": keyed_reading,
            "voice": man.voice.name, "noise": man.scene.noise, "snr": man.scene.snr_db, "form": man.form, **told}


def _hear(ear: Ear, pcm: bytes | None, expect: Any, post: Any, now: float) -> list[Record]:
    if pcm is None:
        return []
    event = event_of(ear.understand(pcm, RATE, expect), now)
    return post(event) if event is not None else post(Unclear(now, "nothing", ""))


_setting: tuple[int, str, tuple[float, ...]] = (1, "all", ())
_ear: Ear | None = None


def _begin(*setting: Any) -> None:
    global _ear, _setting
    _setting, _ear = setting, open_ear()      # type: ignore[assignment]


def item(number: int) -> dict[str, Any]:
    assert _ear is not None
    seed, role, ratios = _setting
    return {"item": number, **dialogue(_ear, Technician(seed, number, role, ratios))}


def report(done: list[dict[str, Any]]) -> Iterator[str]:
    yield ("| noise ratio | readings | taken wrong (at most, 95 %) | finished by voice within two tries | keypad needed | "
           "offered wrong | \"no\" heard as yes | not finished |\n|---|---|---|---|---|---|---|---|")
    for snr in [*sorted({one["snr"] for one in done}, reverse=True), None]:
        some = [one for one in done if snr in (None, one["snr"])]
        wrong = sum(one["taken"] not in (None, one["truth"]) for one in some)
        quick = sum(one["taken"] == one["truth"] and not one["keyed"] and one["tries"] <= 1 + one["entries"] for one in some)
        nos = sum(one.get("said no", 0) for one in some)
        yield (f"| {'all' if snr is None else f'{snr:.0f} dB'} | {len(some)} | {wrong} ({at_most(wrong, len(some)):.2f} %) "
               f"| {100 * quick / len(some):.1f} % | {100 * sum(one['keyed'] for one in some) / len(some):.1f} % "
               f"| {sum(one.get('offered wrong', 0) for one in some)} | {sum(one.get('no heard as yes', 0) for one in some)} "
               f"of {nos} | {sum(one['taken'] is None for one in some)} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--role", choices=("tune", "score", "all"), default="all")
    parser.add_argument("--snr", default=SNR)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--save", type=Path)
    parser.add_argument("--pack", type=Path)
    args = parser.parse_args()
    ratios = tuple(float(one) for one in args.snr.split(","))
    if args.pack:
        said = (one for number in range(args.readings) for one in Technician(args.seed, number, args.role, ratios).sayings())
        print(f"{pack(args.pack, [*said, *all_talk(args.role)])} sayings in {args.pack}")
        return
    done = [json.loads(line) for line in args.save.read_text().splitlines()] if args.save and args.save.exists() else []
    left = sorted(set(range(args.readings)) - {one["item"] for one in done})
    began = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(args.jobs, _begin, (args.seed, args.role, ratios)) as pool:
        for one in pool.imap_unordered(item, left, 2):
            done.append(one)
            if args.save:
                with open(args.save, "a", encoding="utf-8") as file:
                    file.write(json.dumps(one) + "\n")
            if len(done) % 50 == 0:
                print(f"{len(done)}, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    print("\n".join(report(done)))
    for one in done:
        if one["taken"] not in (None, one["truth"]) or one.get("no heard as yes"):
            print(f"- {one}")


if __name__ == "__main__":
    from tests.bench.hearing import dialogue as itself  # so that a process of the pool finds its functions by name

    itself.main()
