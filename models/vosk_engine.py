"""Hears with a vosk model: any model folder, first in a strict grammar of ours, then perhaps in vosk's own."""

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import vosk

from assistant.core.expect import Expect
from models import grammar, vocabulary
from models.grammar import EVERYTHING
from models.quieten import denoise, even_out
from models.strict import NO_SPLIT, SMALL_BOARD, Acceptor, NotStrict, acceptor, files_of, strict_model
from models.vote import Decoding
from models.wav import RATE, to_pcm

# One strict grammar for all that is ever said, not one a step: each loaded model has a network of its own. What the step
# can't expect is refused by the ear; nothing is forced into it. At most two decimals can be said.

SECOND = "BOWLSIDE_VOSK_SECOND"
"""Set to 1 or 0: whether the stock model is loaded too, for a second opinion; else it depends on the free memory."""

ROOM_LEFT_MB = 600
"""Memory to be left free for everything else after a second copy was loaded."""


class VoskEngine:
    """One loaded model, or two of the same: strict, and stock with vosk's runtime grammar. Not for two threads at once."""

    def __init__(self, folder: Path, vocabulary_map: Mapping[str, str] | None = None, *, second: bool | None = None,
                 small_board: bool = False, sentences: grammar.Automaton | None = None, cache: Path | None = None) -> None:
        """vocabulary_map: our word -> the model's, for a model of another language; each target once.
        second: load the stock model too; None: as $BOWLSIDE_VOSK_SECOND says, else where memory allows.
        small_board: the narrow search that vosk's maintainers advise for a Raspberry Pi.
        sentences: the strict grammar, in our words (None: EVERYTHING). cache: see strict_model.
        Raises RuntimeError with a sentence if the model can't be loaded.
        """
        vosk.SetLogLevel(-1)
        self.name = f"vosk {folder.name}"
        self._ours = dict(vocabulary_map or {})
        self._back = {theirs: ours for ours, theirs in self._ours.items()}
        if len(self._back) != len(self._ours):
            raise ValueError("Two words of the vocabulary map go to one word of the model.")
        try:
            known = vocabulary.known_words(folder)
        except vocabulary.NoVocabulary as error:
            raise RuntimeError(str(error)) from None
        self.has_unknown = grammar.UNKNOWN in known
        theirs = {self._ours.get(word, word): word for word in grammar.words_for(grammar.WIDE)}
        self.lacks = [theirs[word] for word in vocabulary.missing(known, theirs)]
        """Our words that this model can't hear; sentences that use them are left out of every grammar."""
        self.fixed = _has_fixed_graph(folder)
        """A graph/HCLG.fst: no grammar can be given, the model hears openly and the parser decides."""
        self._told: list[str] = []
        self.strict_model: vosk.Model | None = None
        self.model: vosk.Model | None = None
        """The stock model, for vosk's runtime grammar (or for open hearing, if `fixed`)."""
        self.accepts: Acceptor | None = None
        """What the strict decoding can say, in our words."""
        if set(self.lacks) & set(grammar.ESSENTIAL):
            return                          # of no use for readings: the ear says so, and nothing need be loaded
        try:
            self.accepts = acceptor(sentences or grammar.automaton(EVERYTHING), without=self.lacks, unknown=self.has_unknown)
            self.strict_model = _load_strict(folder, self._in_their_words(self.accepts), known,
                                             NO_SPLIT | (SMALL_BOARD if small_board else {}), cache)
        except NotStrict as error:
            self.accepts = None
            self._told.append(str(error))
        asked = second if second is not None else {"0": False, "1": True}.get(os.environ.get(SECOND, ""))
        if asked or self.strict_model is None or (asked is None and _has_room(folder)):
            self.model = _load(folder)
        elif asked is None:
            self._told.append(f"Too little memory is free to load {self.name} twice, so it may ask again more often.")

    @property
    def sentences(self) -> list[str]:
        """What is worth telling about this model, in plain sentences."""
        told = [vocabulary.sentence(self.name, self.lacks), *self._told]
        if not self.has_unknown:
            told.append(f"The model {self.name} has no word for noise, so more noise will have to be asked again.")
        return [sentence for sentence in told if sentence]

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]:
        """What is heard in the strict grammar of everything, in the sound as it is and in the cleaned one; then, where
        the stock model is loaded, in vosk's own grammar. "" where it is no grammar word.

        Each time in the grammar of all that is ever said: a grammar of commands alone makes a command of anything,
        twice alike, and may not confirm itself. Only without a strict model the first is that of the step.

        All are by one name: it is one network that hears, and what it mishears it mishears in both grammars.
        """
        cleaned = even_out(denoise(sound), -30)
        if self.strict_model is not None:
            yield Decoding(self.hear_strictly(sound), self.name)
            yield Decoding(self.hear_strictly(cleaned), self.name)
        if self.model is not None:
            first = expect if self.strict_model is None else EVERYTHING
            yield Decoding(self.hear_in_phrases(sound, first), self.name)
            yield Decoding(self.hear_in_phrases(cleaned, EVERYTHING), self.name)

    def hear_strictly(self, sound: np.ndarray) -> str:
        """The words of a whole sentence of the strict grammar; "" for none.

        A search that has lost every path to an end when the sound is over gives the beginning of a sentence instead:
        refused, as two sentences in a row are.
        """
        text = self.hear_anything(sound)
        return text if self.accepts is not None and self.accepts.accepts(text.split()) else ""

    def hear_anything(self, sound: np.ndarray) -> str:
        """What the strict search gives, whole sentence or not."""
        return self._words(vosk.KaldiRecognizer(self.strict_model, RATE), to_pcm(sound))

    def hear_in_phrases(self, sound: np.ndarray, expect: Expect) -> str:
        """The words, in any order, of vosk's runtime grammar of `expect`; openly if the model has a fixed graph."""
        if self.fixed:
            return self._words(vosk.KaldiRecognizer(self.model, RATE), to_pcm(sound))
        phrases = json.dumps(self.phrases(expect), ensure_ascii=False)
        return self._words(vosk.KaldiRecognizer(self.model, RATE, phrases), to_pcm(sound))

    def phrases(self, expect: Expect) -> list[str]:
        """The grammar handed to vosk, in the model's own words."""
        said = [phrase.split() for phrase in grammar.phrases_for(expect)]
        phrases = [" ".join(self._ours.get(word, word) for word in words)
                   for words in said if not set(words) & set(self.lacks)]
        return phrases + ([grammar.UNKNOWN] if self.has_unknown else [])

    def _words(self, recogniser: vosk.KaldiRecognizer, pcm: bytes) -> str:
        """All of the utterance. vosk may end it before the sound does: both parts are joined, and the ear refuses what
        is then not one sentence, so that "two, two, two" cut in the middle never passes as "two, two"."""
        texts = [json.loads(recogniser.Result())["text"]] if recogniser.AcceptWaveform(pcm) else []
        texts.append(json.loads(recogniser.FinalResult())["text"])
        words = " ".join(texts).split()
        if grammar.UNKNOWN in words:
            return ""
        return " ".join(self._back.get(word, word) for word in words)

    def _in_their_words(self, ours: Acceptor) -> Acceptor:
        return Acceptor(tuple(tuple((self._ours.get(word, word), to) for word, to in leaving) for leaving in ours.arcs),
                        ours.finals)


def _load(folder: Path) -> vosk.Model:
    try:
        return vosk.Model(str(folder))
    except Exception as error:              # vosk raises nothing narrower
        raise RuntimeError(f"The vosk model in {folder} can't be loaded ({error}); install it again.") from None


def _load_strict(folder: Path, sentences: Acceptor, ids: Mapping[str, int], settings: Mapping[str, str],
                 cache: Path | None) -> vosk.Model:
    """The model with our grammar; if its folder can't be loaded, made anew once. Raises NotStrict, without blaming the
    user's model: loading that tells whether it is at fault."""
    for anew in (False, True):
        place = strict_model(folder, sentences, ids, settings, cache, anew=anew)
        try:
            model = vosk.Model(str(place))
            vosk.KaldiRecognizer(model, RATE)               # only this looks at the grammar
            return model
        except Exception as error:          # vosk raises nothing narrower
            reason = error
    raise NotStrict(f"vosk can't load the grammar written for the model {folder.name} ({reason}), so the order of words "
                    "isn't enforced in it.")


def _has_fixed_graph(folder: Path) -> bool:
    """vosk takes graph/HCLr.fst with Gr.fst where both are there, also in the older layout without subfolders."""
    return not any((graph / "HCLr.fst").is_file() and (graph / "Gr.fst").is_file() for graph in (folder / "graph", folder))


def _has_room(folder: Path) -> bool:
    """Hearing in a stock model takes about twice its files (the Korean one: 252 MB on disk, 520 MB at the most in memory)."""
    size = sum((folder / name).stat().st_size for name in files_of(folder))
    return _free() > 2.2 * size + ROOM_LEFT_MB * (1 << 20)


def _free() -> int:
    """Bytes of memory that can still be had; 0 where the system does not say."""
    try:
        with open("/proc/meminfo", encoding="ascii") as lines:
            return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:"))
    except (OSError, StopIteration):
        return 0
