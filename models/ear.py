"""From the sound of one utterance to what was understood, or to a sentence that says why not.

The network that has heard very many people says what was said and how surely (models/people_engine.py): sure enough, it is
believed; in doubt, the station's own small model or an installed one, built and taught differently, must hear the same. Where
that network can't be used, decodings that were built differently must agree (models/vote.py). Either way it must be something
this step can expect, and the strict parser must take it.
"""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Protocol

import numpy as np

from assistant.core.commands import command
from assistant.core.expect import Expect
from assistant.core.language import sentence
from assistant.core.spoken import NotANumber, parse
from models import grammar, locate
from models.locate import find_model
from models.people_engine import BadModel, Heard, PeopleEngine, meaning_of
from models.quieten import can_denoise, denoise, level
from models.vote import OWN, Decoding, Rule, Vote
from models.wav import RATE, to_sound

SHORTEST_S = 0.15
"""No word of ours is shorter."""

QUIETEST = 10 ** (-65 / 20)
"""Of full scale: below this the loudest 10 ms are no speech at the distance of a headset or a lapel."""


@dataclass(frozen=True)
class Understood:
    """What came of one utterance."""

    heard: str | None
    """The words, as the engine gave them; None: nothing that counts as words."""

    value: str | None
    """A reading as a decimal string, padded to its places; a command's id; "yes" or "no"; None."""

    accepted: bool
    """Whether the core may go on with it. Still to be read back: accepted is not taken."""

    why: str | None
    """A plain sentence why it was not accepted."""

    apart: bool = False
    """Two recognisers each heard a reading, and not the same."""

    audio_s: float = 0.0
    decode_s: float = 0.0


RULES = {"reading": Rule(plain=5, supported=3, unlikely=6), "command": Rule(3),
         "yes": Rule(4), "take_it_back": Rule(4), "scrap": Rule(4)}
"""How many decodings must say the same: "yes" takes a reading for good, so it is hard to say by accident. Chosen on the
tuning voices of tests/bench/hearing (seed 1, 3 of each): at clean / 20 / 10 / 5 dB 78 / 92 / 67 / 58 % of readings were right and
one of 36 wrong each; supported by 4, 72 / 81 / 64 / 42 and two of 144 wrong; by 2, up to three points more and five of 144
wrong."""

WITH_OWN = {"reading": Rule(plain=2, supported=1, unlikely=2, own=2), "command": Rule(1, own=2, alone=3),
            "yes": Rule(2, own=2), "take_it_back": Rule(2, own=2), "scrap": Rule(2, own=2)}
"""Where the station's own model hears: two of its three decodings, and so many of pocketsphinx's six. On the tuning voices
(seed 1, 2 of each) 80 % of 192 readings, down to 0 dB, were right and one wrong, of 66 noises and pieces of talk none was
taken; with `unlikely` 3 78 % and the same one wrong, with one of pocketsphinx's always enough 81 and the same, with all three of
the own model's 79 and the same. A command that all three of its decodings say needs no other (`alone`), but for "yes", "take it
back" and "scrap": of 384 commands of tuning voices (seed 1, 4 of each, clean to 5 dB) 93 % were right and one wrong ("talk" for
"pause") where with another's vote 88 and none were; of 132 noises and pieces of talk two were taken for "no" either way."""

@dataclass(frozen=True)
class Trust:
    """How sure the network that has heard very many people must be, as its share of all that may have been said (0 to 1)."""

    alone: float
    """Nothing else is asked."""

    seconded: float
    """The other recogniser hears the same."""


TRUST = {"likely": Trust(0.9, 0.5), "unlikely": Trust(0.999, 0.5), "reading": Trust(0.97, 0.5), "command": Trust(0.98, 0.8),
         "yes": Trust(0.98, 0.8), "take_it_back": Trust(0.98, 0.8), "scrap": Trust(0.98, 0.8)}
"""By what is heard: a reading where readings most likely lie, one elsewhere, one where nothing is known of that; a command,
and those that take or throw away a reading. Chosen on the tuning half of the held speakers; the trade is in models/docs/hearing.md."""

FAINT = 0.05
"""Below this share it was talk that is none of ours, or noise: nobody wants an answer to it."""

ONE_WORD_S, WORD_S = 1.4, 0.3
"""Longest speech that can be a command of one word, and what each further word adds. Of 288 commands of the tuning voices,
clean and in noise down to 5 dB, two were longer (in babble that counted as speech, by 0.02 and 0.14 s); ten of twelve
pieces of talk were longer than one word's."""


class Engine(Protocol):
    """A recogniser: gives several decodings of one utterance, the most telling first, made only as asked for."""

    name: str

    @property
    def sentences(self) -> list[str]:
        """What is worth telling about it."""

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]: ...


class People(Protocol):
    """The network that has heard very many people."""

    name: str

    def hear(self, sound: np.ndarray, expect: Expect) -> Heard: ...


class Ear:
    """Understands one utterance at a time. Not for two threads at once."""

    def __init__(self, engines: list[Engine], sentence: str, people: People | None = None) -> None:
        """engines: the own model, if it is there, first; with `people` at most one, which seconds it."""
        self._engines, self._people = engines, people
        self._rules = WITH_OWN if any(engine.name == OWN for engine in engines) else RULES
        self.name = " + ".join([*([people.name] if people else []), *(engine.name for engine in engines)])
        self.sentence = sentence

    def understand(self, pcm: bytes, rate: int, expect: Expect) -> Understood:
        """What the utterance in `pcm` (16-bit mono, little-endian, `rate` Hz) says, given what is expected."""
        audio_s = len(pcm) / 2 / rate
        began = time.perf_counter()
        understood = self._understand(to_sound(pcm, rate), expect)
        return replace(understood, audio_s=round(audio_s, 3), decode_s=round(time.perf_counter() - began, 3))

    def _understand(self, sound: np.ndarray, expect: Expect) -> Understood:
        if expect.kind == "off":
            return spoken_text_to_understood("", expect)
        if len(sound) < SHORTEST_S * RATE or level(sound).max() < QUIETEST:
            return Understood(None, None, False, sentence("ear.too_quiet"))
        if self._people is not None:
            return self._believed(self._people.hear(sound, expect), sound, expect)
        vote = Vote(expect, self._rules)
        for engine in self._engines:
            for decoding in engine.decodings(sound, expect):
                vote.add(decoding)
                if (text := vote.winner()) is not None:
                    if command(text) is not None and _spoken_s(sound) > ONE_WORD_S + WORD_S * text.count(" "):
                        return Understood(text, None, False, sentence("ear.too_long", heard=text))
                    return spoken_text_to_understood(text, expect)
            if engine.name == OWN and vote.own_says() is None:
                break                           # nothing can win without it: most noise ends here, before it costs much
        if vote.apart():
            return Understood(vote.first, None, False, sentence("ear.apart"), apart=True)
        return Understood(vote.first, None, False, sentence("ear.unsure"))


    def _believed(self, heard: Heard, sound: np.ndarray, expect: Expect) -> Understood:
        if heard.meaning is None or heard.share < FAINT:
            return Understood(None, None, False, sentence("ear.unsure"))
        understood = spoken_text_to_understood(heard.text, expect)
        trust = TRUST[_kind(heard.meaning, expect)]
        if heard.share >= trust.alone or not understood.accepted and heard.share >= trust.seconded:
            return understood
        if not understood.accepted:
            return Understood(heard.text, None, False, sentence("ear.unsure"))
        second = self._seconds(sound, expect)
        if second == heard.meaning and heard.share >= trust.seconded:
            return understood
        if second is not None and second != heard.meaning and second[0].isdigit() and heard.meaning[0].isdigit():
            return Understood(heard.text, None, False, sentence("ear.apart"), apart=True)
        return Understood(heard.text, None, False, sentence("ear.unsure"))

    def _seconds(self, sound: np.ndarray, expect: Expect) -> str | None:
        """The meaning that the other recogniser hears twice, or None."""
        said: list[str] = []
        for decoding in (decoding for engine in self._engines for decoding in engine.decodings(sound, expect)):
            if decoding.text and (meaning := meaning_of(decoding.text)) is not None:
                if meaning in said:
                    return meaning
                said.append(meaning)
        return None


def _kind(meaning: str, expect: Expect) -> str:
    """A key of TRUST."""
    if not meaning[0].isdigit():
        return meaning if meaning in TRUST else "command"
    if expect.near is None:
        return "reading"
    return "likely" if expect.near[0] <= Decimal(meaning) <= expect.near[1] else "unlikely"


def _spoken_s(sound: np.ndarray) -> float:
    """From the first to the last loud moment, in seconds; loud is within 14 dB of the loudest, with the noise taken out."""
    frames = level(denoise(sound))
    loud = np.flatnonzero(frames > 0.2 * np.quantile(frames, 0.98))
    return (loud[-1] - loud[0] + 1) / 100 if len(loud) else 0.0


def spoken_text_to_understood(text: str, expect: Expect) -> Understood:
    """What words mean where `expect` is listened for: the same last step for a recogniser and for a script."""
    heard = " ".join(text.lower().split())
    if expect.kind == "off":
        return Understood(heard or None, None, False, sentence("ear.off"))
    if not heard:
        return Understood(None, None, False, sentence("ear.nothing"))
    ident = command(heard)
    if ident is not None:
        return Understood(heard, ident, True, None)
    if expect.kind == "command":
        return Understood(heard, None, False, sentence("ear.no_command", heard=heard))
    if expect.kind == "yesno":
        return Understood(heard, None, False, sentence("ear.no_yes_no", heard=heard))
    try:
        value = parse(heard, whole=expect.places == 0).value
    except NotANumber as refusal:
        return Understood(heard, None, False, str(refusal))
    return _reading(heard, value, expect)


def _reading(heard: str, value: Decimal, expect: Expect) -> Understood:
    said = -int(value.as_tuple().exponent)
    if expect.places is not None and said > expect.places:
        return Understood(heard, str(value), False,
                          sentence("ear.decimals", value=value, said=said, places=expect.places))
    if expect.places is not None:
        value = value.quantize(Decimal(1).scaleb(-expect.places))
    if expect.low is not None and value < expect.low:
        return Understood(heard, str(value), False, sentence("ear.below", value=value, low=expect.low))
    if expect.high is not None and value > expect.high:
        return Understood(heard, str(value), False, sentence("ear.above", value=value, high=expect.high))
    return Understood(heard, str(value), True, None)


def open_ear(named: str | None = None, chosen: str = "", before: Sequence[str] = ()) -> Ear:
    """The ear of this station: the network that has heard very many people, seconded by an English vosk model if one is installed
    or named, else by the station's own. Without that network the other hears beside pocketsphinx.

    named, chosen  see ``locate.find_model``, which raises ModelMissing
    before         sentences that stand before those about what hears
    """
    told = [*before]
    people = _people(told)
    other = _installed(find_model(named, chosen), told, people is not None) or _own(told, people is not None)
    if people is not None:
        return Ear([other] if other else [], " ".join(told), people)
    from models.pocketsphinx_engine import PocketsphinxEngine

    if other is None:
        told.append("The station's own speech model can't be used either, so pocketsphinx with its English model hears alone; "
                    "expect more to be misheard.")
    if not can_denoise():
        told.append("The noise remover (pyrnnoise) is not installed; noise will be heard as it is.")
    return Ear([*([other] if other else []), PocketsphinxEngine()], " ".join(told))


def _people(told: list[str]) -> PeopleEngine | None:
    """The network that has heard very many people, and what to tell of it."""
    try:
        people = PeopleEngine(locate.PEOPLE)
    except BadModel as reason:
        told.append(f"{reason} Until then strangers are asked again more often.")
        return None
    told.append("Hearing with the model that has heard very many people.")
    return people


def _installed(folder: Path | None, told: list[str], seconds: bool) -> Engine | None:
    """The larger English model that somebody installed or named, and what to tell of it."""
    if folder is None or locate.is_own(folder):             # the own one has an engine and a rule of the vote for itself
        return None
    from models.vosk_engine import VoskEngine

    installed = VoskEngine(folder)
    if set(installed.lacks) & set(grammar.ESSENTIAL):
        told.append(f"The model in {folder} is not English, so it is not used.")
        return None
    told += [f"In doubt {installed.name} must hear the same." if seconds else
             f"Hearing with {installed.name}, checked by pocketsphinx.", *installed.sentences]
    return installed


def _own(told: list[str], seconds: bool) -> Engine | None:
    """The model that ships with the station, and what to tell of it."""
    from models.own_engine import OwnEngine

    if not locate.is_model(locate.SHIPPED):
        return None
    try:
        own = OwnEngine(locate.SHIPPED)
    except RuntimeError as error:
        told.append(str(error))
        return None
    told.append("In doubt the station's own small model must hear the same." if seconds else
                "Hearing with the station's own speech model, checked by pocketsphinx.")
    return own
