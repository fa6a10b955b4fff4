"""``bowlside meter``: list, show, add, calibrated, factor, due, remark, retire."""
from __future__ import annotations

import argparse
from datetime import date
from decimal import Decimal
from shlex import quote
from typing import Any

from assistant.core.rounding import round_to
from assistant.files import plain
from assistant.files.jsonline import dumps
from assistant.meters.register import (
    GEAR,
    INTERVALS,
    METER,
    Meter,
    MeterError,
    Register,
    checked,
    fit_for_use,
    known,
    leak_trend,
    standing_of,
)
from assistant.record import log, summary
from assistant.record.journal import Journal

_INTERVALS = {"calibration_days": "a calibration", "leak_days": "a leak hold", "factor_days": "an aggregate correction"}


def add_arguments(top: argparse.ArgumentParser) -> None:
    inner = top.add_subparsers(metavar="WHAT")

    def command(name: str, text: str, do, one_meter: bool = True) -> argparse.ArgumentParser:
        one = inner.add_parser(name, help=text, description=text)
        one.set_defaults(do=do)
        if one_meter:
            one.add_argument("meter", metavar="METER", help="the meter's name, such as M-3")
        log.journal_argument(one)
        return one

    for name, text, do in (("list", "Every meter, and what is due.", _list),
                           ("show", "One meter with its whole history.", _show)):
        one = command(name, text, do, name == "show")
        one.add_argument("--json", action="store_true", help="one JSON object a line")
    add = command("add", "Enter a new meter.", _add)
    add.add_argument("--kind", choices=(METER, *GEAR), default=METER, help="what it is (meter)")
    add.add_argument("--max-psi", metavar="PSI", help="its marked maximum (46)")
    add.add_argument("--clamps", type=int, metavar="N", help="how many clamps it has (6)")
    calibrated = command("calibrated", "Enter a calibration. Older ones are kept.", _calibrated)
    calibrated.add_argument("--ratio", metavar="K", help="chamber volume / bowl volume, as found")
    calibrated.add_argument("--bowl-ft3", metavar="FT3", help="bowl volume, cubic feet, as found")
    calibrated.add_argument("--test", type=int, metavar="ID", help="take ratio and day from this calibration test of the record")
    calibrated.add_argument("--by", default="", metavar="NAME", help="who did it")
    calibrated.add_argument("--how", default="", metavar="TEXT", help="how, such as: canister, water in bowl")
    check = command("checked", "Enter a check of anything but a meter, or a certificate. Older ones are kept.", _checked)
    check.add_argument("--until", metavar="DATE", help="the last day on which it is good, where its paper says so")
    check.add_argument("--by", default="", metavar="NAME", help="who did it")
    check.add_argument("--remark", default="", metavar="TEXT", help="a remark, such as: 0.4 F low at 70")
    factor = command("factor", "Enter an aggregate correction factor for one aggregate source.", _factor)
    factor.add_argument("--source", required=True, metavar="NAME", help="where the aggregate comes from")
    factor.add_argument("--pct", metavar="PCT", help="the correction, percent of air")
    factor.add_argument("--test", type=int, metavar="ID", help="take correction and day from this test of the record")
    due = command("due", "Set how many days something is good for on this meter; 0: it does not run out.", _due)
    for interval, (days, _) in INTERVALS.items():
        due.add_argument(f"--{interval.replace('_', '-')}", type=int, metavar="N",
                         help=f"{_INTERVALS[interval]} ({'never' if days is None else days})")
    due.add_argument("--check-days", type=int, metavar="N", help="a check of anything but a meter (by its kind)")
    remark = command("remark", "Add a remark, such as a new O-ring.", _remark)
    remark.add_argument("text", metavar="TEXT", help="the remark")
    retire = command("retire", "Take a meter out of use. Its history is kept.", _retire)
    retire.add_argument("--why", required=True, metavar="TEXT", help="the reason")
    for one in (calibrated, check, factor):
        one.add_argument("--on", metavar="DATE", help="the day it was done, as 2031-05-17 (today)")


def _register(args: argparse.Namespace) -> Register:
    return Register(args.journal or log.default_folder())


def _list(args: argparse.Namespace) -> int:
    there = _register(args).meters()
    today, unfit = date.today(), False
    for meter in there.values():
        reasons = fit_for_use(meter, today)
        unfit |= bool(reasons) and not meter.retired
        if args.json:
            print(dumps(_as_object(meter, today)))
            continue
        if meter.kind != METER:
            print(f"{meter.name:<10} {meter.kind:<22} {'; '.join(reasons) or _checked_until(meter)}")
            continue
        ratio = f"{meter.chamber_ratio:f}" if meter.chamber_ratio is not None else "none"
        print(f"{meter.name:<10} chamber ratio {ratio:<8} {'; '.join(reasons) or _good_until(meter)}")
    if not (there or args.json):
        print("No meter is in the register yet. Enter one with: bowlside meter add NAME")
    return 1 if unfit else 0


def _checked_until(item: Meter) -> str:
    until = item.good_until()
    return f"good until {until}" if until else "fit for use"


def _good_until(meter: Meter) -> str:
    day = meter.due()["calibration"]
    return f"calibration good until {day}" if day else "fit for use"


def _as_object(meter: Meter, today: date) -> dict[str, Any]:
    if meter.kind != METER:
        return {"name": meter.name, "kind": meter.kind, "good_until": meter.good_until() and str(meter.good_until()),
                "checks": [{"on": str(one.on), "until": one.until and str(one.until), "by": one.by, "remark": one.remark}
                           for one in meter.checks], "retired": meter.retired or None, "not_fit": fit_for_use(meter, today)}
    return {"meter": meter.name, "chamber_ratio": meter.chamber_ratio, "bowl_ft3": meter.bowl_ft3, "max_psi": meter.max_psi,
            "clamps": meter.clamps,
            "factors": {source: {"on": str(day), "pct": pct} for source, (day, pct) in meter.factors.items()},
            "good_until": {name: day and str(day) for name, day in meter.due().items()},
            "leak_holds": [{"on": str(one.on), "test": one.test, "drop_psi": one.drop_psi, "verdict": one.verdict}
                           for one in meter.holds],
            "leak_trend_psi_per_hold": None if (trend := leak_trend(meter.holds)) is None else round_to(trend, 4),
            "retired": meter.retired or None, "not_fit": fit_for_use(meter, today)}


def _show(args: argparse.Namespace) -> int:
    register, today = _register(args), date.today()
    meter = known(register.meters(), args.meter)
    if args.json:
        print(dumps({**_as_object(meter, today), "history": [{"at": wall, "kind": kind, **body} for wall, _, kind, body
                                                            in register.history(args.meter)]}))
        return 0
    print(f"{meter.kind.capitalize()} {meter.name}, in the register since {meter.added}")
    if meter.kind != METER:
        days = meter.interval("check_days")
        print(f"  good for       {'does not run out' if days is None else f'{days} days':<17} {GEAR[meter.kind][1]}")
        _history(register, meter, today)
        return 0
    print(f"  chamber ratio  {'none' if meter.chamber_ratio is None else f'{meter.chamber_ratio:f}'}")
    print(f"  bowl           {'unknown' if meter.bowl_ft3 is None else f'{meter.bowl_ft3:f} ft3'}")
    for name in INTERVALS:
        days = meter.interval(name)
        own = "this meter's own" if name in meter.own_intervals else standing_of(name)
        print(f"  {name.replace('_', ' '):<18} {'does not run out' if days is None else f'{days}':<17} {own}")
    for source, (day, pct) in meter.factors.items():
        print(f'  aggregate correction "{source}"  {pct:f} %, of {day}')
    for one in meter.holds[-10:]:
        drop = "does not count" if one.drop_psi is None else f"lost {one.drop_psi:f} psi"
        print(f"  leak hold {one.on}  test {one.test}  {drop}  {one.verdict}")
    trend = leak_trend(meter.holds)
    if trend is not None:
        print(f"  trend: {round_to(trend, 3):+f} psi from one hold to the next")
    _history(register, meter, today)
    return 0


def _history(register: Register, meter: Meter, today: date) -> None:
    print("History")
    for wall, _, kind, body in register.history(meter.name):
        plain = {**body, **body["days"]} if kind == "intervals" else body
        told = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in plain.items() if value != "" and key != "days")
        print(f"  {wall[:16].replace('T', ' ')}  {kind:<10}  {told}")
    for reason in fit_for_use(meter, today):
        print(f"Not fit: {reason}")


def _add(args: argparse.Namespace) -> int:
    name = _text("METER", args.meter)
    if args.clamps is not None and not 2 <= args.clamps <= 24:
        raise MeterError(f"--clamps is {args.clamps}: it must be from 2 to 24.")
    if args.kind != METER:
        if args.max_psi is not None or args.clamps is not None:
            raise MeterError(f"meter add: a {args.kind} has neither --max-psi nor --clamps.")
        _register(args).add(name, "added", kind=args.kind)
        print(f"{args.kind.capitalize()} {name} is in the register. Enter its check with: bowlside meter checked {quote(name)}")
        return 0
    _register(args).add(name, "added", max_psi=_number("max_psi", args.max_psi), clamps=args.clamps)
    print(f"Meter {name} is in the register. Enter its calibration with: bowlside meter calibrated {quote(name)} --ratio K")
    return 0


def _is(args: argparse.Namespace, meter: bool) -> Meter:
    """The thing that is named. MeterError: it is a meter and must not be one, or the other way round."""
    item = known(_register(args).meters(holds=0), args.meter)
    if (item.kind == METER) != meter:
        raise MeterError(f"{item.name} is a {item.kind}: a meter is calibrated, everything else is checked.")
    return item


def _checked(args: argparse.Namespace) -> int:
    _is(args, meter=False)
    on, until = _day(args.on), _date("--until", args.until) if args.until else None
    if until is not None and until < on:
        raise MeterError(f"--until is {until}, before the check on {on}.")
    by, remark = (value and _text(key, value) for key, value in (("--by", args.by), ("--remark", args.remark)))
    _register(args).add(args.meter, "checked", on=on, until=until, by=by, remark=remark)
    print(f"Entered for {args.meter}.")
    return 0


def _calibrated(args: argparse.Namespace) -> int:
    _is(args, meter=True)
    ratio, bowl, on = _number("chamber_ratio", args.ratio), _number("bowl_ft3", args.bowl_ft3), _day(args.on)
    if args.test is not None:
        ratio, on = _of_test(args, "chamber_ratio", ratio)
    if ratio is None and bowl is None:
        raise MeterError("meter calibrated: give --ratio, --bowl-ft3, or both, or --test ID.")
    how = args.how or (f"test {args.test} of the record" if args.test is not None else "")
    by, how = (value and _text(key, value) for key, value in (("--by", args.by), ("--how", how)))
    _register(args).add(args.meter, "calibrated", on=on, chamber_ratio=ratio, bowl_ft3=bowl, by=by, how=how)
    print(f"Entered for meter {args.meter}.")
    return 0


def _factor(args: argparse.Namespace) -> int:
    _is(args, meter=True)
    pct, on = _number("aggregate_correction_pct", args.pct), _day(args.on)
    if args.test is not None:
        pct, on = _of_test(args, "aggregate_correction", pct)
    if pct is None:
        raise MeterError("meter factor: give --pct or --test ID.")
    _register(args).add(args.meter, "factor", on=on, source=_text("--source", args.source), pct=pct)
    print(f"Entered for meter {args.meter}.")
    return 0


def _of_test(args: argparse.Namespace, name: str, given: Decimal | None) -> tuple[Decimal, date]:
    """A result of a test in the record, as reported, and the test's day.

    MeterError: it has none that counts, or is not this meter's.
    """
    if given is not None or args.on:
        raise MeterError("--test brings value and day with it: leave --ratio, --pct and --on out.")
    with Journal(args.journal or log.default_folder(), write=False) as journal:
        found = summary.of(journal, log.known(journal, args.test))
    value = next((one["rounded"] for one in found["results"] if one["name"] == name), None)
    if value is None or found["outcome"] != "done" or found.get("practice"):
        raise MeterError(f"Test {args.test} is {found['title'].lower()} and gives no {name.replace('_', ' ')} that counts.")
    if found.get("meter", args.meter) != args.meter:
        raise MeterError(f"Test {args.test} was done with meter {found['meter']}, not {args.meter}.")
    checked({"aggregate_correction": "aggregate_correction_pct"}.get(name, name), str(value))  # else no test could begin with it
    for doubt in found["warnings"]:
        print(f"But: {doubt}.")
    return value, date.fromisoformat(found["started"][:10])


def _due(args: argparse.Namespace) -> int:
    names = tuple(INTERVALS) if known(_register(args).meters(holds=0), args.meter).kind == METER else ("check_days",)
    days = {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    if not days or not all(0 <= each <= 3650 for each in days.values()):
        raise MeterError("meter due: give at least one of " + ", ".join(f"--{name.replace('_', '-')}" for name in names)
                         + ", each from 0 (never) to 3650 days.")
    _register(args).add(args.meter, "intervals", days=days)
    print(f"Entered for meter {args.meter}.")
    return 0


def _remark(args: argparse.Namespace) -> int:
    _register(args).add(args.meter, "remark", text=_text("TEXT", args.text))
    print(f"Entered for meter {args.meter}.")
    return 0


def _retire(args: argparse.Namespace) -> int:
    _register(args).add(args.meter, "retired", why=_text("--why", args.why))
    print(f"Meter {args.meter} is out of use.")
    return 0


def _number(key: str, value: str | None):
    return None if value is None else checked(key, value)


def _text(key: str, value: str) -> str:
    if not value.strip() or not plain.is_line(value):
        raise MeterError(f"{key} must be {plain.RULE}.")
    return value.strip()


def _day(value: str | None) -> date:
    day = _date("--on", value) if value else date.today()
    if day > date.today():
        raise MeterError(f"--on is {day}, which is still to come.")
    return day


def _date(key: str, value: str) -> date:
    try:
        return date.fromisoformat(value)
    except ValueError:
        raise MeterError(f"{key} is {value}: write the day as 2031-05-17.") from None
