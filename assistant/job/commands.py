"""``bowlside job``: new, check, show, due."""
from __future__ import annotations

import argparse
from datetime import date
from decimal import Decimal
from pathlib import Path
from shlex import quote
from typing import Any

from assistant.core import deviations
from assistant.core.due import WHOLLY_WAIVED, sample_due
from assistant.core.methods.registry import RESULTS
from assistant.core.rounding import last_place, round_to
from assistant.core.settings import Settings, key_of, number
from assistant.files import starter
from assistant.files.jsonline import dumps
from assistant.job.file import SAMPLED, Job, JobError, load
from assistant.job.placed import counted, placed
from assistant.meters import register
from assistant.record import log

EXAMPLE = Path(__file__).with_name("example.toml")


def add_arguments(top: argparse.ArgumentParser) -> None:
    inner = top.add_subparsers(metavar="WHAT")

    def command(name: str, text: str, do) -> argparse.ArgumentParser:
        one = inner.add_parser(name, help=text, description=text)
        one.set_defaults(do=do)
        one.add_argument("file", type=Path, metavar="FILE", help="the job file (TOML)")
        return one

    command("new", "Write an invented example job, every part explained, to be changed by hand.", _new)
    check = command("check", "Is the file right? Tells file, line, key and what is allowed.", _check)
    show = command("show", "The job as the station understands it, defaults and their standing included.", _show)
    due = command("due", "Is a sample due? From the volume placed today and the samples in the record.", _due)
    due.add_argument("--volume", metavar="VOLUME", help="how much of this mix was placed today, this load included; yd3, or m3 where "
                                                        "the frequency is in m3 (what the day's tickets tell)")
    due.add_argument("--taken", type=int, metavar="N", help="samples taken today (counted in the record)")
    due.add_argument("--of", choices=SAMPLED, default="sample", help="which frequency of the job file (sample)")
    due.add_argument("--day", metavar="DATE", help="the day to count, as 2031-05-17, or today (today)")
    for one in (show, due):
        one.add_argument("--mix", metavar="NAME", help="a mix of the file (the job's own)")
        one.add_argument("--json", action="store_true", help="one JSON object a line")
    for one in (check, due):
        log.journal_argument(one)


def _new(args: argparse.Namespace) -> int:
    starter.write(args.file, EXAMPLE)
    print(f"Written: {args.file}, an invented job. Change it, then: bowlside job check {quote(str(args.file))}")
    return 0


def _check(args: argparse.Namespace) -> int:
    job = load(args.file)
    folder = args.journal or log.default_folder()
    there = register.Register(folder).meters()
    name = job.labels.get("meter")
    if name and there and name not in there:
        raise JobError(f'{job.where("meter")}: meter "{name}" is not in the register; there are: {", ".join(there)}. '
                       f"Add it with bowlside meter add {quote(name)}.")
    moved = _deviations(job)
    print(f"{args.file}: right" + (", but not as the method has it. Each test says so at its start, and its report prints it:"
                                   if moved else "."))
    for where, words in moved:
        print(f"But, {where}: {words}")
    if name and not there:
        print(f"There is no meter register in {folder} yet, so meter {name} was not looked up.")
    elif name:
        for reason in register.fit_for_use(there[name], date.today(), job.aggregate_source()):
            print(f"But: {reason}")
    for doubt in _doubts(job):
        print(f"But: {doubt}")
    if "chamber_ratio" not in job.given and not (name and name in there and there[name].chamber_ratio):
        print("The job file gives no chamber_ratio (the meter's, from its calibration). Until the job or the meter register has it, air "
              "contents are preliminary and pass nothing.")
    return 0


CORRECTED = Decimal(1)
"""Aggregate corrections are 0.1 to 0.5 % (from memory, 90 %); twice the most of these."""

ODD = {"chamber_ratio": ("0.02", "0.2"), "max_psi": ("20", "60"), "strength_psi": ("1500", "15000"),
       "measure_volume_ft3": ("0.1", "1"), "measure_volume_m3": ("0.003", "0.03"), "bowl_volume_ft3": ("0.2", "0.5"),
       "bowl_volume_m3": ("0.005", "0.015"), "canister_ft3": ("0.01", "0.03"), "cylinder_count": ("2", "12")}
"""Values that no method gives, and where they usually lie (ours, no source): outside they are doubted, never refused."""


def _deviations(job: Job) -> list[tuple[str, str]]:
    """Where in the file, and a sentence for each value that is not the method's own."""
    found: dict[tuple[str, str], None] = {}
    for mix in job.mixes or (None,):
        own = job.mixes[mix].given if mix else {}
        for name, words in deviations.of(Settings.from_mapping(job.settings(mix))):
            key = "leak_drop" if name == "leak_limit_psi" and name not in (*own, *job.given) else key_of(name)
            path = ("limits", key) if key == "leak_drop" else (key,)
            its = path[0] in own and (len(path) == 1 or key in own["limits"])
            found[(job.where(*(("mixes", mix) if its else ()), *path), words)] = None
    return list(found)


def _doubts(job: Job) -> list[str]:
    """Limits that look as if they were written in the other system's unit, or with a place too few."""
    found: list[str] = []
    for mix in job.mixes or (None,):
        settings = Settings.from_mapping(job.settings(mix))
        for name, limits in settings.limits.items():
            spec, given = RESULTS[name], [limit for limit in limits if limit is not None]
            unit, step = spec.unit(settings.si)
            if given and spec.highest_limit and not (ends := spec.highest_limit[settings.si])[0] <= max(given) <= ends[1]:
                found.append(f"the {name} limit {max(given):f} is in {unit}, since the units are {settings.units}: was the other "
                             "meant?")
            for limit in given:
                if spec.any_limit and limit and not spec.any_limit[0] <= limit <= spec.any_limit[1]:
                    low, high = spec.any_limit
                    found.append(f"the {name} limit {limit:f} is outside what concrete has, {low} to {high}: is a digit wrong?")
                if spec.last_place_decides and last_place(limit) < last_place(step):
                    found.append(f"results are rounded to the last place of the {name} limit {limit:f} before they are compared: "
                                 f"write {round_to(limit, last_place(step)):f} to have them compared as reported")
        for key, (least, most) in ODD.items():
            value = getattr(settings, key)
            if value is not None and not Decimal(least) <= value <= Decimal(most):
                found.append(f"{key} is {value}, and {least} to {most} is usual: is a digit wrong?")
        if settings.aggregate_correction_pct is not None and settings.aggregate_correction_pct > CORRECTED:
            found.append(f"the aggregate correction {settings.aggregate_correction_pct:f} % is over {CORRECTED} %: is a digit "
                         "wrong?")
    return list(dict.fromkeys(found))


def _show(args: argparse.Namespace) -> int:
    job = load(args.file)
    mix = job.mix(args.mix)
    settings = Settings.from_mapping(job.settings(args.mix))
    given = job.settings(args.mix)
    plain = settings.to_mapping()
    if args.json:
        levels = {name: vars(one) for name, one in job.levels.items()}
        frequency = {name: one.to_mapping() for name, one in job.frequency.items()}
        acceptance = {name: vars(one) for name, one in job.acceptance.items()}
        print(dumps({**job.labels, "settings": plain, "levels": levels, "retest": job.retest, "round": job.round,
                     "frequency": frequency, "acceptance": acceptance,
                     "mix": mix and {"name": mix.name, **mix.texts, "batch": mix.batch, "unit": mix.unit,
                                     "batch_mass": mix.batch_mass, "cementitious_mass": mix.cementitious_mass}}))
        return 0
    print("\n".join(_page(job, mix, given, settings)))
    return 0


def _page(job: Job, mix: Any, given: dict[str, Any], settings: Settings) -> list[str]:
    lines = [f"  {key.replace('_', ' '):<22} {value}" for key, value in job.labels.items() if not isinstance(value, bool)]
    if job.invented:
        lines.insert(0, "  THIS JOB IS INVENTED")
    lines += ["", "Limits"]
    lines += [f"  {name.replace('_', ' '):<22} {_sides(pair)}" for name, pair in settings.limits.items()] or ["  none"]
    for name, one in job.levels.items():
        lines.append(f"  {name.replace('_', ' ')}, chart: " + ", ".join(
            f"{key.replace('_', ' ')} {value}" for key, value in vars(one).items() if value is not None))
    for name, rate in job.frequency.items():
        every = [f"every {rate.every} {rate.unit} or part"] if rate.every is not None else []
        often = [f"at least {rate.at_least_per_day} a day"] if rate.at_least_per_day else []
        waived = [f"waived under {rate.waived_under} {rate.unit}"] if rate.waived_under is not None else []
        lines.append(f"  {name}: {', '.join((*every, *often, *waived))}")
    for name, plan in job.acceptance.items():
        lines.append(f"  {name.replace('_', ' ')}, over days: " + ", ".join(
            f"{key.replace('_', ' ')} {value}" for key, value in vars(plan).items() if value))
    lines += [f"  {key.replace('_', ' ')}: {'yes' if value else 'no'}" for key, value in job.retest.items()]
    lines += [f"  round, {key}: {', '.join(value) if isinstance(value, tuple) else value}" for key, value in job.round.items()]
    if mix is not None:
        lines += ["", f"Mix {mix.name}"]
        lines += [f"  {key.replace('_', ' '):<22} {value}" for key, value in mix.texts.items()]
        lines += [f"  {name:<22} {mass:f} {mix.unit}" for name, mass in mix.batch.items()]
        if mix.batch_mass is not None:
            lines.append(f"  {'batched in all':<22} {mix.batch_mass:f} {mix.unit}")
        if mix.cementitious_mass is not None:
            lines.append(f"  {'cementitious':<22} {mix.cementitious_mass:f} {mix.unit}")
    if moved := deviations.of(settings):
        lines += ["", "Not as the method has it", *(f"  {one.words}" for one in moved)]
    lines += ["", "Every setting, * as the job gives it, else the default"]
    for key, value in settings.to_mapping().items():
        if key != "limits":
            shown = ", ".join(value) if isinstance(value, list) else "none" if value is None else str(value)
            where = "the job's" if key in given else Settings.standing(key) if value is not None else "not given"
            lines.append(f"{'*' if key in given else ' '} {key:<26} {shown:<18} {where}")
    return lines


def _sides(pair: Any) -> str:
    low, high = pair
    if low is not None and high is not None:
        return f"{low:f} to {high:f}"
    return f"at least {low:f}" if low is not None else f"at most {high:f}"


def _due(args: argparse.Namespace) -> int:
    job = load(args.file)
    mix = args.mix or job.labels.get("mix", "")
    job.mix(args.mix)
    if args.of not in job.frequency:
        raise JobError(f'{job.where("frequency")}: it says nothing of "{args.of}"; give [frequency.{args.of}] with every_yd3, '
                       "every_m3 or at_least_per_day.")
    rule, folder = job.frequency[args.of], args.journal or log.default_folder()
    try:
        volume = None if args.volume is None else number("--volume", args.volume)
    except ValueError as error:
        raise JobError(f"job due: {error}.") from None
    try:
        day = date.today() if args.day in (None, "today") else date.fromisoformat(args.day)
    except ValueError:
        raise JobError(f"job due: --day is {args.day}: write the day as 2031-05-17, or today.") from None
    if volume is None:
        volume = placed(folder, job, mix, day, rule.unit)
    if volume < 0 or (args.taken or 0) < 0:
        raise JobError("job due: --volume and --taken must not be negative.")
    taken = args.taken if args.taken is not None else counted(folder, job, mix, args.of, day)
    found = sample_due(volume, taken, rule.every, rule.at_least_per_day, rule.waived_under, rule.unit, args.of in WHOLLY_WAIVED)
    if args.json:
        print(dumps({"of": args.of, "mix": mix or None, f"placed_{rule.unit}": volume, "needed": found.needed, "taken": taken,
                     "due": found.due, f"next_over_{rule.unit}": found.next_at, "words": found.words}))
    else:
        print(found.words)
    return 1 if found.due else 0
