"""Hears with pocketsphinx and the English model inside its package: works straight after installation."""

from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path
from tempfile import NamedTemporaryFile

import numpy as np
import pocketsphinx

from assistant.core.expect import Expect
from models import grammar
from models.quieten import denoise, even_out, faster
from models.wav import to_pcm

MODEL = Path(pocketsphinx.get_model_path()) / "en-us"
ANYTHING = Expect("reading")
"""All that is ever said to the station: readings of any size, and the commands."""

_KEPT = 24
"""Grammars held at once; the windows of a test's readings come round again."""


class PocketsphinxEngine:
    """Several decodings of one utterance that differ in sound, settings or grammar: their errors differ too."""

    name = "pocketsphinx"

    def __init__(self) -> None:
        self.sentences: list[str] = []
        self._decoder = _Decoder(silprob=0.1)

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[str]:
        """Readings: the denoised sound, the sound as it is, and the denoised sound a little faster.

        Commands, yes and no: once in their own small grammar, which makes a command of anything, and twice in the
        grammar of all that is ever said to the station, where numbers compete. So whichever two agree, one of them
        had the choice to hear something else.
        """
        quiet, plain = even_out(denoise(sound), -35), even_out(sound, -30)
        if expect.kind == "reading":
            yield self._decoder.hear(quiet, expect)
            yield self._decoder.hear(plain, expect)
            yield self._decoder.hear(faster(quiet, 1.06), expect)
        else:
            yield self._decoder.hear(quiet, expect)
            yield self._decoder.hear(quiet, ANYTHING)
            yield self._decoder.hear(plain, ANYTHING)


class _Decoder:
    """A pocketsphinx decoder and the grammars it was given so far. About 20 MB and 0.1 s to make."""

    def __init__(self, **settings: float) -> None:
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
    wanted = set(grammar.words_for(Expect("reading")))
    with open(MODEL / "cmudict-en-us.dict", encoding="utf-8") as dictionary:
        return "".join(line for line in dictionary if line.split(maxsplit=1)[0].split("(")[0] in wanted)
