"""One turn of the machine: the state being built and the effects gathered, while one event is handled."""
from __future__ import annotations

from decimal import Decimal
from typing import Any

from assistant.core import phrases, spoken
from assistant.core.asked import waits
from assistant.core.effects import Cue, Effect, Hush, Listen, Record, Speak
from assistant.core.expect import Expect
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.plausible import likely_range, plausible_range
from assistant.core.state import FACE, YES_NO, Asked, Note, Phase, State
from assistant.core.steps import Ask, Tap


class Turn:
    """Lives for one call of ``step`` only; outside it everything is immutable."""

    def __init__(self, state: State) -> None:
        self.state, self.before = state, state
        self.effects: list[Effect] = []

    def set(self, **changes: Any) -> None:
        self.state = self.state.but(**changes)

    def emit(self, effect: Effect) -> None:
        self.effects.append(effect)

    def record(self, kind: str, **fields: Any) -> None:
        self.emit(Record(kind, fields))

    def note(self, about: str, text: str, invalid: bool = False, repeat: bool = False) -> None:
        """Write a remark into the record (see Note)."""
        self.set(notes=(*self.state.notes, Note(self.state.now, about, text, invalid, repeat)))
        self.record("note", id=about, text=text)

    def cue(self, name: str) -> None:
        self.emit(Cue(name))

    def say(self, text: str, about: str = "", urgent: bool = False, caution: bool = False) -> None:
        """Say ``text``. Listening begins when the last utterance is over.

        ``urgent``: even while quiet or paused. ``caution``: that too, and nothing cuts it off.
        """
        if not text:
            return
        number = self.state.utterance + 1
        aloud = urgent or caution or not (self.state.quiet or self.state.paused)
        self.set(utterance=number, listening=False)
        if caution:
            self.set(cautions=(*self.state.cautions, number))
        self.emit(Speak(about or self.state.prompt, text, number, aloud, self.state.wpm))

    def hush(self) -> None:
        """Cut off and drop whatever is to be said, but for cautions: nothing piles up behind them either."""
        waiting = self.state.utterance - self.state.spoken
        if waiting > len(self.state.cautions):
            self.emit(Hush(self.state.cautions))
            self.set(asked=self.state.asked.hushed(self.state.cautions, self.state.now))

    def timer(self, name: str, due: float) -> None:
        others = tuple(one for one in self.state.timers if one[0] != name)
        self.set(timers=(*others, (name, due)))

    def clear_timers(self, prefix: str) -> None:
        """Empty prefix: all of this test. The clocks of the round and of the load run on, whatever happens in it."""
        self.set(timers=tuple(one for one in self.state.timers if not one[0].startswith(prefix)
                              or not prefix and one[0].startswith(("round:", "batch:"))))

    def aside(self, phase: Phase, first: str = "") -> None:
        """Ask something else, after the words ``first``: what was asked waits (``State.before_scrap``)."""
        before = self.state.before_scrap if self.state.phase in (Phase.SCRAP, Phase.CHANGE, Phase.REST) else self.state.phase
        self.set(before_scrap=before, phase=phase, paused=False, typed="", wheel="", listening=False)
        self.say(first)
        self.say_prompt()

    def say_prompt(self, whole: bool = True) -> None:
        """Say what is being asked now; ``whole`` with its caution."""
        words, caution = prompt_words(self.state)
        caution = caution if whole else ""
        first = self.state.utterance + 1
        if caution:
            self.say(caution, f"{self.state.prompt}.caution", caution=True)
        # While quiet too, or nobody has read it back.
        self.say(words, urgent=self.state.phase in (Phase.CONFIRM, Phase.SCRAP, Phase.CHANGE, Phase.REST))
        self.open(first, f"{caution} {words}")
        self.listen_if_silent()

    def open(self, first: int, words: str = "") -> None:
        """From now on this prompt is asked, by the utterances from ``first`` on."""
        asked = Asked(first, self.state.utterance, len(words.split()), self.state.now)
        self.set(asked=asked.spoken(self.state.spoken, self.state.now))

    def listen_if_silent(self) -> None:
        """Listen at once where nothing is being said; else ``Spoken`` brings it."""
        state = self.state
        if state.phase is Phase.TAPPING:
            return  # the mallet is louder than any voice
        if state.spoken >= state.utterance and state.prompt and not state.listening:
            self.set(listening=True)
            self.emit(Listen(self.state.prompt, expected(self.state)))


def prompt_words(state: State) -> tuple[str, str]:
    """What to say for the prompt of this state, and its caution."""
    if state.asks_why:
        return phrases.for_hands(state.buttons, "scrap.ask"), ""
    words, caution = _prompt_words(state)
    if state.away is None or state.phase is Phase.HOLD:
        return words, caution
    if waits(state):
        assert state.procedure is not None
        doubt = state.proposed.doubt if state.phase is Phase.CONFIRM and state.proposed is not None else ""
        return f"{doubt} {sentence('crew.waits')}".lstrip(), phrases.PRESSURE_CAUTION if state.procedure.pressurised else ""
    return f"{sentence('crew.you')} {words}", caution


def _prompt_words(state: State) -> tuple[str, str]:
    step = state.step
    say = step.terse if state.terse and step.terse else step.say
    if state.wording == "coaching" and step.coaching:
        say = f"{say} {step.coaching}".strip()
    match state.phase:
        case Phase.TELL:
            return " ".join([say, *(each.terse or each.say for each in state.breath()[1:])]), step.caution
        case Phase.CHOOSE | Phase.READY | Phase.HOLD:
            return say, step.caution
        case Phase.ENTRY if state.first is not None:
            return again_words(state), ""
        case Phase.ENTRY if state.corrected and not (state.rules and state.holding and state.needs_lever()):
            return sentence("entry.correct", reading=phrases.spoken_id(step.id)), ""
        case Phase.ENTRY if state.rules and state.needs_lever() and not state.holding:
            return sentence("entry.lever_unknown", reading=phrases.spoken_id(step.id)), ""
        case Phase.ENTRY:
            return say, step.caution
        case Phase.CONFIRM:
            assert state.proposed is not None
            return read_back(state), ""
        case Phase.OVERRIDE:
            return sentence("entry.override"), ""
        case Phase.SCRAP:
            return sentence("entry.scrap"), ""
        case Phase.REST:
            return sentence(f"buttons.rest.{state.rest}"), ""
        case Phase.CHANGE:
            last = state.last_taken()
            assert last is not None
            again = sentence("entry.change_again") if state.changes() else ""
            return " ".join(filter(None, (sentence("entry.change", reading=phrases.spoken_id(last.id)), again))), ""
        case Phase.TAPPING if isinstance(step, Tap):
            return go_words(state), ""
    return "", ""


def go_words(state: State) -> str:
    """What is said when the lever shall go down."""
    step = state.step
    assert isinstance(step, Tap)
    return step.terse_go if state.terse and step.terse_go else step.go


def read_back(state: State) -> str:
    assert state.proposed is not None
    value = phrases.aloud(state.proposed.value, state.ask.places)
    doubt = state.proposed.doubt
    if state.proposed.form == FACE or state.away is not None:
        return " ".join(filter(None, (sentence("entry.face", digits=spoken.digits(value)), doubt)))
    right = "" if state.terse and not doubt else sentence("entry.right")
    if (tap := state.joined) is not None:
        coaching = tap.coaching if state.wording == "coaching" else ""
        right = f"{tap.terse_joined if state.terse and tap.terse_joined else tap.joined} {coaching}".rstrip()
    said = (sentence("entry.read_back", digits=registry.aloud(state.ask.id, value)), doubt, right)
    return " ".join(filter(None, said))


def again_words(state: State) -> str:
    """How the second entry must come, so that it can't repeat the first one's mistake."""
    assert state.first is not None
    if state.first.source == "gauge" and state.steady is not None and "gauge" not in state.lost:
        return phrases.for_hands(state.buttons, "entry.again_wire_terse" if state.terse else "entry.again_wire")
    if state.first.source == "gauge" or state.first.source == "voice" and state.first.form == "whole":
        return phrases.for_hands(state.buttons, "entry.again_terse" if state.terse else "entry.again")
    if state.first.source == "keypad" and state.rules:
        return phrases.for_hands(state.buttons, "entry.again_any_terse" if state.terse else "entry.again_any")
    return phrases.for_hands(state.buttons, "entry.again_key_terse" if state.terse else "entry.again_key")


def expected(state: State) -> Expect:
    """What the ear should be ready for."""
    step = state.step
    if state.asks_why:
        return Expect("reading", Decimal(1), Decimal(len(phrases.REASONS)), 0)
    if state.phase is Phase.ENTRY and isinstance(step, Ask):
        taken = state.taken()
        low, high = plausible_range(step.id, taken, state.settings)
        return Expect("reading", low, high, step.places, likely_range(step.id, taken, state.settings), step.unit)
    if state.phase in YES_NO:
        return Expect("yesno", None, None, None)
    return Expect("command", None, None, None)
