"""``bowlside log``: list, show; ``read`` is in reading_out.py, ``verify`` and ``recover`` in recover.py."""
from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from assistant.core.assessment import Uncertainty
from assistant.core.language import sentence
from assistant.core.phrases import capital, spoken_id
from assistant.files.jsonline import dumps
from assistant.record import page, summary
from assistant.record.derived import Derived
from assistant.record.journal import FILE, SAVE, Journal, JournalError
from assistant.record.summary import figures


def list_tests(args: argparse.Namespace) -> int:
    with opened(args) as journal:
        derived = Derived(journal)
    tests, damaged = derived.briefs, derived.damaged
    for each in tests:
        if args.json:
            print(dumps({key: each[key] for key in ("id", "test", "started", "outcome", "verdict", "why", "results", "round")
                         if key in each}))
        else:
            results = ", ".join(f"{result['name']} {figures(result)}" for result in each["results"]
                                if result["rounded"] is not None) if each["outcome"] != "scrapped" else each["why"]
            mark = f"  {each['round']}" if each.get("round") else ""
            mark += ", check test" if each.get("check_of") else ", to compare" if each.get("comparison") else ""
            mark += "  PRACTICE" if each.get("practice") else ""
            print(f"{each['id']:>4}  {each['started'][:16].replace('T', ' ')}  {each['test']:<12} {each['outcome']:<9} "
                  f"{sentence('log.' + each['verdict']):<8} {results}{mark}")
    for words in damaged:
        print(f"bowlside: {words}", file=sys.stderr)
    if not (tests or damaged or args.json):
        print("No test has been recorded here yet.")
    if not args.json and (words := _practice(args)):
        print(words)
    return 1 if damaged else 0


def opened(args: argparse.Namespace) -> Journal:
    """For reading. Raises JournalError, which tells of practice where that is all there is."""
    try:
        return Journal(args.journal or default_folder(), write=False)
    except JournalError as error:
        raise JournalError(f"{error} {_practice(args)}".rstrip()) from None


def _practice(args: argparse.Namespace) -> str:
    if args.journal or not practised():
        return ""
    return f"Practice is kept apart; {typed('log list', default_folder(practice=True))} lists it."


def practised() -> bool:
    """Whether a practice test was begun on this station."""
    return (default_folder(practice=True) / FILE).exists()


def show(args: argparse.Namespace) -> int:
    with opened(args) as journal:
        test = summary.of(journal, known(journal, args.id))
        gone = [] if args.json else page.gone_by(journal, args.id)
    print(dumps(test) if args.json else "\n".join([_page(test), *gone]))
    return 0


def tell_damage(journal: Journal) -> None:
    """By whoever opened it for writing, at once: it goes on, and nobody shall think that all is well."""
    if journal.damage:
        print(f"bowlside: {journal.damage}", file=sys.stderr)


def known(journal: Journal, test: int) -> int:
    tests = journal.tests()
    if test not in tests:
        there, gone = ", ".join(map(str, tests)) or "none yet", journal.end_gone()
        raise JournalError(f"There is no test {test} in this journal; there are: {there}." +
                           (f" It is damaged: {gone.why}. {SAVE}" if gone else ""))
    return test


SHOWN = ("job", "mix", "producer", "station", "technician", "meter", "thermometer", "round", "sample", "check_of", "load", "ticket",
         "truck", "batched_at", "sampled_at", "water_added", "weather", "air_temperature", "location")
"""Labels at the head of the page."""


def _page(test: dict[str, Any]) -> str:
    lines = [f"Test {test['id']}: {test['title']}, {test['started'][:19].replace('T', ' ')}, {test['outcome']}"]
    lines += [f"  {name:<15} {value}" for name, value in labels(test)]
    if test.get("invented"):
        lines.append("  INVENTED: nothing here was measured.")
    if test.get("practice"):
        lines.append("  PRACTICE on a simulated meter: nothing here counts.")
    lines += ["", *(f"  {line}".rstrip() for line in page.of(test).lines()), "", "  As it was entered:"]
    for reading in test["readings"]:
        ways = " + ".join(f"{each['source']} \"{each['verbatim']}\"" for each in reading["entries"])
        gone = f"   WITHDRAWN: {reading['withdrawn']}" if reading["withdrawn"] else ""
        lines.append(f"  {reading['taken'][11:19]:<8}  {spoken_id(reading['id']):<28} {reading['value']:>8} {reading['unit']}   {ways}{gone}")
    rules = [f"  {result['name'].replace('_', ' '):<28} {result['standing']}" for result in test["results"]]
    rules += [f"  {capital(Uncertainty(**uncertainty).words)}   {uncertainty['standing']}" for uncertainty in test["uncertainty"]]
    lines += ["", f"  Rounded {test['rounding']}; where each rule comes from:", *rules] if rules else []
    noted = [f"  {words}" for words in remarks(test)]
    lines += ["", *noted] if noted else []
    if test["editions"]:
        lines += ["", f"  {test['editions']}"]
    return "\n".join(lines)


def labels(test: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Name and value of those that are known."""
    return [(label.replace("_", " "), str(test[label])) for label in SHOWN if test.get(label)]


def remarks(test: Mapping[str, Any]) -> list[str]:
    """What was not as the method has it, and what was noted."""
    return [*(f"deviation from the method: {deviation}" for deviation in test["deviations"]),
            *(f"note ({note['id']}): {note['text']}" for note in test["notes"])]


def journal_argument(parser: argparse.ArgumentParser, default: str = "the station's own") -> None:
    parser.add_argument("--journal", type=_folder, metavar="DIR", help=f"folder of the record ({default})")


def _folder(text: str) -> Path:
    """An empty text, as of a variable that is not set, would be whatever folder one stands in."""
    if not text.strip():
        raise argparse.ArgumentTypeError("an empty name is no folder: name one, or leave --journal out")
    return Path(text)


def default_folder(practice: bool = False) -> Path:
    """Where the record lives unless told otherwise. Practice has a folder of its own, so that it never mixes in."""
    chosen = os.environ.get("BOWLSIDE_JOURNAL")
    base = Path(chosen) if chosen else Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local/share") / "bowlside"
    return base / "practice" if practice else base


def typed(words: str, folder: Path, practice: bool = False) -> str:
    """A command about a record as it has to be typed: with its folder, unless the command looks there by itself."""
    own = folder.absolute() == default_folder(practice).absolute()
    return f"bowlside {words}" + ("" if own else f" --journal {shlex.quote(str(folder))}")
