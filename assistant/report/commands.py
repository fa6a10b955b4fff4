"""``bowlside log export``: CSV, JSON and PDF of the tests asked for, or of an invented day."""
from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import BinaryIO, TextIO

from assistant import job
from assistant.files.refusal import Refusal
from assistant.record import chain, log
from assistant.record.derived import Derived
from assistant.record.journal import FILE, Journal, JournalError
from assistant.report import csv_file, json_file, lots
from assistant.report.rows import chosen, doubts, history, with_days


def add_arguments(one: argparse.ArgumentParser) -> None:
    one.add_argument("ids", type=int, nargs="*", metavar="ID", help="tests, by their number in log list (all)")
    one.add_argument("--csv", type=Path, metavar="FILE", help="one row a test, units in the header")
    one.add_argument("--json", type=Path, metavar="FILE", help="everything, as the schema in assistant/report/schema.json says")
    one.add_argument("--pdf", type=Path, metavar="FILE", help="a page for each round, and the day's summary with control charts")
    one.add_argument("--day", metavar="DATE", help="only tests begun on that day, as 2031-05-17, or today; a round over midnight "
                                                   "is of its first")
    one.add_argument("--job", type=Path, metavar="FILE", help="the job file: fields of the report, lines of the charts, lots")
    one.add_argument("--columns", action="store_true", help="tell what the columns of the CSV are, and nothing else")
    one.add_argument("--demo", type=Path, metavar="FOLDER", help="write an invented day, its CSV, JSON and PDF into a new folder")


def export(args: argparse.Namespace) -> int:
    if args.columns:
        for name, meaning in csv_file.COLUMNS.items():
            print(f"{name:<46} {meaning}")
        return 0
    if args.demo:
        return _demo(args)
    if not (args.csv or args.json or args.pdf):
        raise Refusal("log export: say what to write, with --csv FILE, --json FILE or --pdf FILE.")
    wanted = [path.absolute() for path in (args.csv, args.json, args.pdf) if path]
    for path in wanted:
        if path.is_dir():
            raise Refusal(f"log export: {path} is a folder: name a file in it.")
        if wanted.count(path) > 1:
            raise Refusal(f"log export: {path} is named twice: each kind needs a file of its own.")
    day = _day(args.day)
    folder = args.journal or log.default_folder()
    with Journal(folder, write=False) as journal:
        for ident in args.ids:
            log.known(journal, ident)
        found = Derived(journal)
        tests = chosen(found, args.ids, day)
        spans = {span.test: span for span in journal.spans()} if args.json else {}
        linked = [{**test, **chain.link(journal, spans[test["id"]])} for test in tests if args.json]
    before = history(found, tests, args.ids)
    for sentence in (*found.damaged, *doubts(tests)):
        print(f"bowlside: {sentence}", file=sys.stderr)
    if not tests:
        raise JournalError("There is no test to export" + (f" of {day}" if day else "") + f" in {folder}.")
    made = datetime.now().astimezone().isoformat(timespec="seconds")
    its_job = job.load(args.job) if args.job else None
    accepted = lots.of(before, its_job, max(its_day for its_day, _ in with_days(tests)))
    if args.csv:
        _whole(args.csv, lambda target: csv_file.write(tests, target, lots.cells(accepted)), encoding=csv_file.ENCODING)
    if args.json:
        _whole(args.json, lambda target: json_file.write(linked, made, target, accepted))
    if args.pdf:
        from assistant.meters.register import Register
        try:
            from assistant.report import pdf_file
        except ImportError as error:
            raise Refusal(f"log export: the PDF needs a package that is not installed ({error.name}). Start "
                              "python3 assistant once with the network there; CSV and JSON need nothing.") from None
        _whole(args.pdf, lambda target: pdf_file.write(tests, target, made, its_job, Register(folder).meters(),
                                                       summary=len(tests) > 1 or day is not None, history=before), binary=True)
    return 1 if found.damaged else 0


def _demo(args: argparse.Namespace) -> int:
    from assistant.report import demo
    folder = args.demo
    if folder.exists() and any(folder.iterdir()):
        raise Refusal(f"{folder} is not empty: name a new folder for the invented day.")
    folder.mkdir(parents=True, exist_ok=True)
    print("An invented day on an invented job, through the real machine: up to a minute.", flush=True)
    args.job = demo.build(folder)
    args.demo, args.journal = None, folder
    args.csv, args.json, args.pdf = (folder / f"day.{kind}" for kind in ("csv", "json", "pdf"))
    code = export(args)
    print(f"Written: {args.pdf}, {args.csv}, {args.json}; its journal is {folder / FILE}.")
    return code


def _day(value: str | None) -> date | None:
    if value is None:
        return None
    try:
        return date.today() if value == "today" else date.fromisoformat(value)
    except ValueError:
        raise Refusal(f"log export: --day is {value}: write the day as 2031-05-17, or today.") from None


def _whole(path: Path, write: Callable, binary: bool = False, encoding: str = "utf-8") -> None:
    """Written beside and then put in its place: whoever opens the file finds the old one or the whole new one."""
    if not path.parent.is_dir():
        raise Refusal(f"There is no folder {path.parent} to write {path.name} into.")
    beside = path.with_name(f".{path.name}.part")
    try:
        target: BinaryIO | TextIO
        with open(beside, "wb") if binary else open(beside, "w", encoding=encoding, newline="") as target:
            write(target)
        os.replace(beside, path)
    finally:
        with suppress(FileNotFoundError):
            beside.unlink()
