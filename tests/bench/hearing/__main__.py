"""The bench for hearing: prints its tables as Markdown.

    python -m tests.bench.hearing [--seed N] [--each N] [--role all|tune|score] [--ways ours,text2num,...] [--jobs N]
                                  [--groups WORD,...] [--save FILE] [--from FILE]

--save keeps every clip's result and all decodings as JSON lines; --from votes on such a file again by today's rule of
models/ear.py, without decoding. --groups keeps to groups whose name has one of the words (readings, commands, noise, …).
Tune with ``--role tune``; what ``--role score`` shows may not choose anything.
"""
from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

from tests.bench.hearing import scorer
from tests.bench.hearing.running import revoted, run
from tests.bench.hearing.ways import WAYS

DEFAULT_WAYS = "ours,own,pocketsphinx,grammar,text2num,word2number"

_MEMORY = """
import resource
from tests.bench.hearing import corpus
from tests.bench.hearing.ways import WAYS
ear = WAYS["ours"]()
for clip in [clip for clip in corpus.build(1, 1, "tune") if clip.group in ("readings", "commands")][::25]:
    ear(clip)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def memory_mb() -> int:
    """Most resident memory of a process that hears some clips our way, the bench's own corpus included."""
    return int(subprocess.run([sys.executable, "-c", _MEMORY], check=True, capture_output=True, text=True).stdout.split()[-1])


def main(words: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", type=int, default=1)
    parser.add_argument("--role", choices=("tune", "score", "all"), default="all")
    parser.add_argument("--ways", default=DEFAULT_WAYS)
    parser.add_argument("--groups", default="")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--save", type=Path)
    parser.add_argument("--from", type=Path, dest="kept")
    args = parser.parse_args(words)
    if unknown := set(args.ways.split(",")) - set(WAYS):
        parser.error(f"no such way: {', '.join(sorted(unknown))}; there are {', '.join(WAYS)}")
    began = time.monotonic()
    rows = revoted(args.kept) if args.kept else run(args)
    print("\n".join(scorer.tables(rows)))
    if not args.kept:
        print(f"\n{len(rows)} clips in {time.monotonic() - began:.0f} s; most memory, our way: {memory_mb()} MB.")


if __name__ == "__main__":
    main()
