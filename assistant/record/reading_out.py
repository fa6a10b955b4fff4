"""``bowlside log read``: a finished test read out slowly, digit by digit, for whoever copies it to paper.

It is a procedure like any other, one Tell a line, so next, say again and slower work as they do in a test.
"""
from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from assistant.core import spoken
from assistant.core.assessment import title, with_unit
from assistant.core.judgement import SPOKEN_UNITS, units_spoken
from assistant.core.language import sentence
from assistant.core.phrases import capital, spoken_id
from assistant.core.steps import AIR_LINE
from assistant.record.summary import figures as figures_of

SLOW_WPM = 150
"""With a pause after each digit, 3.3 s a reading. Words stretched to 120: understood less well (26 of 30 against 39 of 40)."""
KEYS = {"B": "slower", "D": "faster", "*": "skip_to_air"}
KEYS_HELP = sentence("log.keys")


def lines(found: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Id and words of every line, in the order of a paper log: readings, results, verdict, remarks."""
    day, _, clock = found["started"].partition("T")
    said = [("heading", sentence("log.heading", id=found["id"], title=found["title"], day=day, clock=clock[:5]))]
    if found.get("practice"):
        said.append(("practice", sentence("log.practice")))
    for one in found["readings"]:
        if not one["withdrawn"]:
            unit = "" if one["unit"] == "psi" else one["unit"]  # the column of a sequential test says psi at its head
            said.append((one["id"], sentence("log.line", name=capital(spoken_id(one["id"])), value=_spoken(one["value"], unit))))
    for one in found["results"]:
        name = title(one["name"])
        value = sentence("log.no_value") if one["rounded"] is None else _spoken(one["rounded"], one["unit"], one["remark"])
        said.append((one["name"], sentence("log.line", name=name, value=value)))
    why = capital(units_spoken(found["why"]).rstrip("."))
    said.append(("verdict", sentence("log.verdict", verdict=sentence(f"log.{found['verdict']}"), why=why)))
    said += [(f"deviation.{number}", sentence("log.deviation", text=units_spoken(one.rstrip("."))))
             for number, one in enumerate(found["deviations"], 1)]
    said += [(f"note.{number}", sentence("log.remark", text=one["text"].rstrip(".")))
             for number, one in enumerate(found["notes"], 1)]
    return said


def _spoken(value: Decimal | str, unit: str, remark: str = "") -> str:
    """Digit by digit, with the unit in words; a reading that is no number (a label) as it is."""
    digits = spoken.digits(value) if isinstance(value, Decimal) else str(value)
    return f"{digits} {with_unit(SPOKEN_UNITS.get(unit, unit), remark)}".strip()


def as_procedure(found: Mapping[str, Any]) -> dict[str, Any]:
    """The same as procedure data for the machine."""
    steps, used = [], set()
    for number, (ident, words) in enumerate(lines(found)):
        if ident in used:
            ident = f"{ident}.{number}"
        used.add(ident)
        role = {"role": AIR_LINE} if ident == "air_content" else {}
        steps.append({"id": ident, "kind": "tell", "say": words.replace("{", "(").replace("}", ")"), **role})
    return {"test": "log-read", "title": sentence("log.title", id=found["id"]), "keys": KEYS,
            "stage": [{"name": sentence("log.stage"), "step": steps}]}


def figures(found: Mapping[str, Any]) -> dict[str, str]:
    """The number of each line in figures, to be shown beside the words."""
    shown = {one["id"]: f"{one['value']} {one['unit']}".strip() for one in found["readings"] if not one["withdrawn"]}
    return shown | {one["name"]: figures_of(one) for one in found["results"] if one["rounded"] is not None}
