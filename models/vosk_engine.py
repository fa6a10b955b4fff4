"""Hears with a vosk model: any model folder, a closed grammar for each step."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import vosk

from assistant.core.expect import Expect
from models import grammar, vocabulary
from models.quieten import denoise, even_out
from models.wav import RATE, to_pcm


class VoskEngine:
    """One loaded model. About 300 MB for a small one, so a station keeps a single engine."""

    def __init__(self, folder: Path, vocabulary_map: Mapping[str, str] | None = None) -> None:
        """vocabulary_map: our word -> the model's, for a model of another language; each target once."""
        vosk.SetLogLevel(-1)
        try:
            self.model = vosk.Model(str(folder))
        except Exception as error:          # vosk raises nothing narrower
            raise RuntimeError(f"The vosk model in {folder} can't be loaded ({error}); install it again.") from None
        self.name = f"vosk {folder.name}"
        self._ours = dict(vocabulary_map or {})
        self._back = {theirs: ours for ours, theirs in self._ours.items()}
        if len(self._back) != len(self._ours):
            raise ValueError("Two words of the vocabulary map go to one word of the model.")
        self.has_unknown = not vocabulary.missing(self.model, [grammar.UNKNOWN])
        wanted = grammar.words_for(Expect("reading"))
        theirs = {self._ours.get(word, word): word for word in wanted}
        self.lacks = [theirs[word] for word in vocabulary.missing(self.model, theirs)]
        """Our words that this model can't hear; they are left out of every grammar."""

    @property
    def sentences(self) -> list[str]:
        """What is worth telling about this model, in plain sentences."""
        told = [vocabulary.sentence(self.name, self.lacks)]
        if not self.has_unknown:
            told.append(f"The model {self.name} has no word for noise, so more noise will have to be asked again.")
        return [sentence for sentence in told if sentence]

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[str]:
        """What is heard in the sound as it is, then in the cleaned one; "" where it is no grammar word.

        The second time in the grammar of all that is ever said: a grammar of commands alone makes a command of
        anything, twice alike, and may not confirm itself.
        """
        yield self._decode(sound, self.phrases(expect))
        yield self._decode(even_out(denoise(sound), -30), self.phrases(Expect("reading")))

    def phrases(self, expect: Expect) -> list[str]:
        """The grammar handed to vosk, in the model's own words."""
        said = [phrase.split() for phrase in grammar.phrases_for(expect)]
        phrases = [" ".join(self._ours.get(word, word) for word in words)
                   for words in said if not set(words) & set(self.lacks)]
        return phrases + ([grammar.UNKNOWN] if self.has_unknown else [])

    def _decode(self, sound: np.ndarray, phrases: list[str]) -> str:
        recogniser = vosk.KaldiRecognizer(self.model, RATE, json.dumps(phrases, ensure_ascii=False))
        pcm = to_pcm(sound)
        texts = [json.loads(recogniser.Result())["text"]] if recogniser.AcceptWaveform(pcm) else []
        texts.append(json.loads(recogniser.FinalResult())["text"])
        words = " ".join(texts).split()
        if grammar.UNKNOWN in words:
            return ""
        return " ".join(self._back.get(word, word) for word in words)
