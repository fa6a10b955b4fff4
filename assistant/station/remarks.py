"""How long a remark stays on the screen: as long as what it was said of."""
from __future__ import annotations

from collections.abc import Iterable

from assistant.core import phrases
from assistant.core.spoken import UNITS
from assistant.core.state import State

LASTING = ("hearing", "record")
"""Of the station itself: true until the next one."""


class Remark:
    """What was said beside the prompt that ``state`` asks. about: the id that it was said with."""

    def __init__(self, words: str, about: str, state: State) -> None:
        self.words, self.about, self.at = words, about, state.now
        self._of, self._beside = self._moment(state), state.prompt

    def is_over(self, state: State) -> bool:
        return self._moment(state) != self._of

    def is_no_news(self, state: State) -> bool:
        """Still true, but another question has come since it was told."""
        return self.about in (*LASTING, "device") and state.prompt != self._beside

    def follows(self, before: Remark) -> bool:
        """Whether this is the next word on the same matter: "In the band" after "Under by 0.07"."""
        return self.about == before.about != "" and self.at > before.at

    def _moment(self, state: State) -> tuple[object, ...]:
        """What must stay as it was."""
        if self.about in LASTING:
            return ()
        if self.about == "device":
            return (state.lost,)
        if self.about == "start" and state.procedure is not None:
            return (state.step.stage,)
        return state.prompt, state.phase, state.paused, state.quiet


def apart(messages: Iterable[str], passing: Iterable[Remark], state: State) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The remarks that are news, and those that were told and are still true: these have what room is left. What may hurt comes last,
    which has its room first."""
    known = tuple(one.words for one in passing if one.is_no_news(state))
    return tuple(sorted((one for one in messages if one not in known), key=lambda one: phrases.PRESSURE_CAUTION in one)), known


def mark_words(left: int | None) -> tuple[str, ...]:
    """What may be said when so many seconds of a hold are left."""
    return () if left is None else (phrases.left(left), *UNITS[left:left + 1])
