"""What an enrolment needs of the station's own model: its network, how words are said, and a recogniser of any last layer."""
from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from models import enrolled, enrolment, kaldi, vosk_folder
from models.enrolled import NotEnrolled
from models.enrolment import Said
from models.lexicon import read_lexicon

if TYPE_CHECKING:
    from models.grammar import Automaton
    from models.network import Network


class OwnModel:
    """The shipped model, opened for enrolling. Raises NotEnrolled if it is not there or can't be read."""

    def __init__(self, shipped: Path) -> None:
        self._shipped = shipped
        if not (shipped / enrolled.NETWORK).is_file():
            raise NotEnrolled(f"The station's own speech model is not here ({shipped}), so there is nothing to fit to a voice; "
                              "it comes with the station's files, so get those again.")
        try:
            self.network = kaldi.read_network(shipped / enrolled.NETWORK)
            self.lexicon = read_lexicon(shipped / vosk_folder.LEXICON)
        except (OSError, ValueError) as error:
            raise NotEnrolled(f"The station's own speech model in {shipped} can't be read ({error}); run the set-up "
                              "again.") from None

    def fits_best(self, said: Said, texts: Sequence[str]) -> str:
        return enrolment.fits_best(self.network, said.sound, texts, self.lexicon)

    def matching(self, said: Sequence[Said]) -> tuple[list[Said], list[tuple[Said, str]]]:
        """Those that sound most like what they should say; and the others, each with what it sounds like instead."""
        texts = list(dict.fromkeys(one.text for one in said))
        likest = [(one, self.fits_best(one, texts)) for one in said]
        return [one for one, like in likest if like == one.text], [(one, like) for one, like in likest if like != one.text]

    def hears(self, network: Network, sentences: Automaton | None = None) -> Callable[[np.ndarray], str]:
        """The recogniser that the station would use, strict grammar and all, with this network's last layer.
        sentences: another grammar than the station's."""
        from models.vosk_engine import VoskEngine

        with tempfile.TemporaryDirectory(prefix="bowlside-enrol-") as work:
            enrolled.make_model(Path(work) / "model", self._shipped, network.output_weight, network.output_bias)
            engine = VoskEngine(Path(work) / "model", second=False, sentences=sentences, cache=Path(work) / "strict")
        return lambda sound: engine.hear_strictly(enrolment.audible(sound))
