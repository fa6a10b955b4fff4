"""Ways to hear: each takes a clip and gives what was understood. All run on the same clips in the same run.

ours          models/ear.py as the station uses it
grammar       the closed grammar alone: pocketsphinx, its defaults, the sound as it is; nothing is refused
first         the first decoding alone: what the audio chain and the settings give, without a vote
own           the station's own model alone: what its first decoding says is believed
pocketsphinx  pocketsphinx alone with its own vote: the station before it had a model of its own
text2num      the naive way: a general language model, then that words-to-number library
word2number   the same with the other library
"""
from __future__ import annotations

import dataclasses
import functools
import time
from collections.abc import Callable, Iterator
from decimal import Decimal, InvalidOperation
from typing import Any

import numpy as np

from assistant.core.commands import command
from assistant.core.expect import Expect
from models import grammar
from models.ear import RULES, WITH_OWN, Ear, Understood, open_ear, spoken_text_to_understood
from models.vote import OWN
from models.wav import RATE
from tests.bench.hearing.corpus import Clip

Way = Callable[[Clip], Understood]


class Tape:
    """An engine that writes down what it gave, so that another voting rule can be tried without decoding again."""

    def __init__(self, engine: Any) -> None:
        self._engine = engine
        self.name, self.sentences = engine.name, engine.sentences
        self.gave: list[Any] = []
        self._rest: Iterator[Any] = iter(())

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Any]:
        self.gave, self._rest = [], iter(self._engine.decodings(sound, expect))
        for one in self._rest:
            self.gave.append(one)
            yield one

    def to_the_end(self) -> list[Any]:
        """Also those that the ear did not ask for."""
        self.gave += self._rest
        return self.gave


class PeopleTape:
    """The network that has heard very many people, with what it heard last; or only that, given again."""

    def __init__(self, people: Any = None) -> None:
        self._people, self.name = people, "people"
        self.heard: Any = None

    def hear(self, sound: np.ndarray, expect: Expect) -> Any:
        if self._people is not None:
            self.heard = self._people.hear(sound, expect)
        return self.heard


class Ours:
    """The station's ear. `tape` keeps the decodings of the clip heard last."""

    def __init__(self) -> None:
        self._ear = open_ear()
        self._ear._engines = self.tapes = [Tape(engine) for engine in self._ear._engines]
        self._people = PeopleTape(self._ear._people) if self._ear._people is not None else None
        self._ear._people = self._people

    def __call__(self, clip: Clip) -> Understood:
        for tape in self.tapes:
            tape.gave, tape._rest = [], iter(())
        if self._people is not None:
            self._people.heard = None
        return self._ear.understand(clip.pcm, RATE, clip.expect)

    def decodings(self) -> list[Any]:
        """As plain JSON: a text, or the fields of a richer decoding."""
        heard = [self._people.heard] if self._people is not None and self._people.heard is not None else []
        return [dataclasses.asdict(one) if dataclasses.is_dataclass(one) else one
                for one in [*heard, *(one for tape in self.tapes for one in tape.to_the_end())]]


class Replayed:
    """An engine that gives again what a tape holds."""

    name, sentences = "replayed", []

    def __init__(self) -> None:
        self.gave: list[Any] = []

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Any]:
        for one in self.gave:
            if isinstance(one, dict):
                from models.vote import Decoding

                yield Decoding(**one)
            else:
                yield one


class Revote:
    """Today's rule of models/ear.py on decodings that were kept: seconds instead of minutes."""

    def __init__(self) -> None:
        self._engine = Replayed()
        self._ear = Ear([self._engine], "")
        self._sound = (np.random.default_rng(1).standard_normal(RATE) * 3000).astype("<i2").tobytes()   # loud enough for any gate

    def __call__(self, gave: list[Any], expect: Expect) -> Understood:
        self._ear._people = None
        if gave and isinstance(gave[0], dict) and "share" in gave[0]:
            from models.people_engine import Heard

            self._ear._people = PeopleTape()
            self._ear._people.heard, gave = Heard(**gave[0]), gave[1:]
        self._engine.gave = gave
        self._ear._rules = WITH_OWN if any(isinstance(one, dict) and one["by"] == OWN for one in gave) else RULES
        return self._ear.understand(self._sound, RATE, expect)


def _first(clip: Clip) -> Understood:
    """Whatever the first decoding says is believed, if it is a whole sentence."""
    from models.wav import to_sound

    engine = _shared_engine()
    began = time.perf_counter()
    one = next((one for one in engine.decodings(to_sound(clip.pcm, RATE), clip.expect) if not getattr(one, "narrowed", False)),
               "")
    return _believed(getattr(one, "text", one), clip, began)


class OwnAlone:
    def __init__(self) -> None:
        from models.locate import SHIPPED
        from models.own_engine import OwnEngine

        self._engine = OwnEngine(SHIPPED)

    def __call__(self, clip: Clip) -> Understood:
        from models.wav import to_sound

        began = time.perf_counter()
        return _believed(next(self._engine.decodings(to_sound(clip.pcm, RATE), clip.expect)).text, clip, began)


class PocketsphinxAlone:
    def __init__(self) -> None:
        from models.pocketsphinx_engine import PocketsphinxEngine

        self._ear = Ear([PocketsphinxEngine()], "")

    def __call__(self, clip: Clip) -> Understood:
        return self._ear.understand(clip.pcm, RATE, clip.expect)


@functools.cache
def _shared_engine() -> Any:
    return open_ear()._engines[0]


class ClosedGrammar:
    """What a closed grammar gives with nothing else done."""

    def __init__(self) -> None:
        import pocketsphinx

        self._decoder = pocketsphinx.Decoder(lm=None, loglevel="FATAL")
        self._made: dict[Expect, str] = {}

    def __call__(self, clip: Clip) -> Understood:
        began = time.perf_counter()
        expect = dataclasses.replace(clip.expect, low=None, high=None, near=None)
        if expect not in self._made:
            name = f"g{len(self._made)}"
            built = grammar.automaton(expect)
            arcs = [(frm, to, 1.0, word) if word else (frm, to, 1.0) for frm, word, to in built.arcs]
            self._decoder.add_fsg(name, self._decoder.create_fsg(name, built.start, built.end, arcs))
            self._made[expect] = name
        self._decoder.activate_search(self._made[expect])
        return _believed(_decoded(self._decoder, clip.pcm), clip, began)


class General:
    """pocketsphinx's general language model: what both naive ways read; each clip is decoded once."""

    def __init__(self) -> None:
        import pocketsphinx

        self._decoder = pocketsphinx.Decoder(loglevel="FATAL")
        self._last = ("", "", 0.0)

    def text(self, clip: Clip) -> tuple[str, float]:
        """What it heard, and how long it took."""
        if self._last[0] != clip.ident:
            began = time.perf_counter()
            self._last = (clip.ident, _decoded(self._decoder, clip.pcm), time.perf_counter() - began)
        return self._last[1:]


@functools.cache
def _general() -> General:
    return General()


def _naive(to_number: Callable[[str], object]) -> Way:
    general = _general()

    def hear(clip: Clip) -> Understood:
        text, took = general.text(clip)
        value = command(text)
        if value is None and clip.expect.kind == "reading":
            try:
                value = f"{Decimal(str(to_number(text))).quantize(Decimal(1).scaleb(-(clip.expect.places or 2)))}"
            except (ValueError, InvalidOperation, IndexError):
                value = None
        return Understood(text, value, value is not None, None, len(clip.pcm) / 2 / RATE, took)
    return hear


def _text2num(text: str) -> str:
    from text_to_num import alpha2digit

    return str(alpha2digit(text.replace("oh", "zero"), "en"))


def _word2number(text: str) -> object:
    from word2number.w2n import word_to_num

    return word_to_num(text)


def _decoded(decoder: Any, pcm: bytes) -> str:
    decoder.start_utt()
    decoder.process_raw(pcm, full_utt=True)
    decoder.end_utt()
    return decoder.hyp().hypstr if decoder.hyp() else ""


def _believed(text: str, clip: Clip, began: float) -> Understood:
    whole = bool(text) and grammar.built(clip.expect).accepts(text.split())
    found = spoken_text_to_understood(text if whole else "", clip.expect)
    return dataclasses.replace(found, audio_s=len(clip.pcm) / 2 / RATE, decode_s=time.perf_counter() - began)


WAYS: dict[str, Callable[[], Way]] = {
    "ours": Ours, "own": OwnAlone, "pocketsphinx": PocketsphinxAlone, "first": lambda: _first, "grammar": ClosedGrammar,
    "text2num": lambda: _naive(_text2num), "word2number": lambda: _naive(_word2number)}
