"""What a careful technician would defend, told from outside: events in, effects and records out, and the prompt on the screen.

Nothing that judges is imported from the program but `work`, which is what a result is compared with. The rules come from the
issue "No slip gets through" and from design.md, section 4. Where they leave something open, this is what we defend:

- **A safety question** is a step with a caution, a `choose` that stops a clock of the test (what it answers can't be done again),
  and in a test under pressure the "mallet ready?" after which the lever is pressed, asked alone or with a read-back. The whole of it must be heard. Where it is
  answered by yes or no, a short "#" is no yes: a bounce, a double tap, a queued key and a pedal give just that.
- **Heard**: an utterance begins when the one before it is over, and was heard whole if it came to its end and nothing cut it off.
  Of an ordinary question `ENOUGH_S` must have sounded: one word (0.35 s) and the fastest reaction to a sound (0.15 s; both
  from memory). Words that are only shown (quiet, no speaker) are read at `READ_WORDS_S` at most (fast silent reading is about six
  words a second, from memory). Of a read-back all figures must have begun to sound, where it decides the metric the whole.
- **A reading is its own answer**: nobody slips a number. It needs the time of `ENOUGH_S` at its prompt, and its "#" is no second
  answer of the kind that a double tap gives. Its confirmation is.
- **When**: a key counts when it was pressed, even if it is handled later.
- **Twice** are two entries in two ways, or on the keypad two where nothing of the second was keyed before the whole of "look once
  more" was heard: a finger's slip does not repeat itself, and the eye was sent back to the dial. E1.1, which alone decides the
  air, is entered once: the three steps of its run check it, and no pass stands while they disagree.
- "No" to a read-back, to "scrap?", and taking back are safe at any time: nothing is taken and nothing goes on.
- After a restart everything asked before is unheard, and the caution comes first.
- A doubtful value wants another answer than the one that entered it.
- A new leak hold is a new measurement, not a changed reading.
"""
from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from copy import copy
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from assistant import work
from assistant.core.effects import Cue, Effect, Hush, Record, Speak
from assistant.core.events import Event, GaugeSteady, Heard, KeyPressed, Restarted, Spoken
from tests.property.evidence import (
    DIGITS,
    ENOUGH_S,
    Final,
    Offer,
    Slip,
    Utterance,
    affirmed,
    as_input,
    as_read_back,
    boyle,
    harmless,
    independent,
    is_answer,
    question_of,
    same_answer,
    tokened,
)

EQUAL_APART_S = 4.0
"""Two equal answers closer than this never answer two questions of which one is a safety question: the issue's figure."""
DOUBLE_S = 2.0
"""Closer than this, no two questions at all of which the second was still being said. Ours: presses doubled 1.5 s apart skipped a
filling with water, and the metric of a whole practice test came out as 0.11 psi for 0.20."""
FRESH_S = 5.0
"""What a gauge showed longer ago is nobody's reading now. Ours."""
WIRE_PSI = Decimal("0.02")
"""Two entries of one pressure, one by wire, may differ by so much; two by a person not at all."""
TWICE = ("equilibrium.1.3", "equilibrium.2.3")
"""They decide the system air metric: entered twice, in ways that don't share a mistake."""

Question = list[list[Utterance]]
"""Each time that a prompt was put: its caution, if any, and its words."""


@dataclass
class Oracle:
    safety: frozenset[str]
    """Prompts that are safety questions."""
    closed: frozenset[str]
    """Those of them that are answered by yes or no."""
    taps: frozenset[str]
    go: frozenset[str]
    """Words at which the lever is pressed."""
    pressurised: bool
    band: Mapping[str, tuple[Decimal, Decimal]]
    """Name of a charge -> lowest and highest that is in its band."""
    only: frozenset[str] = frozenset()
    """Rules that it is to find; empty: all."""
    now: float = 0.0
    pressed: float = 0.0
    """When the present event was given: for a key that waited, before ``now``."""
    new_look: bool = True
    prompt: str = ""
    opened: float = 0.0
    said: dict[int, Utterance] = field(default_factory=dict)
    askings: Question = field(default_factory=list)
    """Of the present prompt."""
    answered: tuple[float, str, str] | None = None
    """When, with what and to which prompt the last answer counted."""
    restarted: float = 0.0
    restart: Utterance | None = None
    """The caution of the last restart, until it was heard."""
    offer: Offer | None = None
    firsts: dict[str, Offer] = field(default_factory=dict)
    steady: GaugeSteady | None = None
    acknowledged: Counter[tuple[str, Decimal]] = field(default_factory=Counter)
    counting: dict[str, Decimal] = field(default_factory=dict)
    known: dict[str, Decimal] = field(default_factory=dict)
    """Readings whose result, or difference, was told."""
    changed: Counter[str] = field(default_factory=Counter)
    """How often readings were changed after that: ``leak`` or ``test``."""
    holds: dict[str, tuple[float, float]] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)
    """Holds that ran when the station died: they don't count."""

    def clone(self) -> Oracle:
        other = copy(self)
        for name in ("said", "firsts", "counting", "known", "holds", "broken", "acknowledged", "changed"):
            setattr(other, name, copy(getattr(self, name)))
        fresh = {number: copy(one) for number, one in self.said.items()}
        other.said = fresh
        same = {id(old): fresh[number] for number, old in self.said.items()}
        other.askings = [[same.get(id(one), one) for one in asking] for asking in self.askings]
        other.restart = None if self.restart is None else same.get(id(self.restart), self.restart)
        if self.offer is not None:
            other.offer = copy(self.offer)
            if self.offer.read_back is not None:
                other.offer.read_back = same.get(id(self.offer.read_back), self.offer.read_back)
        return other

    def slip(self, rule: str, words: str) -> None:
        if not self.only or rule in self.only:
            raise Slip(rule, words)

    # --- while it runs ---------------------------------------------------------------------------------------------------

    def see(self, event: Event, effects: Iterable[Effect], prompt: str) -> None:
        """One event, what the station did about it, and what it asks now. Raises Slip."""
        effects = tuple(effects)
        self.now = event.at if isinstance(event, Restarted) else max(self.now, event.at)
        self.pressed = event.at
        if isinstance(event, Spoken):
            self._over(event.number)
        elif isinstance(event, Restarted):
            self._restarted()
        elif isinstance(event, GaugeSteady):
            self.steady = event
        before, question, since = self.prompt, self.askings, self.opened
        spoken = self._say(effects)
        records = [one for one in effects if isinstance(one, Record)]
        if isinstance(event, Restarted):
            self._must_caution(spoken)
        elif before and isinstance(event, KeyPressed | Heard):
            self._answer(event, effects, records, before, prompt, question, since)
        self._look(event, effects, question)
        back = any(one.text.startswith("You are back.") for one in spoken)
        if back and self.offer is not None and prompt.endswith(".confirm"):
            self._read_back(next((one for one in reversed(spoken) if one.id == prompt), None))
        self._move(prompt, spoken, isinstance(event, Restarted) or back)
        self._keep(event, records, before, spoken, since, question)

    def _over(self, number: int) -> None:
        for one in [one for one in self.said.values() if one.ended is None and one.number <= number]:
            if one.began is None:
                one.began, one.cut = self.now, one.aloud
            one.ended = self.now
        if (following := self.said.get(number + 1)) is not None and following.began is None:
            following.began = self.now
        for old in [each for each in self.said if each < number - 12]:
            del self.said[old]  # a question that is still asked is kept by its asking

    def _restarted(self) -> None:
        for one in self.said.values():
            if one.ended is None:
                one.cut, one.ended = True, self.now
        self.askings, self.steady, self.answered = [], None, None
        self.opened, self.restarted = min(self.opened, self.now), self.now
        self.broken |= set(self.holds)

    def _say(self, effects: tuple[Effect, ...]) -> list[Utterance]:
        spoken = []
        for one in effects:
            if isinstance(one, Hush):
                for each in self.said.values():
                    if each.ended is None and each.number not in one.keep:
                        each.cut, each.ended = True, self.now
                        each.began = self.now if each.began is None else each.began
            elif isinstance(one, Speak):
                free = all(each.ended is not None for each in self.said.values())
                new = Utterance(one.number, one.id, one.text, one.aloud, self.now, self.now if free else None)
                self.said[new.number] = new
                spoken.append(new)
        return spoken

    def _must_caution(self, spoken: list[Utterance]) -> None:
        if not self.pressurised:
            return
        self.restart = next((one for one in spoken if "under pressure" in one.text), None)
        if self.restart is None or not self.restart.aloud:  # said even while quiet
            self.slip("restart", f"no caution was said after the restart at {self.prompt}")

    # --- answers ---------------------------------------------------------------------------------------------------------

    def _answer(self, event: Event, effects: tuple[Effect, ...], records: list[Record], before: str, after: str,
                question: Question, since: float) -> None:
        entered = None if before.endswith(".confirm") else next(
            (one for one in records if one.kind == "proposed" or one.fields.get("source") == "keypad"), None)
        pressed = (before in self.taps and after == before and not any(isinstance(one, Cue) and one.name == "refused"
                                                                       for one in effects)
                   and any(isinstance(one, Speak) and one.id == before and one.text in self.go for one in effects)
                   and affirmed(event))
        if after == before and not pressed or not is_answer(event, before):
            return
        joined = after in self.taps and before != after and any(
            isinstance(one, Speak) and one.id == after and one.text in self.go for one in effects)
        safety = self.safety | {before} if joined else self.safety
        token = tokened(event, entered, before)
        at = f"{before} by {token} at {self.pressed:.2f}"
        if isinstance(event, Heard) and event.prompt not in ("", before):
            self.slip("late words", f"what was said to {event.prompt} answered {at}")
        if self.restart is not None and not self.restart.whole(self.pressed):
            self.slip("restart", f"{at} before the caution of the restart was over")
        if harmless(event, before):
            return
        ask = entered is not None or before in self.band or before.removesuffix(".again") in self.band
        self._heard(before, at, question, since, ask, before in safety)
        if before in self.closed and token == "key #":
            self.slip("short", at)
        keyed = any(one.kind == "heard" and one.fields.get("source") == "keypad" for one in records)
        if self.answered is not None and not keyed:  # the # after a number that was keyed anew is no second press
            when, what, which = self.answered
            apart = self.pressed - when
            over = not question or any(asking[-1].whole(self.pressed) for asking in question)
            if what == token and apart < DOUBLE_S - 1e-6 and not over:
                self.slip("double", f"{token} answered {which} and, {apart:.2f} s later, {before}, which was still being said")
            if what == token and apart < EQUAL_APART_S - 1e-6 and safety & {before, which}:
                self.slip("double", f"{token} answered {which} and, {apart:.2f} s later, {before}")
        self.answered = self.pressed, token, after if joined else before

    def _heard(self, before: str, at: str, question: Question, since: float, ask: bool, safety: bool) -> None:
        if not question and ask:
            return  # terse: the sound that ended the hold asks, and a reading is its own answer
        if not question or ask and not safety:
            waited = self.pressed - max(since, self.restarted)
            if waited < ENOUGH_S - 1e-6 and not any(asking[-1].whole(self.pressed) for asking in question):
                self.slip("unheard", f"{at}, {waited:.2f} s after it was opened")
        elif safety:
            if not any(all(one.whole(self.pressed) for one in asking) for asking in question):
                self.slip("half heard", f"{at} before the whole of it was heard: {question[-1][-1].text!r}")
        elif not any(asking[-1].enough(self.pressed) for asking in question):
            self.slip("unheard", f"{at}, of which {question[-1][-1].sounded(self.pressed):.2f} s were heard")

    def _look(self, event: Event, effects: tuple[Effect, ...], question: Question) -> None:
        """A second entry that is begun before its question was over may be the first look's."""
        if not isinstance(event, KeyPressed) or not self.prompt.endswith(".again") or event.key not in "0123456789*":
            return
        refused = any(isinstance(one, Cue) and one.name == "refused" for one in effects)
        if not refused and not any(all(one.whole(self.pressed) for one in asking) for asking in question):
            self.new_look = False

    def _move(self, prompt: str, spoken: list[Utterance], restarted: bool) -> None:
        put = [one for one in spoken if one.id in (prompt, f"{prompt}.caution")]
        if prompt != self.prompt:
            self.prompt, self.opened, self.new_look = prompt, self.now, self.new_look or not prompt.endswith(".confirm")
            self.askings = [question_of(put)] if put else []
        elif put and (restarted or any(put[-1].text == asking[-1].text for asking in self.askings)):
            self.askings.append(question_of(put))

    # --- readings --------------------------------------------------------------------------------------------------------

    def _keep(self, event: Event, records: list[Record], before: str, spoken: list[Utterance], since: float,
              question: Question) -> None:
        heard = next((one.fields for one in records if one.kind == "heard"), None)
        for one in records:
            match one.kind:
                case "proposed":
                    self._proposed(event, one.fields, heard, spoken, since, before)
                case "taken":
                    self._taken(event, one.fields, before, records, question)
                case "taken_back":
                    self.counting.pop(one.fields["id"], None)
                case "result":
                    self.known |= self.counting
                case "hold":
                    self._hold(one.fields)
        if any(one.id == "metric.check" for one in spoken):
            self.known |= self.counting  # the difference was told
        if self.offer is not None and before == f"{self.offer.id}.confirm" and self.prompt == f"{self.offer.id}.again":
            self._confirmed(event, question)
            self.firsts[self.offer.id] = self.offer
        elif self.prompt in self.firsts:
            del self.firsts[self.prompt]  # asked for from the beginning

    def _proposed(self, event: Event, fields: Mapping[str, Any], heard: Mapping[str, Any] | None, spoken: list[Utterance],
                  since: float, before: str) -> None:
        ident, source = fields["id"].removesuffix(".confirm"), fields["source"]
        if source == "gauge" and not before.endswith(".override"):  # there it was read before, and "no" says that it stays
            self._is_fresh(ident, since)
        read_back = next((one for one in spoken if one.id == f"{ident}.confirm"), None)
        said = heard["text"] if heard else self.offer.token if self.offer else ""
        form = ""
        if source == "voice":
            form = "digits" if all(word in (*DIGITS, "oh", "point", "double") for word in said.split()) else "whole"
        elif read_back is not None and "face" in read_back.text:
            form = "face"
        entry = tokened(event, Record("proposed", fields), ident)
        self.offer = Offer(ident.removesuffix(".again"), fields["value"], source, form, entry, read_back, self.new_look)
        if read_back is None or "fetch the technician" not in read_back.text:  # else it waits for him, and is read back to him
            self._read_back(read_back)

    def _read_back(self, said: Utterance | None) -> None:
        assert self.offer is not None
        ident, value, self.offer.read_back = self.offer.id, self.offer.value, said
        if said is None:
            self.slip("read-back", f"{ident} {value} was never read back")
        elif as_read_back(ident, value) not in said.text.replace(",", ""):
            self.slip("read-back", f"{ident} {value} was read back as {said.text!r}")

    def _is_fresh(self, ident: str, since: float) -> None:
        shown = self.steady
        if shown is None or shown.since is None:  # somebody gave it on purpose
            return
        if shown.since < since - 1e-6 or self.now - shown.at > FRESH_S:
            self.slip("old gauge", f"{ident} by a wire that showed it since {shown.since:.2f}, asked at {since:.2f}")

    def _confirmed(self, event: Event, question: Question) -> None:
        """The read-back was answered by yes: could it be?"""
        offer = self.offer
        if offer is None or offer.read_back is None:
            return
        if not affirmed(event):
            self.slip("unconfirmed", f"{offer.id} {offer.value} by {event}")
        put = [offer.read_back, *(asking[-1] for asking in question if asking[-1].text == offer.read_back.text)]
        if not any(one.whole(self.pressed) if offer.id in TWICE else one.figures(self.pressed) for one in put):
            heard = max(one.sounded(self.pressed) for one in put)
            self.slip("read-back", f"{offer.id} {offer.value} was confirmed {heard:.2f} s into {offer.read_back.text!r}")

    def _taken(self, event: Event, fields: Mapping[str, Any], before: str, records: list[Record],
               question: Question) -> None:
        ident, value, offer = fields["id"], fields["value"], self.offer
        self.acknowledged[ident, value] += 1
        if offer is None or offer.id != ident or before not in (f"{ident}.confirm", f"{ident}.again.confirm"):
            self.slip("unconfirmed", f"{ident} {value} was taken at {before}")
            return
        self._confirmed(event, question)
        entries = [one for one in (self.firsts.get(ident), offer) if one is not None]
        if value not in [one.value for one in entries]:
            self.slip("unconfirmed", f"{ident} was taken as {value}, confirmed was {offer.value}")
        if ident in TWICE:
            self._twice(ident, entries)
        notes = [one.fields for one in records if one.kind == "note" and one.fields["id"] == ident]
        doubtful = any(one["text"].startswith("doubtful") for one in notes)
        if doubtful and same_answer(offer.token, event):
            self.slip("doubt", f"the doubtful {ident} {value} was confirmed by the answer that entered it, {offer.token}")
        low, high = self.band.get(ident, (value, value))
        if not low <= value <= high and not notes:
            self.slip("band", f"{ident} {value} is outside its band, and the record does not say so")
        if ident in self.known and self.known[ident] != value:
            self.changed["leak" if ident.startswith("leak") else "test"] += 1
            self.known[ident] = value
        self.counting[ident] = value
        self.offer = None

    def _twice(self, ident: str, entries: list[Offer]) -> None:
        if len(entries) != 2:
            self.slip("once", f"{ident} decides a result and was entered once")
            return
        first, second = entries
        by_wire = "gauge" in (first.source, second.source)
        if abs(first.value - second.value) > (WIRE_PSI if by_wire else 0):
            self.slip("once", f"{ident} was entered as {first.value} and as {second.value}")
        if not independent(first, second):
            self.slip("same way", f"{ident} was entered twice by {first.source} {first.form} and {second.source} {second.form}")

    def _hold(self, fields: Mapping[str, Any]) -> None:
        ident = fields["id"]
        if fields["event"] == "start":
            self.broken.discard(ident)
            self.holds[ident] = self.now, float(fields["seconds"])
            if ident.startswith("leak"):
                self.known = {name: value for name, value in self.known.items() if not name.startswith("leak")}
                self.changed.pop("leak", None)
        elif fields["event"] == "broken":
            self.holds.pop(ident, None)
            self.broken.discard(ident)
        elif fields["event"] == "end":
            if ident in self.broken:
                self.slip("short hold", f"{ident} ran while the station was dead, and counted")
            began, length = self.holds.pop(ident)
            if self.now - began < length - 0.01:
                self.slip("short hold", f"{ident} ended after {self.now - began:.2f} of {length} s")

    # --- at its end ------------------------------------------------------------------------------------------------------

    def end(self, final: Final) -> None:
        """The test is over, or was left: what the record says of it."""
        lost = self.acknowledged - Counter((name, value) for name, value, _ in final.readings)
        if lost:
            self.slip("lost", f"announced as taken and not in the record: {dict(lost)}")
        counting = {name: value for name, value, counts in final.readings if counts}
        if final.outcome == "done":
            self._defend(final, counting)

    def _defend(self, final: Final, counting: dict[str, Decimal]) -> None:
        changes = sum(self.changed.values())
        marked = final.verdict == "invalid" or "after the result" in final.why
        if changes and (final.verdict in ("pass", "none") or final.code == 0 or not marked):
            self.slip("shopped", f"{changes} changes after the result was known, and the verdict is {final.verdict}: {final.why}")
        if max(self.changed.values(), default=0) > 1 and final.verdict != "invalid":
            self.slip("shopped", f"{dict(self.changed)} changes after the result was known, and the verdict is {final.verdict}")
        if final.verdict == "pass" and final.code != 0:
            self.slip("result", "a pass that exits with an error")
        if final.verdict in ("fail", "invalid") and final.code == 0:
            self.slip("result", f"{final.verdict} exits with 0")
        if final.verdict == "pass" and final.test == "sequential":
            disagree = boyle(counting)
            if disagree:
                self.slip("boyle", f"a pass, while {disagree}")
        self._as_work_has_it(final, counting)

    def _as_work_has_it(self, final: Final, counting: dict[str, Decimal]) -> None:
        for name, given in as_input(final, counting):
            found, _ = work.run(name, json.dumps(given, default=str).replace('"#', "").replace('#"', ""))
            for one in found["results"]:
                value, rounded = final.results.get(one["name"], (None, None))
                if value is not None and (value, rounded) != (one["value"], one["rounded"]):
                    self.slip("result", f"{one['name']} is {value}, and work gives {one['value']} of the same readings")
                if value is None and final.verdict == "pass":
                    self.slip("result", f"a pass without {one['name']}")
            if final.verdict == "pass" and found["verdict"] not in ("pass", "none"):
                self.slip("result", f"a pass, where work gives {found['verdict']} ({found['why']})")
