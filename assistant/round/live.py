"""``bowlside round``: a whole round with the devices that are there, opened once for all its tests."""
from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from shlex import quote
from typing import Any

from assistant import job
from assistant.core.events import Event, Restarted
from assistant.core.language import sentence
from assistant.core.phrases import capital
from assistant.core.procedure import Procedure
from assistant.core.state import State
from assistant.files.plain import for_terminal
from assistant.job import placed
from assistant.record import log, summary
from assistant.record.journal import Journal
from assistant.record.session import Handles, Station, Unrecorded, unfinished
from assistant.round.drive import Round
from assistant.round.plan import Plan, plan_of
from assistant.round.record import judged, of_round
from assistant.station import job_and_meter, practice_keys, start, voice_out
from assistant.station.live import Live
from hardware import clock
from hardware.meter import Meter
from hardware.meter_live import LivePractice


def run(args: argparse.Namespace, beside: start.Beside | None = None) -> int:
    """Exit code: 0 all tests are done and nothing stayed failed; 1 not."""
    out = voice_out.chosen(args)
    folder = args.journal or log.default_folder(practice=args.practise)
    plan, may_begin = _plan(args, folder, out.wording)
    boot = clock.boot_id()
    with Journal(folder) as journal:
        log.tell_damage(journal)
        left = unfinished(journal, boot)
        state = left.state if left else State()
        if left is None:
            may_begin()
        simulated = LivePractice(practice_keys.made_ready(Meter(job_and_meter.AIR_PCT, job_and_meter.METRIC_PSI), state)) if args.practise else None
        extra: dict[str, Any] = {"hints": practice_keys.hint, "keys": practice_keys.PRACTICE_KEYS} if simulated else {}

        played: list[Round] = []

        def whole(live: Live) -> int:
            def play(station: Handles, first: Event, procedure: Procedure) -> None:
                live.next(station)
                assert live.speaker is not None
                wording = station.state.wording if station.state.procedure else out.wording
                out.prepare(live.speaker, voice_out.fixed(procedure, wording))
                if isinstance(station, Station):
                    live.result = None
                live.run(first)
                if isinstance(station, Station) and station.over:
                    live.result = start.result(journal, station)
            played.append(Round(journal, plan, boot, play, clock.boot_now))
            return played[0].go()

        code = start.on_devices(Unrecorded(), Restarted(0.0, boot), out, model=args.model, meter=simulated, damage=journal.damage,
                                gauge=None if simulated else start.own_gauge, terminal=not args.headless, whole=whole, beside=beside,
                                daylight=getattr(args, "daylight", None), **extra)
        if played and played[0].name:
            _farewell(journal, played[0].name, folder, args)
    return code


def _plan(args: argparse.Namespace, folder: Path, wording: str) -> tuple[Plan, Callable[[], None]]:
    its_job = job.load(args.job) if args.job else None
    said = job_and_meter.round_of(its_job)
    said |= {key: getattr(args, key) for key in ("technicians", "second") if getattr(args, key) is not None}
    tests = said.get("tests", Plan().tests)
    if args.practise:
        own = job.read(args.job, args.mix) if args.job else {}
        known = job_and_meter.Given({**job_and_meter.for_practice(wording), **own, "practice": True, "meter": "simulated"}, "", "")
    else:
        known = job_and_meter.for_real(args, folder, tests, wording)
    where = str(args.job) if args.job else "round"
    plan = plan_of({**known.data, **job_and_meter.labelled(args.label), **said}, where, known.remark)
    return replace(plan, gear=known.of, placed=placed.before(its_job, args.mix)), known.must_be_fit


def _farewell(journal: Journal, name: str, folder: Path, args: argparse.Namespace) -> None:
    """What is in the record of this round, a line a test, and what to do with it."""
    tests = of_round(journal, name)
    if not tests:
        return
    print(f"Round {name}, kept in {folder}:")
    for test in tests:
        one = summary.of(journal, test)
        known = [each for each in one["results"] if each["rounded"] is not None]
        results = ", ".join(map(summary.figures, known))
        print(f"  test {test:>3}  {one['test']:<13} {one['outcome']:<9} {sentence('log.' + one['verdict']):<8} {results}"
              f"{'  check test' if one.get('check_of') else ''}")
    if found := judged([summary.of(journal, test) for test in tests]).load:
        print(for_terminal(capital(found.why) + "."))
    job_file = f" --job {quote(str(args.job))}" if args.job else ""
    print(f"To read one out: {log.typed('log read NUMBER', folder)}")
    print(f"The report: {log.typed(f'log export --day today --pdf day.pdf{job_file}', folder)}")
