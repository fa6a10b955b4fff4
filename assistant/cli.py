"""The command line: ``bowlside``. Exit code 0 done; 1 refused, unfinished or outside a limit; 2 wrong use."""
from __future__ import annotations

import argparse
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import assistant.board.commands
import assistant.job.commands
import assistant.meters.commands
import assistant.office.commands
import assistant.rehearsal.commands
import assistant.report.commands
import assistant.send.commands
import assistant.speech.commands
import assistant.station.commands
from assistant import check, work
from assistant.core import language
from assistant.core.methods import registry
from assistant.core.procedure import ProcedureError
from assistant.files import plain
from assistant.files.jsonline import dumps
from assistant.files.refusal import Refusal
from assistant.files.version import version
from assistant.record import log, recover
from assistant.record.journal import FILE, JournalError
from assistant.setup import bundle, service
from assistant.speech import hear, mic
from assistant.station.job_and_meter import AIR_PCT, METRIC_PSI
from hardware import memory

DEMO = Path(__file__).parent / "procedures" / "demo.jsonl"


@plain.on_terminal()
def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code. Never lets a traceback through for what a user can do wrong."""
    # numpy's threads wait for one another in a busy loop: with every core in use, 17 s of matrix products with one took 181 s.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", str(max(1, (os.cpu_count() or 1) // 2)))
    memory.give_back()
    args = parser().parse_args(argv)
    if trouble := language.TROUBLE or registry.trouble():
        return _refuse(trouble, 2)
    try:
        code = args.do(args)
        if sys.stdout is not None and not sys.stdout.closed:
            sys.stdout.flush()  # what is short is written only now: that it has nowhere to go is told here, not at Python's exit
        return code
    except (Refusal, ProcedureError, JournalError) as error:
        if args.verbose:
            traceback.print_exc()
        code = _refuse(error, 1 if isinstance(error, JournalError) else 2)
        if getattr(args, "headless", False):
            from assistant.station import start
            start.tell(args, str(error))
        return code
    except BrokenPipeError:
        sys.stderr.close()  # whoever read our output is gone; Python would complain about it at exit
        return 1
    except OSError as error:
        return _disk_trouble(error)
    except ModuleNotFoundError as error:  # after an upgrade by hand
        return _refuse(f"The package {error.name} is missing. In the project's folder python3 assistant installs it.", 1)
    except KeyboardInterrupt:
        return _refuse("Stopped. Nothing recorded is lost; start again to go on.", 1)


def _refuse(error: object, code: int) -> int:
    print(f"bowlside: {error}", file=sys.stderr)
    return code


def _disk_trouble(error: OSError) -> int:
    """What is printed has nowhere to go, or a file of the user's can't be written. The journal tells its own troubles."""
    code = _refuse(f"{error.strerror or error}{f': {error.filename}' if error.filename else ''}. "
                   "Nothing recorded is lost; make room or choose another place, then start again.", 1)
    try:
        sys.stdout.flush()
    except OSError:
        with suppress(OSError):
            sys.stdout.close()  # else Python tries once more at exit, and complains with a traceback
    return code


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}. See {self.prog} --help.\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """What a command does not know is told by that command, whose help lists what it knows; else the top one tells it."""
        found, rest = super().parse_known_args(args, namespace)
        if rest:
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return found, rest


def parser() -> argparse.ArgumentParser:
    """Every command with its help."""
    top = _Parser(prog="bowlside", description="A hands-busy voice and keypad assistant for testing fresh concrete: "
                  "the sequential pressure method, start to finish. Without a command: in a terminal, start; "
                  "without one, rehearse the demo test.")
    top.add_argument("--version", action="version", version=f"bowlside {version()}")
    top.add_argument("--verbose", action="store_true", help="for a maintainer: where in the program a refusal came from")
    top.set_defaults(do=_bare)
    commands = top.add_subparsers(metavar="COMMAND")

    def command(name: str, text: str, do: Callable[[argparse.Namespace], int] | None = None) -> argparse.ArgumentParser:
        added = commands.add_parser(name, help=text, description=text)
        added.set_defaults(do=do or partial(_help, added))
        return added

    run = command("run", "Run a test live, with the devices that are there; goes on with one that is not over.", partial(_live, "run"))
    _live_arguments(run)
    run.add_argument("--job", type=Path, metavar="FILE", help="the job's limits, meter and labels (TOML)")
    run.add_argument("--headless", action="store_true", help="without a terminal, as the service runs it: keypad, pedal, buttons, voice")

    _of_meter(run)

    round_ = command("round", "Sampling, then every test on that sample, with the clocks; goes on with one that is not over.",
                     partial(_live, "round"))
    _live_arguments(round_, test=False)
    round_.add_argument("--job", type=Path, metavar="FILE", help="the job's limits, tests, meter and labels (TOML)")
    round_.add_argument("--headless", action="store_true", help="without a terminal: keypad, pedal, buttons, voice")
    _of_meter(round_)
    round_.add_argument("--practise", action="store_true", help="on the simulated meter: nothing counts")
    round_.add_argument("--technicians", type=int, choices=(1, 2), help="one alone, or two: another order, to compare (1)")
    round_.add_argument("--second", metavar="CODE", help="the second technician, who repeats a test to compare")

    practise = command("practise", "The same on a simulated meter: nothing counts.", partial(_live, "practise"))
    _live_arguments(practise)
    practise.add_argument("--seed", type=int, default=1, help="of the simulated meter's chance (1)")
    practise.add_argument("--air", type=float, default=AIR_PCT, metavar="PCT", help=f"air in the concrete, percent ({AIR_PCT})")
    practise.add_argument("--metric", type=float, default=METRIC_PSI, metavar="PSI",
                          help=f"system air metric, psi ({METRIC_PSI:.2f})")
    practise.add_argument("--leak", type=float, default=0.0, metavar="PSI", help="chamber leak, psi a minute (0)")
    practise.add_argument("--wire", choices=("line", "polled", "modbus"),
                          help="the simulated meter also speaks as a gauge of this kind on a wire (none)")

    assistant.rehearsal.commands.add_arguments(
        command("rehearse", "Play a script through the real machine on a virtual clock.", assistant.rehearsal.commands.run))

    prompts = command("prompts", "Every prompt of a test: id, test, kind, words.", _prompts)
    prompts.add_argument("test", metavar="TEST", nargs="?", default="sequential", help="the test (sequential)")
    prompts.add_argument("--json", action="store_true", help="one JSON object a line")

    hear.add_arguments(command("hear", "What the station would understand of WAV files.", hear.run))

    work.add_arguments(command("work", "Compute results from readings given as JSON on standard input.", work.run_command))

    mics = command("mic", "The microphone: check.")
    mic_check = mics.add_subparsers(metavar="WHAT").add_parser(
        "check", help="Is it loud, clean and close enough? Says what to move.",
        description="Listens to the noise and to five digits, and says what is right and what to move.")
    mic_check.set_defaults(do=mic.run)
    mic.add_arguments(mic_check)

    check.add_arguments(command("check", "Walk every device: press each key, see the lamp, watch the gauge; says what is wrong.",
                                check.run))

    sounds = command("sounds", "What each sound of the station means: plays each after that, or writes them as files.", _sounds)
    sounds.add_argument("names", metavar="NAME", nargs="*", help="only these, by the names that it prints (all)")
    sounds.add_argument("--wav", type=Path, metavar="FOLDER", help="write each as NAME.wav into this folder, and play nothing")

    keys = command("keys", "The card of the keys: prints it, or draws it for A5 paper.", _keys)
    keys.add_argument("file", type=Path, metavar="FILE", nargs="?", help="an SVG to draw it into (prints it)")

    wiring = command("wiring", "How each device is wired: a page and a drawing each, with the pins of this station.", _wiring)
    wiring.add_argument("folder", type=Path, metavar="FOLDER", help="where the pages go; index.md is the first")

    assistant.speech.commands.add_arguments(command("voice", "Speech models: list, fetch, use; and record a voice to train on."))

    assistant.job.commands.add_arguments(command("job", "Job files: new, check, show, due."))

    assistant.station.commands.add_arguments(command("settings", "The station's own file: new."))

    assistant.meters.commands.add_arguments(command("meter", "The register of meters and other equipment."))

    cylinders = command("cylinders", "Which cylinders lie where, what their box showed, when they are to be picked up; labels.", _cylinders)
    cylinders.add_argument("--all", action="store_true", help="those that were picked up too")
    cylinders.add_argument("--labels", type=Path, metavar="FILE.pdf", help="a sheet of labels for those that are listed")
    cylinders.add_argument("--json", action="store_true", help="one JSON object a line")
    log.journal_argument(cylinders)

    service.add_install_arguments(command("install-service", "The station starts with this machine, without a terminal.",
                                          service.install))
    service.add_uninstall_arguments(command("uninstall-service", "Take that away again; the record stays.", service.uninstall))

    completion = command("completion", "Words for the Tab key of a shell: bowlside completion bash >> ~/.bashrc", _completion)
    completion.add_argument("shell", choices=("bash", "zsh", "tcsh"), metavar="SHELL", help="bash, zsh or tcsh")

    assistant.board.commands.add_arguments(command("board", "What the station publishes, as pages for the phones of the crew.",
                                                   assistant.board.commands.run))

    assistant.send.commands.add_arguments(command("send", "Send what is recorded to an office: enrol there, send, say how far it is.",
                                                  assistant.send.commands.run))

    assistant.office.commands.add_arguments(
        command("office", "Every station's results in one place: trial, run, stations, backup."))

    bundle.add_arguments(command("bundle", "Everything a station needs in one folder, for a site without network.", bundle.run))

    logs = command("log", "The record: list, show, read, export, verify, recover.")
    inner = logs.add_subparsers(metavar="WHAT")
    for name, text, do in (("list", "Every test, one a line.", log.list_tests),
                           ("show", "One test: readings, results, remarks.", log.show),
                           ("read", "Read a test out slowly, for copying to paper.", _read),
                           ("export", "Write tests as CSV, JSON or PDF.", assistant.report.commands.export),
                           ("verify", "Check that no event was lost or changed.", recover.verify),
                           ("recover", "Save what is sound of a damaged record into a new folder.", recover.run)):
        one = inner.add_parser(name, help=text, description=text)
        one.set_defaults(do=do)
        if name == "read":
            _out_arguments(one)
        if name in ("show", "read"):
            one.add_argument("id", type=int, metavar="ID", help="the test's number in log list")
        if name == "recover":
            one.add_argument("new", type=Path, metavar="NEWDIR", help="a folder that does not exist yet")
        if name == "export":
            assistant.report.commands.add_arguments(one)
        else:
            one.add_argument("--json", action="store_true", help="one JSON object a line")
        log.journal_argument(one)
    return top


def _help(group: argparse.ArgumentParser, _args: argparse.Namespace) -> int:
    """Of a group of commands, where none of them is named."""
    group.print_help()
    return 2


def _of_meter(one: argparse.ArgumentParser) -> None:
    one.add_argument("--mix", metavar="NAME", help="a mix of the job file, other than its own")
    one.add_argument("--override", metavar="WHY", help="use a meter that is out of date; why is recorded")
    one.add_argument("--label", action="append", default=[], metavar="KEY=TEXT",
                     help="for record and report, such as ticket=40117; may be given several times")


def _live_arguments(one: argparse.ArgumentParser, test: bool = True) -> None:
    if test:
        one.add_argument("test", metavar="TEST", nargs="?", default="sequential", help="the test (sequential)")
    wording = one.add_mutually_exclusive_group()
    wording.add_argument("--wording", choices=("terse", "normal", "coaching"), help="how much it says (normal)")
    wording.add_argument("--terse", action="store_true", help="short for --wording terse")
    _out_arguments(one)
    one.add_argument("--model", type=Path, metavar="DIR", help="folder of a vosk model to hear with, or own: the station's")
    one.add_argument("--board", action="store_true", help="write what the crew's board may see")
    one.add_argument("--board-folder", type=Path, metavar="DIR", help="where to (in memory, a folder of this login)")
    log.journal_argument(one)


def _out_arguments(one: argparse.ArgumentParser) -> None:
    """Voice and screen, over what the station's settings file says."""
    one.add_argument("--rate", type=int, metavar="WPM", help="words a minute, 80 to 300 (the pace of the wording)")
    one.add_argument("--voice", metavar="NAME", help="a voice, as the synthesiser names it (en-us)")
    one.add_argument("--loud", type=int, metavar="PCT", help="how loud it speaks, percent (100)")
    one.add_argument("--daylight", action=argparse.BooleanOptionalAction, help="the screen dark on light, for the sun; key l switches")


def _bare(args: argparse.Namespace) -> int:
    if sys.stdin.isatty() and sys.stdout.isatty():
        return _first_or_station()
    print("No terminal here, so this is the demo test on a virtual clock. The job is invented.\n")
    return main(["rehearse", str(DEMO), "--answer-rest"])


def _first_or_station() -> int:
    """Until a real test has been recorded practice is offered; then the station starts."""
    if not (log.default_folder() / FILE).exists():
        recorded = "Only practice has been recorded here yet: n begins a test that counts." if log.practised() else (
            "Nothing has been recorded here yet.\n"
            "First practise a whole test on the simulated meter: nothing counts, and q leaves it at any time.")
        print(plain.for_terminal(f"Welcome to Bowlside. {recorded}"))
        try:
            answer = input("Practise now? [Y/n] ")
        except EOFError:
            return 1
        if answer.strip().lower() not in ("n", "no"):
            return main(["practise"])
    return main(["run"])


def _prompts(args: argparse.Namespace) -> int:
    from assistant.core.prompts import prompts
    from assistant.record.header import header_of
    for one in prompts(header_of({"test": args.test}, "prompts").procedure):
        if args.json:
            print(dumps({"id": one.id, "test": one.test, "kind": one.kind, "words": one.words}))
        else:
            print(f"{one.id:<28} {one.kind:<9} {one.words}")
    return 0


def _completion(args: argparse.Namespace) -> int:
    import shtab
    print(shtab.complete(parser(), args.shell))
    return 0


def _cylinders(args: argparse.Namespace) -> int:
    from assistant.report import cylinders
    return cylinders.run(args)


def _sounds(args: argparse.Namespace) -> int:
    from assistant.station import sounds
    return sounds.run(args)


def _keys(args: argparse.Namespace) -> int:
    from assistant.report import key_card
    return key_card.main([str(args.file)] if args.file else [])


def _wiring(args: argparse.Namespace) -> int:
    from assistant.station import station_settings
    from hardware.wiring import pages
    try:
        written = pages.write(args.folder, station_settings.read())
    except OSError as error:
        return _refuse(f"{args.folder} can't be written ({error.strerror}): name a folder where you may write.", 1)
    print(f"{len(written)} files in {args.folder}: begin with {args.folder / 'index.md'}.")
    return 0


def _live(what: str, args: argparse.Namespace) -> int:
    """``run``, ``round`` or ``practise``, and the crew's board beside it."""
    from assistant.board import publish
    from assistant.round import live
    from assistant.station import start
    do = {"run": start.run, "round": live.run, "practise": start.practise}[what]
    return do(args, publish.beside(args))


def _read(args: argparse.Namespace) -> int:
    from assistant.station import start
    return start.read_out(args)


if __name__ == "__main__":
    raise SystemExit(main())
