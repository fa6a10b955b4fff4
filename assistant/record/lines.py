"""What happened, a line each: one JSON object for scripts, or one readable line for people."""
from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any, TextIO

from assistant.core.effects import Record
from assistant.core.methods.registry import figures as figures_of
from assistant.files.jsonline import dumps
from assistant.record.summary import figures

Line = Mapping[str, Any]
Write = Callable[[Line], None]


def to_json(stream: TextIO | None = None) -> Write:
    def write(line: Line) -> None:
        print(dumps(line), file=stream or sys.stdout, flush=True)
    return write


def to_people(stream: TextIO | None = None) -> Write:
    def write(line: Line) -> None:
        print(readable(line), file=stream or sys.stdout, flush=True)
    return write


def record_line(at: float, record: Record) -> dict[str, Any]:
    return {"at": round(at, 3), "kind": record.kind, **record.fields}


def readable(line: Line) -> str:
    """``  123.4  says      Zero the gauge.``"""
    word, text = _WORDS.get(line["kind"], lambda each: (each["kind"], ""))(line)
    return f"{line['at']:8.1f}  {word:<10} {text}".rstrip()


def _value(line: Line) -> str:
    value = line.get("value")
    unit = line.get("unit") or ""
    spread = f" ± {line['spread']:f}" if line.get("spread") else ""
    return f"{figures_of(line.get('id', ''), value)} {unit}".strip() + spread if isinstance(value, Decimal) else "-"


def _within(line: Line) -> str:
    return f"{line['test']}, {line['after_s']:.0f} s after the last portion, {line['limit_s']:.0f} s allowed"


_WORDS: dict[str, Callable[[Line], tuple[str, str]]] = {
    "said": lambda line: ("says" if line.get("aloud", True) else "shows", line["text"]),
    "listening": lambda line: ("listens", line["id"]),
    "heard": lambda line: ({"keypad": "keyed", "gauge": "gauge"}.get(line["source"], "hears"), line["text"]),
    "cue": lambda line: ("cue", line["name"]),
    "hold": lambda line: ("hold", f"{line['id']} {line['event']}" + (f", {line['left']} s left" if "left" in line else "")),
    "proposed": lambda line: ("proposed", f"{line['id']}  {_value(line)}"),
    "taken": lambda line: ("TAKEN", f"{line['id']}  {_value(line)}  ({line['source']})"),
    "refused": lambda line: ("refused", f"{line['id']}  {_value(line)}: {line['why']}"),
    "taken_back": lambda line: ("taken back", f"{line['id']}  {_value(line)}: {line['why']}"),
    "result": lambda line: ("RESULT", f"{line['name']}  {'none' if line['rounded'] is None else figures(line)}"),
    "verdict": lambda line: ("VERDICT", f"{line['verdict']}: {line['why']}"),
    "begun": lambda line: ("begun", _within(line)),
    "completed": lambda line: ("completed", _within(line)),
    "note": lambda line: ("note", f"{line['id']}: {line['text']}"),
    "waiting": lambda line: ("waiting", f"{line['id']}: nothing more comes; start again with the same journal to go on"),
}
