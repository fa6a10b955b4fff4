"""The exam of people: what the station's ear makes of strangers, then of the bench's own voices, as Markdown.

    python -m tests.bench.hearing.exam [--people FOLDER] [--role exam|tune] [--rows WORD,...] [--count N] [--hours H]
                                       [--synthetic N] [--ways ours,own] [--seed N] [--jobs N] [--save FILE --ear NAME]
    python -m tests.bench.hearing.exam --from FILE [--ear NAME]           the tables of what was kept, without hearing again
    python -m tests.bench.hearing.exam --from FILE --compare EAR EAR      two ears on the same clips, pair by pair

Choose settings with ``--role tune``; what ``exam`` shows may not choose anything. --rows keeps to rows whose name has one of
the words; --count is the most clips of a row and condition; --hours of noise and talk, --synthetic readings of each synthetic
voice (0: none). --save appends each clip's result under the name of the ear (JSON lines), and goes on after a cut.
"""
from __future__ import annotations

import argparse
import functools
import json
import multiprocessing
import random
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from models.ear import Ear, open_ear
from tests.bench.hearing import corpus, idle, strangers
from tests.bench.hearing.exam_tables import compared, tables
from tests.bench.hearing.people import DEFAULT, people, said, sound_of
from tests.bench.hearing.ways import WAYS

Row = dict[str, Any]
BENCH = "the bench"
"""Its own voices: synthetic ones, and one recorded woman and man."""
Clip = strangers.Clip | corpus.Clip

_clips: list[Clip] = []
_ways: dict[str, Any] = {}


def clips(args: argparse.Namespace) -> list[Clip]:
    """All that the rows asked for hear, people first."""
    wanted = [word for word in args.rows.split(",") if word]

    def asked(name: str) -> bool:
        return not wanted or any(word in name for word in wanted)

    names = tuple(name for name in strangers.ROWS if asked(name))
    found: list[Clip] = list(strangers.build(args.people, args.seed, args.role, names, args.count)) if names else []
    if args.synthetic and asked(BENCH):
        role = "tune" if args.role == "tune" else "score"
        found += [clip for clip in corpus.build(args.seed, args.synthetic, role) if clip.group == "readings"]
    return found


def heard(clip: Clip, way: str) -> Row:
    """One clip through one way, and what it cost; its sound is made before."""
    group = clip.group if isinstance(clip, strangers.Clip) else f"{BENCH}: {_kind(clip.speaker)}"
    audio_s = len(clip.pcm) / 32000
    began = time.process_time()
    found = _ways[way](clip)
    took = time.process_time() - began
    return {"way": way, "clip": clip.ident, "group": group, "condition": clip.condition, "speaker": clip.speaker,
            "accent": clip.accent, "noise": clip.scene.noise, "form": clip.form, "text": clip.text, "truth": clip.truth,
            "heard": found.heard, "value": found.value if found.accepted else None, "audio_s": round(audio_s, 3),
            "cpu_s": round(took, 4)}


def _kind(voice: str) -> str:
    return voice if voice.startswith("recorded") else voice.split()[0]


def talk_of(folder: Path, role: str) -> idle.Talk:
    """What strangers say that is none of ours, for the hours of talk: words and sentences."""
    said_by = [clip for person in people(role) for kind, clip in said(folder, person) if kind == "talk"]

    def talk(chance: random.Random) -> np.ndarray:
        row = [sound_of(folder, chance.choice(said_by)) for _ in range(chance.randint(1, 3))]
        return np.concatenate([sound * (0.5 / max(float(np.abs(sound).max()), 1e-6)) for sound in row])
    return talk


_args: argparse.Namespace


def _begin(args: argparse.Namespace) -> None:
    global _args
    _args = args
    _clips[:] = clips(args)
    _ways.update((name, WAYS[name]()) for name in args.ways.split(","))


@functools.cache
def _ear() -> Ear:
    return open_ear()


def _work(job: tuple[str, int, str]) -> Row:
    kind, number, way = job
    if kind == "clip":
        clip = _clips[number]
        row = heard(clip, way)
        clip.__dict__.pop("pcm", None)
        return row
    began = time.process_time()
    found = idle.piece(number, _args.seed, "tune" if _args.role == "tune" else "all", _ear(), talk_of(_args.people, _args.role))
    return {"way": "ours", "clip": f"{_args.role} {_args.seed} hour {number}", "group": "hours", "cpu_s": time.process_time() - began,
            "audio_s": idle.PIECE_S, **found}


def jobs(args: argparse.Namespace, done: set[tuple[str, str]]) -> Iterator[tuple[str, int, str]]:
    for number, clip in enumerate(clips(args)):
        yield from (("clip", number, way) for way in args.ways.split(",") if (way, clip.ident) not in done)
    if args.rows:
        return
    pieces = [n for n in range(10**4) if idle.KINDS[n % len(idle.KINDS)] in ("noise", "talk")]
    for number in pieces[:round(args.hours * 3600 / idle.PIECE_S)]:
        if ("ours", f"{args.role} {args.seed} hour {number}") not in done:
            yield "hour", number, "ours"


def run(args: argparse.Namespace) -> list[Row]:
    """The rows of this ear, those kept before too."""
    rows = [row for row in kept(args.save) if row["ear"] == args.ear] if args.save and args.save.exists() else []
    left = list(jobs(args, {(row["way"], row["clip"]) for row in rows}))
    began = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(args.jobs, _begin, (args,)) as pool:
        for row in pool.imap(_work, left):
            rows.append(row | {"ear": args.ear})
            if args.save:
                with open(args.save, "a", encoding="utf-8") as file:
                    file.write(json.dumps(rows[-1]) + "\n")
            if len(rows) % 50 == 0:
                print(f"{len(rows)}, of which {len(left)} now, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    return rows


def kept(path: Path) -> list[Row]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def main(words: Iterable[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=Path, default=DEFAULT)
    parser.add_argument("--role", choices=("exam", "tune"), default="exam")
    parser.add_argument("--rows", default="")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--hours", type=float, default=0.2)
    parser.add_argument("--synthetic", type=int, default=2)
    parser.add_argument("--ways", default="ours")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--save", type=Path)
    parser.add_argument("--ear", default="today")
    parser.add_argument("--from", type=Path, dest="kept")
    parser.add_argument("--compare", nargs=2, metavar="EAR")
    args = parser.parse_args(None if words is None else list(words))
    if args.compare and not args.kept:
        parser.error("--compare needs --from FILE with both ears in it")
    if unknown := set(args.ways.split(",")) - set(WAYS):
        parser.error(f"no such way: {', '.join(sorted(unknown))}; there are {', '.join(WAYS)}")
    if not args.kept and not args.people.is_dir():
        parser.error(f"{args.people}: there are no recordings of people here; give their folder with --people")
    if args.compare:
        rows = kept(args.kept)
        print("\n".join(compared(rows, *args.compare)))
        return
    rows = [row for row in kept(args.kept) if row["ear"] == args.ear] if args.kept else run(args)
    for way in dict.fromkeys(row["way"] for row in rows):
        print(f"\n### {args.ear}: {way}")
        print("\n".join(tables([row for row in rows if row["way"] == way])))


if __name__ == "__main__":
    from tests.bench.hearing import exam as itself

    itself.main()
