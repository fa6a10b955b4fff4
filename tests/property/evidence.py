"""What the oracle has to go by: utterances and how much of them was heard, readings offered, what a key or a word is, and the
checks of numbers that need nothing of the program.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from assistant.core.effects import Record
from assistant.core.events import Event, Heard, KeyPressed

ENOUGH_S = 0.5
"""One word and the fastest reaction to it."""
SPEAKS_WORDS_S = 2.9
"""Words a second as a rehearsal's station speaks."""
READ_WORDS_S = 6.0
"""Words a second, read in silence."""
AIR_APART = Decimal("0.11")
"""Boyle's law gives the same ratio of air to chamber at each step: derived. Over 0.10 is doubtful (ours), this is no pass."""
DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
YES = ("yes", "yes correct", "affirmative")
NO = ("no", "no wrong", "negative")
BACK = ("take it back", "scrap the test")


class Slip(AssertionError):
    """The program let something pass that nobody could defend. ``rule`` is one of the words before the colon."""

    def __init__(self, rule: str, words: str) -> None:
        super().__init__(f"{rule}: {words}")
        self.rule, self.script = rule, ""


@dataclass
class Utterance:
    number: int
    id: str
    text: str
    aloud: bool
    queued: float
    began: float | None = None
    ended: float | None = None
    cut: bool = False

    def sounded(self, now: float) -> float:
        """Seconds of it that were heard by now."""
        return 0.0 if self.began is None else min(now, now if self.ended is None else self.ended) - self.began

    def whole(self, now: float) -> bool:
        if not self.aloud:
            return now - self.queued >= len(self.text.split()) / READ_WORDS_S
        return self.ended is not None and self.ended <= now + 1e-6 and not self.cut

    def figures(self, now: float) -> bool:
        """Of a reading that is read back all figures, if only the beginning of the last."""
        read = sum(word.strip(",.") in (*DIGITS, "point") for word in self.text.split())
        return self.whole(now) or self.enough(now) and (not self.aloud or self.sounded(now) >= (read - 1) / SPEAKS_WORDS_S)

    def enough(self, now: float) -> bool:
        shown = not self.aloud and now - self.queued >= ENOUGH_S
        return shown or self.whole(now) or self.sounded(now) >= ENOUGH_S - 1e-6


@dataclass
class Offer:
    """A value read back, waiting for yes."""
    id: str
    value: Decimal
    source: str
    form: str
    """``digits`` or ``whole`` for words, ``face`` where the wire is compared with the dial."""
    token: str
    """What entered it."""
    read_back: Utterance | None
    new_look: bool = True
    """Nothing of it was keyed before the whole of its question was heard."""


@dataclass(frozen=True)
class Final:
    """The end of a test, as its record has it."""
    test: str
    settings: Mapping[str, Any]
    outcome: str
    verdict: str
    why: str
    code: int
    readings: tuple[tuple[str, Decimal, bool], ...]
    """Name, value, whether it still counts."""
    results: Mapping[str, tuple[Decimal | None, Decimal | None]]
    """Name -> value, rounded."""


def question_of(put: list[Utterance]) -> list[Utterance]:
    """Its caution and the last words: what was said before them ("Not taken.") is no part of it."""
    return [one for one in put[:-1] if one.id.endswith(".caution")] + [put[-1]]


def words(event: Event) -> str:
    return " ".join(event.text.lower().split()) if isinstance(event, Heard) else ""


def meaning(event: Event) -> str:
    """"affirmative" is as much a yes as "yes" is."""
    said = words(event)
    return "yes" if said in YES else "no" if said in NO else "next" if said in ("next", "next step") else said


def affirmed(event: Event) -> bool:
    """A yes, next or enter of whatever kind. A key that erases, says no or repeats is none."""
    if isinstance(event, KeyPressed):
        return event.key not in ("A", "B", "C", "D", "A-held", "B-held", "C-held", "D-held")
    return words(event) in (*YES, "next", "next step")


def is_answer(event: Event, before: str) -> bool:
    if isinstance(event, KeyPressed):
        return event.key not in ("B", "B-held", "C-held", "A", "D", "A-held", "D-held")
    if isinstance(event, Heard):
        return words(event) not in BACK
    return False  # a value that the wire offers is no answer of a person


def harmless(event: Event, before: str) -> bool:
    """No to a read-back or to "scrap?": nothing is taken, nothing goes on."""
    no = isinstance(event, KeyPressed) and event.key == "C" or words(event) in NO
    return no and (before.endswith(".confirm"))


def tokened(event: Event, entered: Record | None, before: str) -> str:
    """What two equal answers have alike: the key, or what was said; for a reading its value as well."""
    how = (f"key {event.key}" if isinstance(event, KeyPressed) else f"words {meaning(event)}" if isinstance(event, Heard)
           else "gauge")
    return how if entered is None else f"{how} ({entered.fields.get('value', entered.fields.get('text'))})"


def same_answer(token: str, event: Event) -> bool:
    return isinstance(event, KeyPressed) and token.split()[:2] == ["key", event.key]


TIMES = ("ticket.batched", "ticket.water_at")
"""Readings that are a time of day; 0 to 59 as people say them on a clock."""
_TEENS = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
_CLOCK = [*DIGITS, *_TEENS, *(f"{ten} {one}".strip() for ten in "twenty thirty forty fifty".split() for one in ("", *DIGITS[1:]))]


def as_read_back(ident: str, value: Decimal) -> str:
    """How a value must be read back: digit by digit, a time of day as hours and minutes."""
    if ident not in TIMES:
        return in_digits(value)
    hours, minutes = divmod(int(value), 100)
    return f"{_CLOCK[hours]} {'zero ' * (minutes < 10)}{_CLOCK[minutes]}"


def in_digits(value: Decimal) -> str:
    return " ".join("point" if sign == "." else "minus" if sign == "-" else DIGITS[int(sign)] for sign in f"{value:f}")


def independent(first: Offer, second: Offer) -> bool:
    """A dial misread is keyed wrong twice, a word misheard is misheard twice: the second must be able to show it."""
    ways = (first.source, first.form), (second.source, second.form)
    if first.source == second.source == "gauge":
        return second.form == "face"
    if first.source == second.source == "voice":
        return {first.form, second.form} == {"whole", "digits"}
    return ways[0][0] != ways[1][0] or first.source == "keypad" and second.new_look


def boyle(readings: Mapping[str, Decimal]) -> str:
    """Where the steps of a run disagree about the air: (P - E) / (E - E before), from Boyle's law. Empty: they agree."""
    for run in (1, 2):
        ratios, before = [], Decimal(0)
        for step in (1, 2, 3):
            charge, after = readings[f"charge.{run}.{step}"], readings[f"equilibrium.{run}.{step}"]
            ratios.append((charge - after) / (after - before))
            before = after
        off = [abs(ratio / ratios[0] - 1) for ratio in ratios[1:]]
        if min(off) > AIR_APART:
            return f"run {run} has the ratios {', '.join(f'{one:.3f}' for one in ratios)}"
    return ""


def as_input(final: Final, readings: Mapping[str, Decimal]) -> list[tuple[str, dict[str, Any]]]:
    """The readings that count, as `work` takes them: (test, input). Numbers stay exact: the marks come off in the text."""
    def of(*names: str) -> list[str]:
        return [f"#{readings[name]:f}#" for name in names]

    def limits(*names: str) -> dict[str, Any]:
        given = {name: [None if side is None else f"#{side}#" for side in pair]
                 for name, pair in final.settings["limits"].items() if name in names}
        return {"limits": given, "rounding": final.settings["rounding"]}

    found: list[tuple[str, dict[str, Any]]] = []
    if "leak.initial" in readings and "leak.final" in readings and "leak_drop" in final.results:
        first, last = of("leak.initial", "leak.final")
        found.append(("leak", {"initial_psi": first, "final_psi": last, **limits("leak_drop")}))
    match final.test:
        case "sequential":
            rows = {kind: [of(*(f"{kind}.{run}.{step}" for step in (1, 2, 3))) for run in (1, 2)]
                    for kind in ("charge", "equilibrium")}
            numbers = {key: f"#{final.settings[key]}#" for key in ("chamber_ratio", "aggregate_correction_pct")
                       if final.settings[key] is not None}
            found.append(("sequential", {"charge_psi": rows["charge"], "equilibrium_psi": rows["equilibrium"], **numbers,
                                         **limits("air_content", "system_air_metric")}))
        case "slump" if "slump" in readings:
            found.append(("slump", {"slump_in": of("slump")[0], **limits("slump")}))
        case "temperature":
            found.append(("temperature", {"temperature_f": of("temperature")[0], **limits("temperature")}))
        case "pressure-air":
            found.append(("pressure-air", {"reading_pct": of("air.reading")[0],
                                           **{key: f"#{value}#" for key, value in final.settings.items()
                                              if key == "aggregate_correction_pct" and value is not None},
                                           **limits("air_content")}))
        case "volumetric-air" if "level.1" in readings:
            optional = {"cups": of("cups")[0]} if "cups" in readings else {}
            optional |= {key: f"#{value}#" for key, value in final.settings.items() if key == "alcohol_correction_pct" and value}
            found.append(("volumetric-air", {"levels_pct": of(*(f"level.{n}" for n in (1, 2, 3) if f"level.{n}" in readings)),
                                             "alcohol_pt": of("alcohol")[0], **optional, **limits("air_content")}))
        case "density":
            found.append(("density", {"gross_lb": of("gross")[0], "tare_lb": of("tare")[0],
                                      "volume_ft3": f"#{final.settings['measure_volume_ft3']}#", **limits("density")}))
        case "gauge-check":
            found.append(("gauge-check", {f"{kind}_psi": of(*(f"{kind}.{n}" for n in (1, 2, 3)))
                                          for kind in ("gauge", "reference")} | limits("gauge_error")))
        case "aggregate-correction":
            found.append(("aggregate-correction", {"reading_pct": of("air.reading")[0], "withdrawn_pct": of("water.drawn")[0],
                                                   **limits("aggregate_correction")}))
    return found
