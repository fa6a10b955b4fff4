"""The command line as a test uses it: in this process, or as a process of its own; and one whole test as a script."""
from __future__ import annotations

import contextlib
import io
import json
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any
from unittest import mock

from assistant import cli

ROOT = Path(__file__).resolve().parents[1]

HEADER = {"test": "sequential", "chamber_ratio": 0.06, "aggregate_correction_pct": 0.3,
          "limits": {"air_content": [4.5, 7.5], "system_air_metric": [None, 0.20]}, "rounding": "half-even"}
READINGS = {"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16",
            "charge.1.1": "14.50", "equilibrium.1.1": "7.25", "charge.1.2": "30.00", "equilibrium.1.2": "18.63",
            "charge.1.3": "45.00", "equilibrium.1.3": "31.81",
            "charge.2.1": "14.50", "equilibrium.2.1": "7.32", "charge.2.2": "30.00", "equilibrium.2.2": "18.77",
            "charge.2.3": "45.00", "equilibrium.2.3": "32.01"}
"""The example of the command contract: air content 5.7 %, system air metric 0.20 psi."""
DECIDING = ("equilibrium.1.3", "equilibrium.2.3")


def keyed(value: str) -> str:
    return " ".join([*value.replace(".", "*"), "#"])


def script(readings: dict[str, str] = READINGS, header: dict[str, Any] = HEADER, rest: Iterable[dict[str, Any]] = ()) -> str:
    """A script of a whole test that keys every reading; ``--answer-rest`` does the rest."""
    lines: list[dict[str, Any]] = [header]
    for ident, value in readings.items():
        lines += [{"on": ident, "key": keyed(value)}]
        if ident in DECIDING:
            lines += [{"on": f"{ident}.again", "key": keyed(value)}]
    return "".join(json.dumps(line) + "\n" for line in (*lines, *rest))


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str

    def lines(self, kind: str | None = None) -> list[dict[str, Any]]:
        """The JSON lines printed, every number an exact Decimal; of one kind, or all."""
        found = [json.loads(line, parse_float=Decimal) for line in self.out.splitlines()]
        return [line for line in found if kind is None or line["kind"] == kind]

    def is_one_sentence(self, code: int, *parts: str) -> "Done":
        """A user's mistake: the exit code, one line that says what, no traceback, nothing printed as a result."""
        assert self.code == code, self
        assert "Traceback" not in self.err and len(self.err.strip().splitlines()) == 1, self.err
        assert self.err.strip().endswith((".", "?")), self.err
        assert self.out == "", self.out
        for part in parts:
            assert part in self.err, self.err
        return self


def bowlside(*args: object, stdin: str | bytes = b"") -> Done:
    """Run one command in this process, as fast as may be; anything it lets through fails the test."""
    given = io.TextIOWrapper(io.BytesIO(stdin.encode() if isinstance(stdin, str) else stdin), encoding="utf-8")
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", errors, write_through=True)
                for errors in ("strict", "backslashreplace"))
    with mock.patch.object(sys, "stdin", given), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = cli.main([str(one) for one in args])
        except SystemExit as left:
            code = left.code if isinstance(left.code, int) else 1
    return Done(code, *(each.buffer.getvalue().decode() for each in (out, err)))


def process(*args: object, stdin: bytes = b"", **more: Any) -> Done:
    """The same as a real process."""
    done = subprocess.run([sys.executable, "-m", "assistant", *map(str, args)], cwd=ROOT, input=stdin,
                          capture_output=True, timeout=60, **more)
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())
