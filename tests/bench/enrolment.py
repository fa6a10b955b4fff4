"""What two minutes of a voice bring, on voices that the shipped model was never trained on:

    python -m tests.bench.enrolment [--folder DIR] [--voices NAME ...] [--tune] [--each N]

Own model alone, strict grammar, exact sentences in %, before and after, clean and 20 and 10 dB over made noise (the bench's).

festival's voices say the script as it is, at their own rate and pitch, and are tested on other sentences at other rates and
pitches. Of the two people only single recorded words exist, one take each, so that two sentences of the same word would hold
the same recording: their words are dealt into two halves, one is adapted on and only the other is tested, and then the other way
round, several times. So a word tested was never adapted on, and neither was any recording. That is harder than life, where
every digit is in the script.
"""
from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from assistant.core.commands import COMMANDS
from assistant.enrol import other_voices, script
from models import enrolled, enrolment, grammar
from models.own_model import OwnModel
from models.enrolment import HELD_EVERY, Outcome, Said
from models.grammar import EVERYTHING
from tests.bench.hearing import noises
from tests.bench.hearing.places import Scene, in_scene
from tests.bench.hearing.voices import FROM_0_TO_20, TENS, Saying, Voice, clean, voices

RATIOS = (None, 20.0, 10.0)
PEOPLE = {"words of a woman": [*FROM_0_TO_20, *TENS, "oh"], "words of a man": FROM_0_TO_20[:10]}
DEALS = 3
"""Ways to deal a person's words into two halves."""
LONGEST = 5


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.enrolment", description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, default=enrolled.SHIPPED, help="the model (the shipped one)")
    parser.add_argument("--voices", nargs="*", help="names from tests/bench/hearing/speakers.toml")
    parser.add_argument("--tune", action="store_true", help="the voices that settings may be chosen on, not those that score")
    parser.add_argument("--each", type=int, default=60, help="sentences tested of each voice and condition (60)")
    given = parser.parse_args()
    own = OwnModel(given.folder)
    totals = []
    for voice in voices().values():
        if voice.role == ("tune" if given.tune else "score") and voice.engine not in ("prose", "strings", "station") and (
                not given.voices or voice.name in given.voices):
            rows = measured(own, voice, given.each)
            totals.append(rows)
            print(_line(voice.name, rows), flush=True)
    print(_line("all", np.mean(totals, axis=0)))


def measured(own: OwnModel, voice: Voice, each: int) -> np.ndarray:
    """Share of sentences that are right: (conditions, before and after)."""
    others = other_voices()
    began, kept, shares = time.monotonic(), [], []
    for said, tests, sentences in _lessons(voice, each):
        outcome = enrolment.adapt(own.network, said, own.lexicon,
                                  lambda network, among=sentences: own.hears(network, among), others)
        kept.append(outcome.kept)
        shares.append([[_right(hear, voice, tests, ratio) for hear in _both(own, outcome, sentences)] for ratio in RATIOS])
    print(f"  {voice.name}: kept {sum(kept)} of {len(kept)}, {time.monotonic() - began:.0f} s in all", flush=True)
    return np.mean(shares, axis=0)


def _both(own: OwnModel, outcome: Outcome, sentences: grammar.Automaton | None) -> list[Callable[[np.ndarray], str]]:
    before = own.hears(own.network, sentences)
    return [before, own.hears(outcome.network, sentences) if outcome.kept else before]


def _right(hear: Callable[[np.ndarray], str], voice: Voice, tests: Sequence[str], ratio: float | None) -> float:
    """The same sounds for either network: all chance hangs on the sentence."""
    chance = random.Random(f"{voice.name} {ratio}")
    right = 0
    for number, text in enumerate(tests):
        kind = chance.choice(noises.kinds(voice.role if voice.role == "tune" else "all")) if ratio is not None else ""
        scene = Scene(kind, ratio, "close", chance.randrange(10**9))
        right += hear(in_scene(clean(Saying(voice.name, text, 1 + number % 3)), scene)) == text
    return right / len(tests)


def _lessons(voice: Voice, each: int) -> Iterator[tuple[list[Said], list[str], grammar.Automaton | None]]:
    """What is adapted on, what is tested, and the grammar (None: the station's)."""
    chance = random.Random(f"{voice.name} lessons")
    if voice.engine not in PEOPLE:
        spoken = script()
        yield _as_said(voice, spoken), _others(chance, each, spoken), None
        return
    for _ in range(DEALS):
        words = chance.sample(PEOPLE[voice.engine], len(PEOPLE[voice.engine]))
        halves = words[::2], words[1::2]
        for learned, tested in (halves, halves[::-1]):
            spoken = [" ".join(chance.choices(learned, k=chance.randint(2, LONGEST))) for _ in range(36)]
            tests = [" ".join(chance.choices(tested, k=chance.randint(2, LONGEST))) for _ in range(each)]
            yield _as_said(voice, spoken), tests, _any_of(words)


def _as_said(voice: Voice, texts: Sequence[str]) -> list[Said]:
    """In a quiet yard: a hiss 40 dB below the voice."""
    return [Said(text, in_scene(clean(Saying(voice.name, text)), Scene("hiss", 40.0, "close", number)),
                 number % HELD_EVERY == HELD_EVERY - 1) for number, text in enumerate(texts)]


def _others(chance: random.Random, each: int, spoken: Sequence[str]) -> list[str]:
    """Two readings for each command, none of them in the script."""
    out: dict[int, list[tuple[str | None, int]]] = {}
    graph = grammar.automaton(EVERYTHING, commands=False)
    for frm, word, to in graph.arcs:
        out.setdefault(frm, []).append((word, to))
    phrases = [phrase for phrases in COMMANDS.values() for phrase in phrases if phrase not in spoken]
    found: list[str] = []
    while len(found) < each:
        at, said = graph.start, []
        while at != graph.end:
            word, at = chance.choice(out[at])
            said += [word] if word else []
        text = " ".join(said) if len(found) % 3 < 2 else chance.choice(phrases)
        found += [text] if text not in spoken else []
    return found


def _any_of(words: Sequence[str]) -> grammar.Automaton:
    """Any one to LONGEST of the words in a row."""
    built = grammar.Automaton(start=1, end=0)
    for place in range(1, LONGEST + 1):
        built.arcs += [(place, word, place + 1) for word in words] + [(place + 1, None, 0)]
    return built


def _line(name: str, rows: np.ndarray) -> str:
    cells = (f"{'clean' if ratio is None else f'{ratio:.0f} dB'} {100 * before:.0f} -> {100 * after:.0f}"
             for ratio, (before, after) in zip(RATIOS, rows, strict=True))
    return f"{name}: {', '.join(cells)}"


if __name__ == "__main__":
    main()
