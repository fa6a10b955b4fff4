"""``bowlside log read``: a finished test read out slowly, digit by digit, for whoever copies it to paper.

It is a procedure like any other, one Tell a line, so next, say again and slower work as they do in a test.
"""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from assistant.core import spoken
from assistant.core.assessment import title, with_unit
from assistant.core.judgement import SPOKEN_UNITS, units_spoken
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.phrases import capital, spoken_id
from assistant.core.steps import AIR_LINE
from assistant.record import page
from assistant.record.summary import figures as figures_of

SLOW_WPM = 150
"""With a pause after each digit, 3.3 s a reading. Words stretched to 120: understood less well (26 of 30 against 39 of 40)."""
KEYS = {"B": "slower", "D": "faster", "*": "skip_to_air", "C": "take_it_back"}
KEYS_HELP = sentence("log.keys")


def lines(test: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Id and words of every line, in the order of a paper log: readings, results, verdict, remarks."""
    day, _, clock = test["started"].partition("T")
    said = [("heading", sentence("log.heading", id=test["id"], title=test["title"], day=day, clock=clock[:5]))]
    if test.get("practice"):
        said.append(("practice", sentence("log.practice")))
    if test.get("ticket"):
        said.append(("ticket", sentence("log.ticket", ticket=test["ticket"])))
    if test.get("check_of"):
        said.append(("check_of", sentence("log.check_of", test=test["check_of"])))
    for reading in test["readings"]:
        if not reading["withdrawn"]:
            unit = "" if reading["unit"] == "psi" else reading["unit"]  # the column of a sequential test says psi at its head
            name = capital(spoken_id(reading["id"]))
            said.append((reading["id"], sentence("log.line", name=name, value=_said(registry.aloud(reading["id"], reading["value"]), unit))))
    for result in test["results"]:
        name = title(result["name"])
        value = (sentence("log.no_value") if result["rounded"] is None
                 else _said(spoken.digits(result["rounded"]), result["unit"], result["remark"]))
        line = sentence("log.line", name=name, value=value)
        if (result["name"], line) not in said:  # a slump is its own result: once is enough
            said.append((_result_id(test, result["name"]), line))
    why = capital(units_spoken(test["why"]).rstrip("."))
    said.append(("verdict", sentence("log.verdict", verdict=sentence(f"log.{test['verdict']}"), why=why)))
    said += [(f"deviation.{number}", sentence("log.deviation", text=units_spoken(deviation.rstrip("."))))
             for number, deviation in enumerate(test["deviations"], 1)]
    said += [(f"doubt.{number}", sentence("page.doubt", text=units_spoken(doubt)))
             for number, doubt in enumerate(page.of(test).doubts, 1)]
    read = {one["id"] for one in test["readings"] if not one["withdrawn"]}  # what was noted of these is among the doubts
    said += [(f"note.{number}", sentence("log.remark", text=note["text"].rstrip(".")))
             for number, note in enumerate(test["notes"], 1) if note["id"] not in read]
    return said


def _result_id(test: Mapping[str, Any], name: str) -> str:
    """A result that is named as the reading that it is rounded from has a line of its own."""
    return f"{name}.result" if any(one["id"] == name and not one["withdrawn"] for one in test["readings"]) else name


def _said(digits: str, unit: str, remark: str = "") -> str:
    """With the unit in words."""
    return f"{digits} {with_unit(SPOKEN_UNITS.get(unit, unit), remark)}".strip()


def as_procedure(test: Mapping[str, Any]) -> dict[str, Any]:
    """The same as procedure data for the machine."""
    steps, used = [], set()
    for number, (ident, words) in enumerate(lines(test)):
        if ident in used:
            ident = f"{ident}.{number}"
        used.add(ident)
        role = {"role": AIR_LINE} if ident == "air_content" else {}
        steps.append({"id": ident, "kind": "tell", "say": words.replace("{", "(").replace("}", ")"), **role})
    return {"test": "log-read", "title": sentence("log.title", id=test["id"]), "keys": KEYS,
            "stage": [{"name": sentence("log.stage"), "step": steps}]}


def figures(test: Mapping[str, Any]) -> dict[str, str]:
    """The number of each line in figures, to be shown beside the words."""
    shown = {reading["id"]: f"{reading['value']} {reading['unit']}".strip() for reading in test["readings"]
             if not reading["withdrawn"]}
    return shown | {_result_id(test, result["name"]): figures_of(result) for result in test["results"] if result["rounded"] is not None}
