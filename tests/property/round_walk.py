"""A round walked at random by one who mostly does what the station asks, and what was really done, told by the walk itself.

The machine, the journal, the round and its clock are the real ones. What may come of it is in defensible.toml: `judged` holds every
claim (spoken, recorded, exported) against it. Values, times and answers are the walk's own; from the program come only its claims.
"""
from __future__ import annotations

import json
import random
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core.commands import phrase
from assistant.core.effects import Listen
from assistant.core.events import Heard, KeyPressed, Restarted
from assistant.core.methods.registry import READINGS
from assistant.core.state import Phase
from assistant.core.steps import Choose
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.record.session import Station
from assistant.rehearsal.rehearse import KEY_EVERY_S
from assistant.rehearsal.script import read
from assistant.rehearsal.whole_round import RoundRehearsal
from assistant.report import csv_file, findings, json_file

ORACLE = tomllib.loads(Path(__file__).with_name("defensible.toml").read_text(encoding="utf-8"))
LIMITS = {"slump": ("3", "5"), "air_content": ("4.5", "7.5"), "temperature": ("50", "90"), "system_air_metric": (None, "0.30"),
          "density": ("138", "146")}
RATIO, CORRECTION, MEASURE, BOWL = Decimal("0.06"), Decimal("0.3"), Decimal("0.2494"), Decimal("0.2490")
VALUES = {"slump": ("4.25", "3.00", "5.00", "5.50", "2.50"), "temperature": ("68", "72", "89", "94"), "tare": ("7.8",),
          "gross": ("43.0", "42.8", "44.6"), "air.reading": ("6.2", "5.4", "7.6", "8.4", "3.9"), "cylinder.set": ("1",),
          "cylinder.count": ("4",)}
SIX = (("7.25 18.63 31.81", "7.32 18.77 31.97"), ("7.25 18.63 31.81", "7.32 18.77 32.01"), ("7.25 18.63 31.81", "7.38 18.90 32.22"),
       ("6.08 16.12 28.24", "6.13 16.23 28.41"))
"""Equilibria of both runs: passing, passing, a metric of 0.41, an air content of 8.0 %."""
BEGINS = {"slump": ("layer.1",), "density": ("rod.1", "vibrate.1"), "pressure-air": ("bowl.1",), "sequential": ("fill.1",),
          "cylinders": ("small.1",)}
"""The first work on the concrete, by the prompt that asks for it."""
LONGEST = 900
"""Prompts a walk."""


@dataclass
class Attempt:
    """One test as the walk did it."""
    test: str
    number: int
    heard: dict[str, float] = field(default_factory=dict)
    """Prompt -> when it was first put."""
    answers: dict[str, tuple[float, str]] = field(default_factory=dict)
    """Prompt -> when it was last answered, and how."""
    values: dict[str, Decimal] = field(default_factory=dict)
    told: bool = False


class Walk(RoundRehearsal):
    def __init__(self, seed: int, header: Mapping[str, Any], journal: Journal, folder: Path, slips: float) -> None:
        self.chance, self.slips = random.Random(seed), slips
        self.out: list[dict[str, Any]] = []
        self.attempts: dict[int, Attempt] = {}
        self.between: dict[str, tuple[float, str]] = {}
        self.last = ("", "")
        """The last question between two tests, and its answer."""
        self.six = self.chance.choice(SIX)
        self.put = 0
        super().__init__(read([json.dumps(header)], f"walk {seed}", folder), journal, self.out.append, True)

    # --- what is answered --------------------------------------------------------------------------------------------------

    def _listen(self, listen: Listen) -> None:
        self.listen_number += 1
        self.put += 1
        number, state = self.listen_number, self.station.state
        attempt = self._attempt()
        if attempt:
            attempt.heard.setdefault(listen.id, self.now)
        if self.put > LONGEST or (answer := self._answer(listen.id)) is None:
            return
        late = self.chance.choice((30.0, 60.0, 200.0, 400.0, 1000.0)) if self.chance.random() < self.slips / 2 else 0.0
        if isinstance(answer, Decimal):
            late += self.chance.choice((0.0, 3.0))
        when = max(self._natural("#" if isinstance(answer, Decimal) else answer), self.now + late)
        assert state.procedure is not None
        self.plan(when, lambda: self._do(listen.id, answer, number))

    def _attempt(self) -> Attempt | None:
        station = self.station
        if not isinstance(station, Station):
            return None
        procedure = station.state.procedure
        told = self.last == ("told", "yes")
        return self.attempts.setdefault(station.test, Attempt(procedure.test if procedure else "", station.test, told=told))

    def _answer(self, prompt: str) -> str | Decimal | None:
        state, step, slip = self.station.state, self.station.state.step, self.chance.random() < self.slips
        if isinstance(self.station, Station) and self.chance.random() < self.slips / 20:
            return "restart"
        if state.phase is Phase.ENTRY:
            return self._value(prompt.removesuffix(".again"), prompt.endswith(".again"))
        if state.phase is Phase.CHOOSE and isinstance(step, Choose):
            no = step.yes.skips != slip
            if prompt == "stop":
                no = self.chance.random() < 0.5
            if prompt in ("middle", "places"):
                no = self.chance.random() < self.slips * 2
            if prompt == "next.sampling" and self.between.get(prompt):  # that was no composite sample: again?
                no = self.chance.random() < 0.7
            if prompt in ("told", "go_on") or prompt.startswith("repeat."):
                no = self.chance.random() < 0.4
            return "no" if no else "yes"
        if state.phase is Phase.SCRAP:
            return self.chance.choice(("yes", "no"))
        if slip and state.phase is Phase.TELL and self.chance.random() < 0.1:
            return "scrap"
        return self._cooperative()

    def _value(self, ident: str, again: bool) -> Decimal:
        attempt = self._attempt()
        assert attempt is not None
        if again:
            return attempt.values[ident]
        kind, _, place = ident.partition(".")
        if kind == "equilibrium":
            run, step = map(int, place.split("."))
            if ident == "equilibrium.1.1" and self.chance.random() < 0.5:
                self.six = self.chance.choice(SIX)
            return Decimal(self.six[run - 1].split()[step - 1])
        if kind == "charge":
            return Decimal({"1": "14.50", "2": "30.00", "3": "45.00"}[place[-1]])
        if kind == "leak":
            return Decimal({"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16"}[ident])
        return Decimal(self.chance.choice(VALUES.get(ident, (READINGS[ident].example or "1",))))

    def _do(self, prompt: str, answer: str | Decimal, number: int) -> None:
        if number != self.listen_number or not self.station.state.listening:
            return
        attempt = self._attempt()
        if attempt is None:
            self.between[prompt], self.last = (self.now, str(answer)), (prompt, str(answer))
        elif not isinstance(answer, Decimal):
            attempt.answers[prompt] = self.now, answer
        if isinstance(answer, Decimal):
            assert attempt is not None
            attempt.values[prompt.removesuffix(".again")] = answer
            for count, key in enumerate(f"{answer:f}#".replace(".", "*")):
                self.plan(self.now + count * KEY_EVERY_S, lambda key=key: self.handle(KeyPressed(self.now, key)))
        elif answer == "restart":
            self._happens(Restarted(self.now, "rehearsal"))
        else:
            self.handle(Heard(self.now, phrase(answer)))


# --- what was really done ---------------------------------------------------------------------------------------------------

@dataclass
class Story:
    """One walk: what was done and what the station claims of it."""
    attempts: list[Attempt]
    records: list[dict[str, Any]]
    lines: list[dict[str, Any]]
    header: dict[str, Any]
    over: bool
    """The round came to its own end."""
    between: dict[str, tuple[float, str]]

    @property
    def portion(self) -> float | None:
        """When the last portion of the last sample that was taken to its end was in the barrow."""
        taken = [one.answers[which][0] for one, record in zip(self.attempts, self.records) for which in ("portion.2", "pump.2", "place.2")
                 if one.test == "sampling" and record["outcome"] == "done" and which in one.answers]
        return max(taken, default=None)

    @property
    def composite(self) -> bool:
        done = [one for one, record in zip(self.attempts, self.records) if one.test == "sampling" and record["outcome"] == "done"]
        if not done:
            return False
        last = done[-1].answers
        ends = [(last[first][0], last[then][0]) for first, then in (("portion.1", "portion.2"), ("pump.1", "pump.2"),
                                                                    ("place.1", "place.2")) if then in last]
        sure = "yes" in (last.get("middle", ("", ""))[1], last.get("places", ("", ""))[1])
        # After a restart in the middle of it the technician's own word counts (in_time).
        kept = all(then - first <= 900 for first, then in ends) or last.get("in_time", (0, ""))[1] == "yes"
        return sure and bool(ends) and kept and last.get("in_time", (0, "yes"))[1] == "yes"


def facts(story: Story, attempt: Attempt, record: Mapping[str, Any]) -> dict[str, Any]:
    """What the walk saw of one test, by the names of defensible.toml."""
    its: dict[str, Any] = {"carried to its end": record["outcome"] == "done"}
    answers = {prompt: answer for prompt, (_, answer) in attempt.answers.items()}
    if attempt.test == "slump":
        its["stood"] = answers.get("stood")
        if "damp" in attempt.answers and "lift" in attempt.answers:
            off = attempt.answers["lift"][0] - attempt.answers["damp"][0]
            its["from the first scoop until the mould is off, s"] = 0 if answers.get("in_time") == "yes" else off
    if attempt.test == "temperature" and attempt.values:
        since = attempt.answers.get("thermometer", story.between.get("thermometer", (None, "")))[0]
        read_at = attempt.heard.get("temperature.confirm")
        if since is not None and read_at is not None:
            its["thermometer in the concrete, s"] = read_at - since
    if attempt.test in ("pressure-air", "sequential"):
        its["dense aggregate, plastic concrete"] = answers.get("scope", answers.get("full"))
    if attempt.test == "sequential":
        runs = [[attempt.values.get(f"equilibrium.{run}.{step}") for step in (1, 2, 3)] for run in (1, 2)]
        its["run 2 above run 1 at each step"] = all(b is not None and a is not None and b > a for a, b in zip(*runs))
    return its


def values(attempt: Attempt, in_bowl: bool) -> dict[str, Decimal]:
    """The results by arithmetic of our own."""
    found, got = {}, attempt.values
    match attempt.test:
        case "slump" | "temperature" if attempt.test in got:
            found[attempt.test] = got[attempt.test]
        case "pressure-air" if "air.reading" in got:
            found["air_content"] = got["air.reading"] - CORRECTION
        case "density" if "gross" in got:
            found["density"] = (got["gross"] - got["tare"]) / (BOWL if in_bowl else MEASURE)
        case "sequential" if "equilibrium.2.3" in got:
            found["air_content"] = 100 * RATIO * (got["charge.1.1"] - got["equilibrium.1.1"]) / got["equilibrium.1.1"] - CORRECTION
            found["system_air_metric"] = got["equilibrium.2.3"] - got["equilibrium.1.3"]
    return found


def met(need: Mapping[str, Any], its: Mapping[str, Any]) -> bool:
    seen = its.get(need["fact"])
    if seen is None:
        return False
    return ("is" not in need or seen == need["is"]) and ("one_of" not in need or seen in need["one_of"]) \
        and ("at_most" not in need or seen <= need["at_most"]) and ("at_least" not in need or seen >= need["at_least"])


def unmet(needs: Sequence[Mapping[str, Any]], its: Mapping[str, Any]) -> list[str]:
    return [f"{one['fact']} is {its.get(one['fact'])!r} ({one['source']})" for one in needs if not met(one, its)]


def age(story: Story, attempt: Attempt) -> float | None:
    """Seconds from the last portion to the first work on the concrete, or to the reading of the temperature."""
    if story.portion is None:
        return None
    begins = [attempt.heard[prompt] for prompt in BEGINS.get(attempt.test, ()) if prompt in attempt.heard]
    if attempt.test == "temperature" and "temperature.confirm" in attempt.answers:
        begins = [attempt.answers["temperature.confirm"][0]]
    if not begins and attempt.test in ("sequential", "pressure-air") and {"full", "full.stop"} & set(attempt.heard):
        before = [one for one in story.attempts if one.number < attempt.number and one.test == "density"]
        begins = [before[-1].heard[prompt] for prompt in BEGINS["density"] if before and prompt in before[-1].heard]
    return begins[0] - story.portion if begins else None


def limited(story: Story, of: Mapping[str, Decimal]) -> Iterator[tuple[str, str]]:
    """Each result that has a limit, and "pass" or "fail" against it."""
    for name, value in of.items():
        if name in story.header["limits"]:
            low, high = story.header["limits"][name]
            inside = (low is None or value >= Decimal(low)) and (high is None or value <= Decimal(high))
            yield name, "pass" if inside else "fail"


def judged(story: Story) -> list[str]:
    """Every claim that nobody could defend; empty: all can."""
    wrong: list[str] = []
    own = [(one, record) for one, record in zip(story.attempts, story.records) if one.test not in ("sampling", "leak")]
    valid, late, patterns = set(), set(), {}
    sampled = max((one.number for one, record in zip(story.attempts, story.records)
                   if one.test == "sampling" and record["outcome"] == "done"), default=0)
    for one, record in own:
        needs = [need for need in ORACLE["valid"] if one.test in need["tests"]]
        bad = unmet(needs, facts(story, one, record))
        found = dict(limited(story, values(one, bool(record.get("measured_in")))))
        if record["verdict"] == "pass" and (bad or "fail" in found.values() or not found):
            wrong.append(f"test {one.number} ({one.test}) passes, and {bad or found}")
        if record["verdict"] == "fail" and not bad and "fail" not in found.values():
            wrong.append(f"test {one.number} ({one.test}) fails, and {found}")
        if bad and record["verdict"] != "fail" or record.get("comparison") or one.number < sampled:  # of another sample
            continue
        if one.test in story.header["tests"]:
            began = age(story, one)
            told = one.told or began is not None and began <= ORACLE["in_time"][one.test] + 1
            if not record.get("check_of") and not told and one.test not in valid and found:
                late.add(one.test)
            valid.add(one.test)
        for name, against in found.items():
            patterns.setdefault((one.test, name), []).append(against)
    by_rule = ORACLE["rule"]["results"]
    joined = {key: " ".join(each) for key, each in patterns.items()}
    its = {
        "composite sample": story.composite, "preliminary": bool(story.header.get("preliminary")),
        "tests without a valid result": sorted(set(story.header["tests"]) - valid - {"leak"}),
        "judged tests that were late": sorted(late), "results with limits": len(joined),
        "results with limits that are not accepted": sorted(
            name for (_, name), each in joined.items() if each not in ORACLE["accepts"]["by_rule" if name in by_rule else "others"]),
        "in-time results that failed twice": sum(each in ORACLE["rejects"]["by_rule"] and name in by_rule and test not in late
                                                 for (test, name), each in joined.items())}
    return wrong + list(_claims(story, own, its))


def _claims(story: Story, own: Sequence[tuple[Attempt, Mapping[str, Any]]], its: Mapping[str, Any]) -> Iterator[str]:
    """Of the load and of two technicians: what is spoken, on the report and in the exports."""
    said = [line for line in story.lines if line["kind"] == "said"]
    spoken = [(line["id"], line["text"].lower()) for line in said]
    closing = [text for ident, text in spoken if ident == "summary"]
    exported = json_file.document(story.records, "now")["rounds"]
    load = exported[0]["load"] if exported else None
    for rule in ORACLE["said"]:
        claimed = [ident for ident, text in spoken if rule["words"] in text]
        if rule["claim"] == "compared":
            yield from _compared(story, own, bool(claimed))
            continue
        if set(claimed) - {"summary"} or len(claimed) > 1:
            yield f"\"{rule['words']}\" was said at {claimed}: once, at the end, is when it may be"
        on_paper = [each for each in findings.of_round(story.records) if rule["words"] in each.words.lower()]
        in_json = load is not None and load["verdict"] == rule["claim"]
        in_csv = {row.get("load verdict") for row in csv_file.table(story.records)} if story.records else set()
        if story.over and not bool(claimed) == bool(on_paper) == in_json == (rule["claim"] in in_csv):
            yield f"{rule['claim']}: spoken {bool(claimed)}, on paper {bool(on_paper)}, JSON {in_json}, CSV {in_csv}"
        if (claimed or in_json) and (bad := unmet(ORACLE[rule["claim"]], its)):
            yield f"the load is {rule['claim']}, and {'; '.join(bad)}"
    if story.over and closing and sum("load" in text for text in closing) != 1:
        yield f"the end of the round says {closing}"
    for one in story.records:
        spoken_verdict = [line["verdict"] for line in story.lines if line["kind"] == "verdict" and line.get("test_number") == one["id"]]
        if spoken_verdict and spoken_verdict[-1] != one["verdict"] and one["verdict"] != "invalid":
            yield f"test {one['id']} was said to {spoken_verdict[-1]} and is recorded as {one['verdict']}"


def _compared(story: Story, own: Sequence[tuple[Attempt, Mapping[str, Any]]], claimed: bool) -> Iterator[str]:
    if not claimed:
        return
    possible = []
    for one, record in own:
        if record.get("comparison"):
            firsts = [each for each, its in own if each.test == one.test and not its.get("comparison")]
            began, second = (age(story, firsts[-1]) if firsts else None), age(story, one)
            its = {"first of the two, s after the last portion": 0 if firsts and firsts[-1].told else began,
                   "second in time, timed or told": one.told or second is not None and second <= 301}
            possible.append(unmet(ORACLE["compared"], its))
    if not any(not each for each in possible):
        yield f"two results are compared, and {possible}"


# --- one walk ---------------------------------------------------------------------------------------------------------------

def plan(seed: int) -> dict[str, Any]:
    """The first line of a script: which tests, limits, wording, technicians."""
    chance = random.Random(seed)
    air = chance.choice(("sequential", "pressure-air", "pressure-air", ""))
    tests = [test for test in ("temperature", "slump", "density") if chance.random() < 0.6]
    tests += ([air] if air else []) + (["cylinders"] if chance.random() < 0.4 else [])
    tests = tests or ["slump"]
    limits = {name: list(pair) for name, pair in LIMITS.items() if chance.random() < 0.75}
    return {"test": "round", "tests": tests, "limits": limits, "technician": "T-07", "second": "T-09", "chamber_ratio": str(RATIO),
            "aggregate_correction_pct": str(CORRECTION), "measure_volume_ft3": str(MEASURE), "technicians": chance.choice((1, 1, 2)),
            "speech": chance.choice(("terse", "normal")), "check_tests": chance.random() < 0.85,
            **({"bowl_volume_ft3": str(BOWL)} if chance.random() < 0.7 else {}),
            **({"preliminary": True} if chance.random() < 0.08 else {})}


def walk(seed: int, folder: Path, slips: float | None = None) -> Story:
    """slips: how often something else is done than asked; None: by the seed."""
    header = plan(seed)
    with Journal(folder) as journal:
        often = random.Random(seed).choice((0.0, 0.02, 0.05, 0.1)) if slips is None else slips
        walked = Walk(seed, header, journal, folder, often)
        walked.run()
        attempts = [walked.attempts[number] for number in journal.tests() if number in walked.attempts]
        records = [summary.of(journal, one.number) for one in attempts]
    over = any(line["kind"] == "said" and line["id"] == "summary" for line in walked.out)
    return Story(attempts, records, walked.out, header, over, walked.between)
