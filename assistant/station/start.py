"""Putting a live station together: screen, keys, voice, ear, meter, around one test."""
from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager, ExitStack
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from assistant import job
from assistant.core import phrases
from assistant.core.events import Event, Restarted, TestStarted
from assistant.core.language import sentence
from assistant.core.procedure import Procedure
from assistant.core.state import State
from assistant.files.plain import for_terminal
from assistant.files.refusal import Refusal
from assistant.job import placed
from assistant.record import loads, log, page, reading_out, summary
from assistant.record.header import Header, header_of
from assistant.record.journal import FILE, Journal
from assistant.record.session import Handles, Station, Unrecorded, unfinished
from assistant.station import device_watch, headless, job_and_meter, practice_keys, sounds, station_settings, view, voice_out
from assistant.station.devices import Hands, WireGauge
from assistant.station.ears import Ears
from assistant.station.layout import View
from assistant.station.live import Live
from assistant.station.load_first import Before, LoadFirst
from assistant.station.notify import Notify
from assistant.station.screen import Screen, ScreenError
from hardware import clock
from hardware.meter import Meter
from hardware.meter_live import LivePractice
from hardware.over_talk import OverTalk
from hardware.terminal import TerminalError, TerminalKeypad
from hardware.voice import VoiceSettings

Beside = Callable[[Live], AbstractContextManager[object]]
"""What runs beside the tests as long as the devices are open: the crew's board."""


def run(args: argparse.Namespace, beside: Beside | None = None) -> int:
    """Live, with the devices that are there."""
    out = voice_out.chosen(args)
    folder = args.journal or log.default_folder()
    known = job_and_meter.for_real(args, folder, [args.test], out.wording)
    given = {**known.data, **job_and_meter.labelled(args.label)}
    its_gear, overdue = known.of(args.test)
    header = header_of({"test": args.test, **its_gear, **given}, str(args.job) if args.job else "run")
    its_job = job.load(args.job) if args.job else None
    load_of = given if loads.TICKET in job_and_meter.round_of(its_job).get("tests", ()) and args.test != loads.TICKET else None
    return _on_the_record(args, header, folder, out, remark=f"{known.remark} {overdue}".strip(), may_begin=known.must_be_fit,
                          load_of=load_of, before=placed.before(its_job, args.mix), beside=beside)


def practise(args: argparse.Namespace, beside: Beside | None = None) -> int:
    """The same with the simulated meter, which also speaks as a gauge on a wire if ``--wire`` says so."""
    try:
        meter = Meter(args.air, args.metric, seed=args.seed, leak_psi_per_min=args.leak)
    except ValueError as error:
        raise Refusal(f"practise: {error}") from None
    out = voice_out.chosen(args)
    header = header_of({"test": args.test, **job_and_meter.for_practice(out.wording)}, "practise")
    folder = args.journal or log.default_folder(practice=True)
    if not (folder / FILE).exists():
        sounds.before_practice(out)
    return _on_the_record(args, header, folder, out, meter, beside=beside)


def _on_the_record(args: argparse.Namespace, header: Header, folder: Path, out: voice_out.Spoken, meter: Meter | None = None,
                   remark: str = "", may_begin: Callable[[], None] = lambda: None,
                   load_of: Mapping[str, Any] | None = None, before: Before = lambda _journal: [],
                   beside: Beside | None = None) -> int:
    """load_of: labels and settings of the test, where it is asked first which load it is on.
    before: what the record has of the day's concrete.
    """
    boot, args_job = clock.boot_id(), getattr(args, "job", None)
    with Journal(folder) as journal:
        log.tell_damage(journal)
        left = unfinished(journal, boot)
        ticket = left if load_of is not None and _test_of(left) == loads.TICKET else None
        new = left is None or ticket is not None
        if new:
            may_begin()
            header.must_begin()
        elif left is not None:
            _may_go_on(left, header, folder)
            if args_job:
                remark = f"Going on with test {left.test} and its own settings; the job file is not used."
        played: list[Station] = []

        def station_of(labels: Mapping[str, str] = {}) -> tuple[Station, Event]:
            """The test itself, new or gone on with."""
            first: Event
            if not new and left is not None:
                one, first = left, Restarted(clock.boot_now(), boot, wall=loads.of_day(datetime.now()))
            else:
                one = Station(journal, journal.new_test(), boot)
                first = TestStarted(clock.boot_now(), header.test, header.data, header.settings.to_mapping(),
                                    {**header.labels, **labels, **({"remark": remark} if remark else {})},
                                    clock={"wall": loads.of_day(datetime.now()), "boot": boot,
                                           **({"placed": before(journal)} if header.test == loads.TICKET else {})})
            played.append(one)
            return one, first

        def whole(live: Live) -> int:
            """First which load it is, then the test."""
            def play(one: Handles, first: Event, procedure: Procedure) -> int:
                live.next(one)
                assert live.speaker is not None
                out.prepare(live.speaker, voice_out.fixed(procedure, out.wording))
                return live.run(first)
            labels = LoadFirst(journal, load_of or {}, play, clock.boot_now, boot, before).labels(ticket)
            return 1 if labels is None else play(*station_of(labels), header.procedure)

        asks = new and load_of is not None
        station, first = (Unrecorded(), Restarted(0.0, boot)) if asks else station_of()
        simulated = LivePractice(practice_keys.made_ready(meter, station.state)) if meter else None
        hints = practice_keys.by_wire if getattr(args, "wire", "") else practice_keys.hint
        keys = practice_keys.PRACTICE_KEYS if practice_keys.on_meter(header.test) else view.KEYS
        extra: dict[str, Any] = {"hints": hints, "keys": keys} if simulated else {}
        going_on = station.state.procedure
        texts = voice_out.fixed(going_on or header.procedure, station.state.wording if going_on else out.wording)
        gauge = own_gauge if simulated is None else _on_a_wire(args.wire, simulated) if args.wire else None
        terminal = not getattr(args, "headless", False)

        def to_the_result(live: Live) -> int:
            code = whole(live) if asks else live.run(first)
            if terminal and played and played[-1].over:
                live.leave_up(result(journal, played[-1])(None))
            return code
        code = on_devices(station, first, out, texts, args.model, simulated, remark, journal.damage, gauge=gauge, terminal=terminal,
                          whole=to_the_result, beside=beside, daylight=getattr(args, "daylight", None),
                          **extra)
        for one in played:
            _farewell(one.test, one.state, folder)
    return code


def _test_of(station: Station | None) -> str:
    return station.state.procedure.test if station is not None and station.state.procedure else ""


def _may_go_on(left: Station, header: Header, folder: Path) -> None:
    """Raises Refusal: another test is not over."""
    test = _test_of(left) or header.test
    was, now = (bool((labels or {}).get("practice")) for labels in (left.state.header, header.labels))
    finish = log.typed(f"{'practise' if was else 'run'} {test}", folder, practice=was)
    if test != header.test:
        raise Refusal(f"test {left.test} in {folder} is a {test} test that is not over. Finish it first ({finish}).")
    if was != now:
        raise Refusal(f"test {left.test} in {folder} is {'practice' if was else 'a real test'} and is not over. "
                          f"Finish it first ({finish}).")


def result(journal: Journal, station: Station) -> Callable[[View | None], View]:
    """The page of a test that is over: alone, or beside the question that comes next."""
    its = page.of(summary.of(journal, station.test))
    return lambda beside: view.result(its, station.state, beside)


def own_gauge() -> tuple[Mapping[str, Any], Callable[[], None]]:
    """The station's own gauge, if its settings name one."""
    return station_settings.read()["gauge"], lambda: None


def _on_a_wire(kind: str, meter: LivePractice) -> WireGauge:
    """What makes the simulated meter speak over a pseudo-terminal, as a gauge of this kind does."""
    def plug() -> tuple[Mapping[str, Any], Callable[[], None]]:
        from hardware.gauges.pty_gauge import SETTINGS, serve
        port, stop = serve(kind, meter.gauge)
        return {"kind": kind, "port": port, **SETTINGS[kind]}, stop
    return plug


def _farewell(test: int, state: State, folder: Path) -> None:
    verdict, why = summary.whole_verdict(state)
    pressurised = state.procedure is not None and state.procedure.pressurised
    if state.outcome:
        practice = sentence("log.practice") if (state.header or {}).get("practice") else ""
        print(for_terminal(f"Test {test} is {state.outcome}: {verdict}, {why}. {practice}".rstrip()))
        print(for_terminal(f"Its record is in {folder}. To see it, and to have it read out:"),
              *(f"  {log.typed(f'log {what} {test}', folder)}" for what in ("show", "read")), sep="\n")
        if state.outcome != "done" and pressurised:
            print(for_terminal(f"{phrases.PRESSURE_CAUTION} {phrases.MAKE_SAFE}"))
    else:
        print(for_terminal(f"Test {test} is not over; everything taken is kept in {folder}. The same command goes on with it. "
                           f"{phrases.PRESSURE_CAUTION if pressurised else ''}"))


def on_devices(station: Handles, first: Event, out: voice_out.Spoken, texts: Iterable[str] = (), model: Path | None = None,
               meter: LivePractice | None = None, remark: str = "", damage: str = "",
               hints: Callable[[State], str] = lambda state: "", keys: str = view.KEYS, gauge: WireGauge | None = None,
               terminal: bool = True, whole: Callable[[Live], int] | None = None, beside: Beside | None = None,
               daylight: bool | None = None) -> int:
    """Run with whatever of screen, sound and microphone is there. ``terminal`` False: its screen and keys are not used.

    damage: of the record; said and shown, and noted in the test.
    whole: runs more than one test on these devices, and gives the exit code.
    daylight: the screen is dark on light; None: as the station's settings say.
    """
    settings, notify = station_settings.read(), Notify()
    if not terminal:
        headless.must_be_answerable(settings)
    with ExitStack() as stack:
        live = Live(station, None, meter, hints=hints, keys=keys)
        if beside is not None:
            stack.enter_context(beside(live))
        if terminal:
            _at_terminal(stack, live, bool(meter), settings["screen"]["daylight"] if daylight is None else daylight)
        else:
            live.show = headless.Log(live.notices, clock.boot_now).show
            stack.callback(headless.on_stop(lambda: live.key("quit")))
        stack.callback(notify.stopping)
        live.alive = notify.alive
        speaker = out.speaker(live.spoken, live.trouble)
        stack.callback(speaker.close)
        live.attach(speaker)
        out.prepare(speaker, texts, live.trouble)
        live.notices.extend(filter(None, (remark, damage)))
        if damage:
            live.lost("record", sentence("device.record_damaged"))
        hands = Hands(live, settings, gauge)
        stack.callback(hands.close)
        live.lamps = hands
        if gauge or meter:  # a test, not a reading out
            device_watch.begin(live, hands, settings, bool(gauge) and bool(meter or settings["gauge"]["kind"]))
        live.barge_in = bool(settings["hearing"]["barge_in"])
        over = OverTalk(speaker.mixer, lambda: speaker.audible, speaker.is_deaf) if live.barge_in else None
        stack.callback(Ears(live, hands.deaf if over else lambda: speaker.is_deaf() or hands.deaf(), model, over=over,
                            talks=speaker.is_deaf).close)
        if meter:
            live.status = sentence("ear.practice")
        return live.run(first) if whole is None else whole(live)


def _at_terminal(stack: ExitStack, live: Live, meter: bool, daylight: bool) -> None:
    """The terminal is screen and keypad, and with ``meter`` the hands on it, until the stack is closed."""
    screen = Screen(daylight=daylight)

    def key(name: str) -> None:
        screen.switch() if name == "light" else live.key(name)
    keypad = TerminalKeypad(key, live.meter if meter else None, lambda name: live.tell(sentence("ear.no_key", key=name)))
    live.show = screen.show
    try:
        stack.enter_context(keypad)
        stack.callback(lambda: _tell_stray(screen.stop()))
        screen.start()
    except (TerminalError, ScreenError) as error:
        raise Refusal(str(error)) from None


def _tell_stray(text: str) -> None:
    if text.strip():
        print(text.strip(), file=sys.stderr)


def read_out(args: argparse.Namespace) -> int:
    """Read a finished test out slowly. In a terminal with next, say again, slower; else line after line."""
    with log.opened(args) as journal:
        found = summary.of(journal, log.known(journal, args.id))
    if args.json or not (sys.stdin.isatty() and sys.stdout.isatty()):
        _line_by_line(found, voice_out.chosen(args, reading_out.SLOW_WPM), args.json)
        return 0
    figures, out = reading_out.figures(found), voice_out.chosen(args, reading_out.SLOW_WPM)
    start = TestStarted(clock.boot_now(), "log-read", reading_out.as_procedure(found), {}, {"wpm": out.voice.rate_wpm})
    station = Unrecorded()

    def figure(state: State) -> str:
        return figures.get(state.step.id, "") if state.procedure else ""

    def in_big_digits(live: Live) -> int:
        def drawn(shown: View | None) -> View:
            assert shown is not None
            known = figure(station.state)
            return replace(shown, figures=((sentence("log.stage"), known),)) if known else shown
        live.result = drawn
        return live.run(start)
    return on_devices(station, start, out, hints=figure, keys=reading_out.KEYS_HELP, whole=in_big_digits,
                      daylight=getattr(args, "daylight", None))


def _line_by_line(found: dict[str, Any], out: voice_out.Spoken, as_json: bool) -> None:
    from assistant.files.jsonline import dumps
    lines = reading_out.lines(found)
    speaker = None if as_json else voice_out.audible(out)
    for ident, words in lines:
        print(dumps({"id": ident, "words": words}) if as_json else words, flush=True)
        if speaker is not None:
            voice_out.say(speaker, ident, words)
    if speaker is not None:
        speaker.close()


def tell(args: argparse.Namespace, words: str) -> None:
    """Why a station without a terminal does not start, aloud: nobody sees what it prints."""
    try:
        out = voice_out.chosen(args)
    except Refusal:  # the settings are what is wrong
        out = voice_out.Spoken(VoiceSettings(), "normal")
    speaker = voice_out.audible(out)
    if speaker is not None:
        voice_out.say(speaker, "refused", words)
        speaker.close()
