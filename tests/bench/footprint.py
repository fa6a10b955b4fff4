"""What hearing costs this machine: time to load, time to hear, memory; each way in a process of its own.

    python -m tests.bench.footprint [FOLDER] [--count N] [--seed N]

FOLDER: the station's own speech model (models/own). Every way hears the same sounds of tuning voices: readings, commands, and
noise while either is awaited. Ratios are to the closed grammar of pocketsphinx alone, the sound as it is, in the same run.

Times to hear are processor time of the whole process; load and answer are by the clock, so run nothing beside. The station
decodes on trial after half of the silence that ends an utterance (0.7 s for a reading, 0.4 s else), so an answer that takes up
to the other half costs no waiting.
"""
from __future__ import annotations

import argparse
import json
import os
import pickle
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

GROUPS = ("readings", "commands", "noise")
WARM = 50
"""Utterances after which caches are full: what memory grows by later is a leak, or the way to one."""


def keep(path: Path, clips: Iterable[Any]) -> None:
    """Writes clips one by one, so that who hears them need not hold them all in memory."""
    with path.open("wb") as file:
        for clip in clips:
            pickle.dump({"group": clip.group, "expect": clip.expect, "truth": clip.truth, "pcm": clip.pcm}, file)
            clip.__dict__.pop("pcm", None)


def kept(path: Path) -> Iterator[SimpleNamespace]:
    with path.open("rb") as file:
        while True:
            try:
                yield SimpleNamespace(**pickle.load(file))
            except EOFError:
                return


def chosen(seed: int, count: int) -> list[Any]:
    """So many clips, the kinds in turn, each clip once as long as there are enough."""
    from tests.bench.hearing import corpus

    kinds: dict[str, list[Any]] = {word: [] for word in GROUPS}
    each = -(-count // 100)
    for clip in corpus.build(seed, each, "tune"):
        for word in GROUPS:
            if clip.group.startswith(word):
                kinds[word].append(clip)
    for clips in kinds.values():
        random.Random(seed).shuffle(clips)
    return [kinds[GROUPS[n % 3]][n // 3 % len(kinds[GROUPS[n % 3]])] for n in range(count)]


# --- one way, in a process of its own ---------------------------------------------------------------------------------------


def own_search(folder: Path) -> Callable[[Any], float]:
    """One strict search of the own model, the sound as it is. What a way gives: seconds by the clock."""
    from models.vosk_engine import VoskEngine
    from models.wav import RATE, to_sound

    engine = VoskEngine(folder, second=False)
    return _timed(lambda clip: engine.hear_strictly(to_sound(clip.pcm, RATE)))


def own_alone(folder: Path) -> Callable[[Any], float]:
    """All that the own model gives to a vote."""
    from models.own_engine import OwnEngine
    from models.wav import RATE, to_sound

    engine = OwnEngine(folder)
    return _timed(lambda clip: list(engine.decodings(to_sound(clip.pcm, RATE), clip.expect)))


def whole_ear(folder: Path) -> Callable[[Any], float]:
    from models.ear import open_ear
    from models.wav import RATE

    ear = open_ear()
    print(ear.sentence, file=sys.stderr)
    return lambda clip: ear.understand(clip.pcm, RATE, clip.expect).decode_s


def closed_grammar(folder: Path) -> Callable[[Any], float]:
    from tests.bench.hearing.ways import ClosedGrammar

    way = ClosedGrammar()
    return lambda clip: way(clip).decode_s


def _timed(hear: Callable[[Any], Any]) -> Callable[[Any], float]:
    def timed(clip: Any) -> float:
        began = time.perf_counter()
        hear(clip)
        return time.perf_counter() - began
    return timed


BASELINE = "pocketsphinx, closed grammar"
WAYS = {BASELINE: closed_grammar, "own model, one search": own_search, "own model, all it gives": own_alone,
        "the station's ear": whole_ear}


def measured(name: str, folder: Path, clips: Path | None) -> dict[str, float]:
    """Figures of one way, of its loading alone without clips; to be called once in a fresh process."""
    began = time.perf_counter()
    way = WAYS[name](folder)
    found = {"load, s": time.perf_counter() - began, "memory at most after loading, MB": _memory("VmHWM")}
    if clips is None:
        return found
    answers, cpu, sound = [], dict.fromkeys(GROUPS, 0.0), dict.fromkeys(GROUPS, 0.0)
    in_use = []
    for number, clip in enumerate(kept(clips), 1):
        kind = next(word for word in GROUPS if clip.group.startswith(word))
        before = time.process_time()
        answers.append(way(clip))
        cpu[kind] += time.process_time() - before
        sound[kind] += len(clip.pcm) / 2 / 16000
        in_use.append(_memory("VmRSS"))
        if number == WARM:
            found[f"memory at most after {WARM} utterances, MB"] = _memory("VmHWM")
    answers.sort()
    found["real-time factor"] = sum(cpu.values()) / sum(sound.values())
    found |= {f"real-time factor, {word}": cpu[word] / sound[word] for word in GROUPS}
    found |= {"answer after the end of speech, median, s": answers[len(answers) // 2],
              "the same, 95 of 100, s": answers[int(0.95 * len(answers))], "the same, longest, s": answers[-1]}
    found[f"memory at most after {len(answers)} utterances, MB"] = _memory("VmHWM")
    later = in_use[WARM - 1:]
    found[f"growth in use over {len(later) - 1} utterances, MB"] = later[-1] - later[0]
    found["growth over the second half of these, MB"] = later[-1] - later[len(later) // 2]
    return found


def _memory(line: str) -> float:
    """MB. VmHWM is the most ever resident, as ru_maxrss is; but that keeps what the parent had before exec."""
    status = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(row.split()[1]) for row in status if row.startswith(f"{line}:")) / 1024


# --- all of them -------------------------------------------------------------------------------------------------------------


def in_a_process(name: str, folder: Path, clips: Path) -> dict[str, float]:
    """Loaded twice: the first load writes the model's graph into a cache, later ones find it there."""
    with tempfile.TemporaryDirectory(prefix="bowlside-footprint-") as cache:
        first = _child(name, folder, None, cache)
        return {"first load, s": first["load, s"]} | _child(name, folder, clips, cache)


def _child(name: str, folder: Path, clips: Path | None, cache: str) -> dict[str, float]:
    heard = ["--clips", str(clips)] if clips else []
    done = subprocess.run([sys.executable, "-m", "tests.bench.footprint", str(folder), "--way", name, *heard],
                          env=os.environ | {"XDG_CACHE_HOME": cache}, stdout=subprocess.PIPE, text=True, check=True)
    return json.loads(done.stdout.splitlines()[-1])


def table(found: dict[str, dict[str, float]]) -> list[str]:
    """Markdown: a row a figure, a column a way; in brackets the ratio to the baseline."""
    lines = [f"| | {' | '.join(found)} |", f"|---|{'---|' * len(found)}"]
    for figure, base in found[BASELINE].items():
        plain = figure.startswith("growth")         # near nothing, so no ratio
        cells = [_short(way[figure]) + ("" if plain or way is found[BASELINE] else f" ({way[figure] / base:.2f}×)")
                 for way in found.values()]
        lines.append(f"| {figure} | {' | '.join(cells)} |")
    return lines


def _short(number: float) -> str:
    return f"{number:.0f}" if abs(number) >= 10 else f"{number:.1f}" if abs(number) >= 2 else f"{number:.3f}"


def main() -> None:
    own = Path(__file__).resolve().parents[2] / "models" / "own"
    parser = argparse.ArgumentParser(prog="python -m tests.bench.footprint", description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=own, help="the own model (models/own)")
    parser.add_argument("--count", type=int, default=WARM + 300, help=f"utterances, more than {WARM} ({WARM + 300})")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--way", choices=WAYS, help=argparse.SUPPRESS)          # what a process of its own is told
    parser.add_argument("--clips", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.way:
        print(json.dumps(measured(given.way, given.folder, given.clips)))
        return
    if not (given.folder / "am" / "final.mdl").is_file():
        parser.error(f"{given.folder} is no speech model; give the folder of one")
    if given.count <= WARM:
        parser.error(f"--count must be more than {WARM}")
    with tempfile.TemporaryDirectory(prefix="bowlside-footprint-") as work:
        clips = Path(work) / "clips"
        keep(clips, chosen(given.seed, given.count))
        found = {}
        for name in WAYS:
            print(name, file=sys.stderr, flush=True)
            found[name] = in_a_process(name, given.folder, clips)
        seconds = sum(len(clip.pcm) for clip in kept(clips)) / 2 / 16000
    print("\n".join(table(found)))
    print(f"\n{given.count} utterances, {seconds:.0f} s of sound; {os.cpu_count()} cores, "
          f"{os.getloadavg()[0]:.1f} busy at the end, this bench one of them.")


if __name__ == "__main__":
    main()
