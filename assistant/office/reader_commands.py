"""``bowlside office reader``, ``job`` and ``verify``: who may look, what a job lets be seen, and whether an export is what was recorded."""
from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from assistant.files import plain
from assistant.files.refusal import Refusal

ROLES = ("office", "agency", "contractor", "lab")
"""As readers.ROLES, which only an office's machine can import."""
Url = Callable[[argparse.Namespace], str]


def reader_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", metavar="WHAT", choices=("add", "grant", "withdraw", "key", "revoke", "list"),
                        help="add, grant or withdraw jobs, key: another in place of a lost one, revoke, list")
    parser.add_argument("name", metavar="NAME", nargs="?", default="", help="the reader's name, a person's or a tool's")
    parser.add_argument("--role", choices=ROLES, help="with add: what the reader may see of the jobs; office: all of every job")
    parser.add_argument("--job", metavar="J", action="append", default=[], help="a job that is granted; may be given again")
    parser.add_argument("--sql", action="store_true", help="with add or key: a role of the database too, for a tool that asks in SQL")


def job_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="the job, as its tests have it")
    parser.add_argument("--file", metavar="FILE", type=Path, help="the job's file, whose lots and levels the pages show")
    parser.add_argument("--compare-people", choices=("yes", "no"), help="whether lists name the technicians, so that they are compared (no)")
    parser.add_argument("--keep-days", metavar="N", type=_days, help="days that people's names are kept after a test arrived, or always (always)")
    parser.add_argument("--forget", action="store_true", help="delete the events of those tests whose people are gone; it can't be undone")


def reader(args: argparse.Namespace, url: Url) -> int:
    from assistant.office import database, readers
    if args.what != "list" and not args.name:
        raise Refusal(f"office reader {args.what}: name the reader.")
    if (args.role is not None) != (args.what == "add"):
        raise Refusal(f"office reader: add needs --role ({', '.join(ROLES)}), and nothing else takes it.")
    if args.what in ("grant", "withdraw") and not args.job or args.what in ("key", "revoke", "list") and args.job:
        raise Refusal("office reader: --job goes with add, and grant and withdraw need it.")
    if args.sql and args.what not in ("add", "key"):
        raise Refusal("office reader: --sql goes with add or key.")
    with database.connect(url(args)) as connection:
        if args.what == "list":
            return _list(readers.listed(connection))
        if args.what == "revoke":
            readers.revoke(connection, args.name)
            print(f"{args.name} is revoked, and sees nothing any more.")
        elif args.what in ("grant", "withdraw"):
            readers.grant(connection, args.name, args.job, take_away=args.what == "withdraw")
            _warn(connection, args.job)
            print(f"{args.name} sees {'no longer' if args.what == 'withdraw' else 'from now on'}: {', '.join(args.job)}.")
        else:
            key = readers.add(connection, args.name, args.role, args.job) if args.what == "add" else readers.new_key(connection, args.name)
            _warn(connection, args.job)
            told = [f"The key of {args.name}: {key}"]
            if args.sql:
                user, password = readers.give_sql(connection, args.name)
                told += [f"For a tool that asks in SQL: user {user}, password {password}, schema read."]
            connection.commit()
            print("\n".join([*told, "It is shown this once. Signing in asks for it."]))
    return 0


def _list(found: list[Any]) -> int:      # of readers.Listed
    for each in found:
        state = "revoked" if each.revoked else "every job" if each.reader.role == ROLES[0] else ", ".join(map(plain.tamed, each.jobs)) or "no job"
        print(f"{plain.tamed(each.reader.name):<24} {each.reader.role:<12} {state}{f'   SQL: {each.sql_role}' if each.sql_role else ''}")
    if not found:
        print("There is no reader yet: bowlside office reader add NAME --role agency --job J makes one.")
    return 0


def _warn(connection: Any, jobs: list[str]) -> None:
    for job in jobs:
        if connection.execute("SELECT 1 FROM office.works_on WHERE job = %s LIMIT 1", (job,)).fetchone() is None:
            print(f"No test of job {plain.tamed(job)} has arrived yet: is it written as its tests have it?")


def job(args: argparse.Namespace, url: Url) -> int:
    from assistant.office import database, job_history, retention
    compare = None if args.compare_people is None else args.compare_people == "yes"
    with database.connect(url(args)) as connection:
        if compare is not None or args.keep_days is not None:
            retention.rule(connection, args.name, compare, args.keep_days or None, for_good=args.keep_days == 0)
            _warn(connection, [args.name])
            connection.commit()
        if args.file:
            kept = job_history.keep(connection, args.file)
            if kept != args.name:
                raise Refusal(f"office job: {args.file} is of job {kept}, not of {args.name}.")
            connection.commit()
            print(f"{args.file} is kept: the pages show its lots and levels.")
        gone = retention.let_go(connection)
        forgotten = retention.forget(connection, args.name) if args.forget else 0
        compared, days = retention.rule_of(connection, args.name)
        print(f"{plain.tamed(args.name)}: people may {'' if compared else 'not '}be compared; their names are kept "
              f"{'always' if days is None else f'for {days} days after a test arrived'}.")
        if gone:
            print(f"Names were taken out of {gone} {'test' if gone == 1 else 'tests'} now, and their events out of reach.")
        if args.forget:
            print(f"The events of {forgotten} {'test' if forgotten == 1 else 'tests'} are deleted. Their hashes stay.")
    return 0


def verify_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path, help="an export of an office")


def verify(args: argparse.Namespace) -> int:
    from assistant.office import verify
    found = verify.verify(args.file)
    print(f"{found.tests} tests. {found.pieces} pieces of their records, {found.events} events: every hash was computed"
          f"{'' if found.other_rules else f', and {found.derived} tests derived anew'}.")
    if found.other_rules:
        print("It is of another version of the office, so what its tests say is not derived anew: upgrade the older of the two for that.")
    if found.without:
        print(f"{found.without} pieces are here by their hashes alone: their people's days are over, or the reader sees no events.")
    if found.gaps:
        print(f"In {found.gaps} places a piece follows one that is not here: of a job that was not granted, or not arrived.")
    for sentence in found.wrong:
        print(sentence)
    if found.more_wrong:
        print(f"And {found.more_wrong} more.")
    print("It is not what was recorded." if found.wrong else "All of it is what was recorded, as far as its events are in it.")
    return 1 if found.wrong else 0


def _days(text: str) -> int:
    if text == "always":
        return 0
    if text.isdecimal() and 1 <= int(text) <= 36500:
        return int(text)
    raise argparse.ArgumentTypeError("give a number of days from 1 to 36500, or always")
