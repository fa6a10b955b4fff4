"""Counts what ways of hearing made of clips, and writes the tables.

A row is one clip's plain JSON: what it was, and for each way what was understood. For each: **exact** the right value was
accepted; **wrong** another was (where nothing may be accepted: anything); **again** it was asked again, or left alone.
"""
from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from assistant.core.expect import Expect
from models.ear import Understood
from tests.bench.hearing.corpus import Clip

Row = dict[str, Any]
HARMFUL = ("scrap", "skip_to_air", "take_it_back", "next", "yes")
"""A command that scraps, skips, withdraws or agrees: heard where another was said it does harm."""


@dataclass
class Count:
    exact: int = 0
    wrong: int = 0
    again: int = 0

    def add(self, truth: str | None, value: str | None) -> None:
        """`value`: what was accepted, None for nothing."""
        if value is None:
            self.again += 1
        elif value == truth:
            self.exact += 1
        else:
            self.wrong += 1

    @property
    def clips(self) -> int:
        return self.exact + self.wrong + self.again

    def __str__(self) -> str:
        return " / ".join(percent(part, self.clips) for part in (self.exact, self.wrong, self.again))


def percent(part: int, whole: int) -> str:
    share = 100 * part / max(1, whole)
    return f"{share:.1f}" if 0 < share < 10 else f"{share:.0f}"


def at_most(count: int, of: int) -> float:
    """Upper end of the 95 % interval of a share, in %: what so few clips can't rule out."""
    return interval(count, of)[1]


def interval(count: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share (Wilson 1927, from memory), in %. It takes each clip for itself: clips of one speaker are more
    alike than that, so it is rather too narrow."""
    if not of:
        return 0.0, 100.0
    z, share = 1.96, count / of
    middle, off = share + z * z / (2 * of), z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    low, high = (100 * (middle + sign * off) / (1 + z * z / of) for sign in (-1, 1))
    return max(0.0, low), min(100.0, high)


def row(clip: Clip, understood: dict[str, Understood], cpu: dict[str, float], decodings: list[Any] | None = None) -> Row:
    """One clip's line of the file that ``--save`` writes."""
    expect = {"kind": clip.expect.kind, "low": _text(clip.expect.low), "high": _text(clip.expect.high),
              "places": clip.expect.places,
              "near": [_text(end) for end in clip.expect.near] if clip.expect.near else None}
    ways = {name: {"heard": one.heard, "value": one.value if one.accepted else None, "s": round(one.decode_s, 4),
                   "cpu_s": round(cpu[name], 4)}
            for name, one in understood.items()}
    return {"clip": clip.ident, "group": clip.group, "condition": clip.condition, "speaker": clip.speaker, "accent": clip.accent,
            "role": clip.role, "noise": clip.scene.noise, "form": clip.form, "text": clip.text, "truth": clip.truth,
            "expect": expect,
            "audio_s": round(len(clip.pcm) / 32000, 3), "ways": ways, "decodings": decodings}


def expect_of(plain: Row) -> Expect:
    """The way back."""
    told = plain["expect"]
    near = tuple(Decimal(end) for end in told["near"]) if told["near"] else None
    return Expect(told["kind"], _decimal(told["low"]), _decimal(told["high"]), told["places"], near)


def _text(value: Decimal | None) -> str | None:
    return None if value is None else f"{value:f}"


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def tally(rows: Iterable[Row], way: str, key: Callable[[Row], Any]) -> dict[Any, Count]:
    counts: dict[Any, Count] = {}
    for one in rows:
        counts.setdefault(key(one), Count()).add(one["truth"], one["ways"][way]["value"])
    return counts


def matrix(rows: Iterable[Row], way: str) -> dict[str, Counter[str]]:
    """What was said to what was accepted: ids of commands, "a reading", "again"."""
    found: dict[str, Counter[str]] = {}
    for one in rows:
        value = one["ways"][way]["value"]
        heard = "again" if value is None else value if not value[:1].isdigit() else "a reading"
        found.setdefault(one["truth"], Counter())[heard] += 1
    return found


def tables(rows: list[Row]) -> Iterator[str]:
    """The whole report as Markdown."""
    ways = list(rows[0]["ways"])
    readings = [one for one in rows if one["group"] == "readings"]
    yield from _table("Readings: exact / wrong offered / asked again, %", "condition", readings, ways,
                      lambda one: one["condition"])
    placed = [one for one in rows if one["group"] in ("readings in places", "readings off the plan")]
    yield from _table("Readings elsewhere", "where", placed, ways, lambda one: f"{one['group']}, {one['condition']}")
    noisy = [one for one in readings if one["condition"] in ("20 dB", "10 dB")]
    for name in ("accent", "speaker", "noise", "form", "role"):
        yield from _table(f"Readings at 20 and 10 dB by {name}", name, noisy, ways, lambda one, name=name: one[name])
    others = [one for one in rows if one["truth"] is not None and not one["group"].startswith("readings")]
    yield from _table("Commands, yes and no: exact / wrong / again, %", "said", others, ways,
                      lambda one: f"{one['group']}, {one['condition']}")
    nothing = [one for one in rows if one["truth"] is None]
    yield from _table("Nothing to be understood: - / accepted / left alone, %", "sound", nothing, ways, lambda one: one["group"])
    for way in ways[:1]:
        yield from _matrix(others, way)
    yield from costs(rows)


def _table(title: str, first: str, rows: list[Row], ways: list[str], key: Callable[[Row], str]) -> Iterator[str]:
    if not rows:
        return
    yield f"\n**{title}**\n"
    yield f"| {first} | clips | " + " | ".join(ways) + " |"
    yield "|---" * (len(ways) + 2) + "|"
    columns = {way: tally(rows, way, key) for way in ways}
    for name, count in columns[ways[0]].items():
        yield f"| {name or 'none'} | {count.clips} | " + " | ".join(str(columns[way][name]) for way in ways) + " |"


def _matrix(rows: list[Row], way: str) -> Iterator[str]:
    for condition in ("10 dB", "5 dB"):
        found = matrix([one for one in rows if one["condition"] == condition], way)
        if not found:
            continue
        heard = list(dict.fromkeys([*found, *(name for counts in found.values() for name in counts)]))
        heard = [name for name in heard if any(counts[name] for counts in found.values())]
        yield f"\n**Commands at {condition}, {way}: said (down) and accepted (across)**\n"
        yield "| | " + " | ".join(heard) + " |"
        yield "|---" * (len(heard) + 1) + "|"
        for said, counts in found.items():
            yield f"| {said} | " + " | ".join(str(counts[name] or "·") for name in heard) + " |"
        harm = sum(counts[name] for said, counts in found.items() for name in HARMFUL if name != said)
        of = sum(sum(counts.values()) for counts in found.values())
        yield f"\n{harm} of {of} were taken for another command that scraps, skips, withdraws or agrees."


def costs(rows: list[Row]) -> Iterator[str]:
    """The processor's own time, since on a busy machine the clock tells of the others."""
    yield "\n**Cost, utterances with words**\n"
    yield ("| way | decode s / audio s, of processor time "
           "| end of speech to answer, less the endpoint wait: median, 95 %, s of it |")
    yield "|---|---|---|"
    spoken = [one for one in rows if one["text"]]
    for way in rows[0]["ways"]:
        took = sorted(one["ways"][way]["cpu_s"] for one in spoken)
        if took:
            audio = sum(one["audio_s"] for one in spoken)
            yield f"| {way} | {sum(took) / audio:.3f} | {took[len(took) // 2]:.2f}, {took[int(len(took) * 0.95)]:.2f} |"
