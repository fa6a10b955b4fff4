"""Hears with pocketsphinx and the English model inside its package: works straight after installation."""

from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path
from tempfile import NamedTemporaryFile

import numpy as np
import pocketsphinx

from assistant.core.expect import Expect
from models import adapted, grammar
from models.quieten import even_out, faster, quieten
from models.vote import Decoding
from models.wav import to_pcm

MODEL = Path(pocketsphinx.get_model_path()) / "en-us"
_KEPT = 24
"""Grammars held at once; the windows of a test's readings come round again."""


class PocketsphinxEngine:
    """Several decodings of one utterance that differ in acoustic model, sound or grammar: their errors differ too."""

    name = "pocketsphinx"

    def __init__(self) -> None:
        self.sentences: list[str] = []
        self._stock = _Decoder(silprob=0.1)
        self._adapted = _Decoder(silprob=0.1, mean=str(adapted.means()))

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]:
        """Readings: both models on the sound as it is and on the quietened one; where it is known where the reading most
        likely lies, first once among such readings only, as a second opinion.

        Commands, yes and no: once in their own small grammar, which makes a command of anything, then in the grammar
        of all that is ever said to the station, where numbers compete.
        """
        plain, quiet = even_out(sound, -30), even_out(quieten(sound), -35)
        if expect.kind != "reading":
            yield self._hear("adapted", quiet, expect)
            expect = grammar.EVERYTHING
        elif expect.near is not None:
            yield self._hear("adapted", quiet, expect, narrowed=True)
        yield self._hear("adapted", quiet, expect)
        yield self._hear("stock", plain, expect)
        yield self._hear("stock", quiet, expect)
        yield self._hear("adapted", plain, expect)
        yield self._hear("stock", faster(quiet, 0.94), expect)
        yield self._hear("adapted", faster(quiet, 0.94), expect)

    def _hear(self, model: str, sound: np.ndarray, expect: Expect, narrowed: bool = False) -> Decoding:
        decoder = self._adapted if model == "adapted" else self._stock
        if narrowed and expect.near is not None:
            near = Expect("reading", *expect.near, expect.places, unit=expect.unit)
            return Decoding(decoder.hear(sound, near, window=True), model, narrowed=True)
        return Decoding(decoder.hear(sound, grammar.anywhere(expect)), model)


class _Decoder:
    """A pocketsphinx decoder and the grammars it was given so far. About 20 MB and 0.1 s to make."""

    def __init__(self, **settings: float | str) -> None:
        with NamedTemporaryFile("w", suffix=".dict") as pronunciations:
            pronunciations.write(_pronunciations())
            pronunciations.flush()
            self._decoder = pocketsphinx.Decoder(hmm=str(MODEL / "en-us"), dict=pronunciations.name, lm=None,
                                                 loglevel="FATAL", **settings)
        self._names: OrderedDict[object, str] = OrderedDict()
        self._made = 0

    def hear(self, sound: np.ndarray, expect: Expect, **options: bool) -> str:
        """The words heard in the whole of `sound`; "" for none."""
        self._use(expect, options)
        self._decoder.start_utt()
        self._decoder.process_raw(to_pcm(sound), full_utt=True)
        self._decoder.end_utt()
        best = self._decoder.hyp()
        return best.hypstr if best else ""

    def _use(self, expect: Expect, options: dict[str, bool]) -> None:
        key = (expect, *sorted(options.items()))
        if key not in self._names:
            self._made += 1
            name = f"g{self._made}"
            built = grammar.automaton(expect, **options)
            arcs = [(frm, to, 1.0, word) if word else (frm, to, 1.0) for frm, word, to in built.arcs]
            self._decoder.add_fsg(name, self._decoder.create_fsg(name, built.start, built.end, arcs))
            self._names[key] = name
            self._decoder.activate_search(name)
            if len(self._names) > _KEPT:
                self._decoder.remove_search(self._names.popitem(last=False)[1])
        self._names.move_to_end(key)
        self._decoder.activate_search(self._names[key])


def _pronunciations() -> str:
    """The few words of our grammars out of the model's 134,000: a decoder is then made in a tenth of the time."""
    wanted = set(grammar.words_for(grammar.WIDE))
    with open(MODEL / "cmudict-en-us.dict", encoding="utf-8") as dictionary:
        return "".join(line for line in dictionary if line.split(maxsplit=1)[0].split("(")[0] in wanted)
