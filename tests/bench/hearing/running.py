"""Runs ways over clips, in as many processes as asked for, and votes again on what was kept."""
from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from pathlib import Path

from tests.bench.hearing import corpus, scorer
from tests.bench.hearing.ways import WAYS, Ours, Revote, Way

_ways: dict[str, Way] = {}
_clips: list[corpus.Clip] = []


def hear(number: int) -> scorer.Row:
    """One clip through every way, in a process that has made its ways."""
    clip = _clips[number]
    len(clip.pcm)       # made now, so that it is not part of anybody's time
    found, cpu = {}, {}
    for name, way in _ways.items():
        began = time.process_time()
        found[name] = way(clip)
        cpu[name] = time.process_time() - began
    ours = _ways.get("ours")
    made = scorer.row(clip, found, cpu, ours.decodings() if isinstance(ours, Ours) and _keep else None)
    clip.__dict__.pop("pcm", None)      # the sound is not needed any more
    return made


_keep = False


def _begin(seed: int, each: int, role: str, groups: str, ways: str, keep: bool) -> None:
    global _keep
    _keep = keep
    _clips[:] = chosen(seed, each, role, groups)
    _ways.update((name, WAYS[name]()) for name in ways.split(","))


def chosen(seed: int, each: int, role: str, groups: str) -> list[corpus.Clip]:
    return [clip for clip in corpus.build(seed, each, role)
            if not groups or any(word in clip.group for word in groups.split(","))]


def run(args: argparse.Namespace) -> list[scorer.Row]:
    setting = (args.seed, args.each, args.role, args.groups, args.ways, bool(args.save))
    count = len(chosen(*setting[:4]))
    began, rows = time.monotonic(), []
    with multiprocessing.get_context("spawn").Pool(args.jobs, _begin, setting) as pool:
        for done in pool.imap(hear, range(count), 4):
            rows.append(done)
            if args.save:
                with open(args.save, "a" if len(rows) > 1 else "w", encoding="utf-8") as file:
                    file.write(json.dumps(done) + "\n")
            if len(rows) % 50 == 0:
                print(f"{len(rows)} of {count}, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    return rows


def revoted(path: Path) -> list[scorer.Row]:
    """The rows of a file, "ours" as today's rule decides on the decodings kept there, "then" as it did."""
    vote, rows = Revote(), [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    for one in rows:
        found = vote(one["decodings"], scorer.expect_of(one))
        then = one["ways"].pop("ours")
        one["ways"] = {"ours": {"heard": found.heard, "value": found.value if found.accepted else None, "s": then["s"],
                                "cpu_s": then["cpu_s"]},
                       "then": then, **one["ways"]}
    return rows
