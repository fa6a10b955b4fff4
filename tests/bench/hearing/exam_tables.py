"""The tables of the exam of people: shares with their 95 % intervals, and two ears compared on the same clips."""
from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from math import comb
from typing import Any

from tests.bench.hearing.scorer import Count, interval, percent

Row = dict[str, Any]
CONDITIONS = ("clean", "20 dB", "10 dB", "5 dB", "0 dB")
BENCH = "the bench"
ZERO = {"oh": "zero"}


def count(rows: Iterable[Row]) -> Count:
    made = Count()
    for row in rows:
        made.add(row["truth"], row["value"])
    return made


def share(part: int, of: int) -> str:
    """ "56 (47–65)": percent and its 95 % interval."""
    low, high = interval(part, of)
    return f"{percent(part, of)} ({low:.0f}–{high:.0f})"


def cell(rows: list[Row]) -> str:
    """right / wrong / asked again where something is said that counts, else taken / left alone."""
    if not rows:
        return "–"
    made = count(rows)
    parts = (made.wrong, made.again) if rows[0]["truth"] is None else (made.exact, made.wrong, made.again)
    return " / ".join(share(part, made.clips) for part in parts)


def tables(rows: list[Row]) -> Iterator[str]:
    """The whole report of one ear as Markdown."""
    clips = [row for row in rows if row["group"] != "hours"]
    strangers = [row for row in clips if not row["group"].startswith(BENCH)]
    said, others = ([row for row in strangers if (row["truth"] is None) == nothing] for nothing in (False, True))
    yield from _by_condition("Strangers: right / wrong / asked again, % (95 % interval)", said)
    yield from _by_condition("Strangers, nothing of ours said: taken / left alone, % (95 % interval)", others)
    yield from _yes_no([row for row in strangers if row["group"] == "yes and no"])
    yield from word_errors([row for row in strangers if " " in row["text"] and row["truth"] is not None])
    yield from _groups(strangers)
    yield from _by("word", [row for row in said if row["group"].startswith("single digits")], "form")
    yield from _by("noise", [row for row in said if row["noise"]], "noise")
    yield from _hours([row for row in rows if row["group"] == "hours"])
    yield from _by_condition("The bench's own voices: right / wrong / asked again, % (95 % interval)",
                             [row for row in clips if row["group"].startswith(BENCH)])
    yield from _costs(clips)


def _by_condition(title: str, rows: list[Row]) -> Iterator[str]:
    if not rows:
        return
    there = [name for name in CONDITIONS if any(row["condition"] == name for row in rows)]
    yield f"\n**{title}**\n"
    yield f"| row | speakers | clips | {' | '.join(there)} |"
    yield "|---" * (len(there) + 3) + "|"
    for group in dict.fromkeys(row["group"] for row in rows):
        some = [row for row in rows if row["group"] == group]
        cells = [cell([row for row in some if row["condition"] == name]) for name in there]
        yield f"| {group} | {len({row['speaker'] for row in some})} | {len(some)} | {' | '.join(cells)} |"


def _yes_no(rows: list[Row]) -> Iterator[str]:
    if not rows:
        return
    yield "\n**Yes and no, %**\n"
    yield "| said | speakers | clips | heard yes | heard no | asked again |"
    yield "|---|---|---|---|---|---|"
    for word in ("yes", "no"):
        some = [row for row in rows if row["truth"] == word]
        found = Counter(row["value"] for row in some)
        cells = " | ".join(share(found[value], len(some)) for value in ("yes", "no", None))
        yield f"| {word} | {len({row['speaker'] for row in some})} | {len(some)} | {cells} |"


def distance(said: list[str], heard: list[str]) -> int:
    """Fewest words put in, left out or changed (Levenshtein)."""
    row = list(range(len(heard) + 1))
    for n, one in enumerate(said, 1):
        row, before = [n], row
        for k, other in enumerate(heard, 1):
            row.append(min(before[k] + 1, row[-1] + 1, before[k - 1] + (one != other)))
    return row[-1]


def _plain(text: str | None) -> list[str]:
    return [ZERO.get(word, word) for word in (text or "").split()]


def word_errors(rows: list[Row]) -> Iterator[str]:
    """Of the words that were heard first, believed or not; none heard: all left out. "oh" is "zero"."""
    if not rows:
        return
    there = [name for name in CONDITIONS if any(row["condition"] == name for row in rows)]
    yield "\n**Word error of what is heard, believed or not, % (95 % interval)**\n"
    yield f"| row | words | {' | '.join(there)} |"
    yield "|---" * (len(there) + 2) + "|"
    for group in dict.fromkeys(row["group"] for row in rows):
        cells, words = [], 0
        for name in there:
            some = [row for row in rows if (row["group"], row["condition"]) == (group, name)]
            of = sum(len(row["text"].split()) for row in some)
            wrong = sum(distance(_plain(row["text"]), _plain(row["heard"])) for row in some)
            cells.append(share(min(wrong, of), of) if of else "–")
            words += of
        yield f"| {group} | {words} | {' | '.join(cells)} |"


def _groups(rows: list[Row]) -> Iterator[str]:
    """Corpora stand for accents: gsc many, an4 US, so762 first language Mandarin."""
    if not rows:
        return
    groups = sorted({row["accent"] for row in rows})
    yield "\n**Groups of speakers, all conditions: right, or left alone where nothing of ours is said, % (95 % interval)**\n"
    yield f"| row | {' | '.join(groups)} | largest distance |"
    yield "|---" * (len(groups) + 2) + "|"
    for name, rows_of in (("what counts", [row for row in rows if row["truth"] is not None]),
                          ("other words and talk", [row for row in rows if row["truth"] is None])):
        cells, found = [], []
        for group in groups:
            some = [row for row in rows_of if row["accent"] == group]
            good = sum(row["value"] == row["truth"] for row in some)
            cells.append(share(good, len(some)) if some else "–")
            found += [100 * good / len(some)] if some else []
        yield f"| {name} | {' | '.join(cells)} | {max(found) - min(found):.0f} |" if found else f"| {name} | – |"
    of_one = [(sum(row["value"] == row["truth"] for row in some), len(some)) for speaker in {row["speaker"] for row in rows}
              if (some := [row for row in rows if row["speaker"] == speaker and row["truth"] is not None])]
    half = sum(2 * good < clips for good, clips in of_one)
    yield f"\nOf {len(of_one)} speakers {half} have less than half right."


def _by(title: str, rows: list[Row], key: str) -> Iterator[str]:
    if not rows:
        return
    yield f"\n**By {title}, all conditions with it: right / wrong / asked again, % (95 % interval)**\n"
    yield f"| {title} | speakers | clips | |"
    yield "|---|---|---|---|"
    for name in sorted({row[key] for row in rows}):
        some = [row for row in rows if row[key] == name]
        yield f"| {name} | {len({row['speaker'] for row in some})} | {len(some)} | {cell(some)} |"


def _hours(rows: list[Row]) -> Iterator[str]:
    if not rows:
        return
    yield "\n**Hours of noise, and of strangers' talk in it, while something is asked**\n"
    yield "| sound | hours | utterances cut | words or commands heard | values offered | values taken |"
    yield "|---|---|---|---|---|---|"
    for kind in sorted({row["kind"] for row in rows}):
        some = [row for row in rows if row["kind"] == kind]
        cells = [sum(row.get(name, 0) for row in some) for name in ("cut", "commands", "offered", "taken")]
        yield f"| {kind} | {sum(row['audio_s'] for row in some) / 3600:.2f} | {' | '.join(map(str, cells))} |"


def _costs(rows: list[Row]) -> Iterator[str]:
    if rows:
        took = sorted(row["cpu_s"] for row in rows)
        yield (f"\n{len(rows)} clips, {len({row['speaker'] for row in rows})} speakers. Processor time a clip: "
               f"{sum(took) / len(took):.2f} s, half under {took[len(took) // 2]:.2f}, 95 % under {took[int(len(took) * 0.95)]:.2f}; "
               f"{sum(took) / sum(row['audio_s'] for row in rows):.3f} s a second of sound.")


# --- two ears --------------------------------------------------------------------------------------------------------------


def compared(rows: list[Row], one: str, other: str) -> Iterator[str]:
    """Both on the same clips. How likely so uneven a split of those that differ is by chance: the sign test, two-sided."""
    of = [{(row["way"], row["clip"]): row for row in rows if row["ear"] == name and row["group"] != "hours"} for name in (one, other)]
    both = [(of[0][key], of[1][key]) for key in of[0] if key in of[1]]
    yield f"\n**{one} and {other} on the same {len(both)} clips**\n"
    yield f"| row | clips | {one} | {other} | only {one} right | only {other} right | by chance | newly wrong | no longer wrong |"
    yield "|---" * 9 + "|"
    for group in dict.fromkeys(a["group"] for a, _ in both):
        some = [(a, b) for a, b in both if a["group"] == group]
        right = [[row["value"] == row["truth"] for row in pair] for pair in some]
        bad = [[row["value"] not in (None, row["truth"]) for row in pair] for pair in some]
        first, second = sum(a and not b for a, b in right), sum(b and not a for a, b in right)
        yield (f"| {group} | {len(some)} | {cell([a for a, _ in some])} | {cell([b for _, b in some])} | {first} | {second} | "
               f"{by_chance(first, second):.3f} | {sum(b and not a for a, b in bad)} | {sum(a and not b for a, b in bad)} |")


def by_chance(first: int, second: int) -> float:
    """Of so many coins, how often so uneven a split or a worse one."""
    coins = first + second
    return min(1.0, 2 * sum(comb(coins, n) for n in range(min(first, second) + 1)) / 2**coins)
