"""How long a remark stays on the screen: as long as what it was said of."""
from __future__ import annotations

from assistant.core import phrases
from assistant.core.spoken import UNITS
from assistant.core.state import State

LASTING = ("hearing", "record")
"""Of the station itself: true until the next one."""


class Remark:
    """What was said beside the prompt that ``state`` asks. about: the id that it was said with."""

    def __init__(self, words: str, about: str, state: State) -> None:
        self.words, self.about, self.at = words, about, state.now
        self._of = self._moment(state)

    def is_over(self, state: State) -> bool:
        return self._moment(state) != self._of

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


def mark_words(left: int | None) -> tuple[str, ...]:
    """What may be said when so many seconds of a hold are left."""
    return () if left is None else (phrases.left(left), *UNITS[left:left + 1])
