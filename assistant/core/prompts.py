"""Every prompt of a test, with its id, kind and words: what a script may answer and a report may name."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from assistant.core.language import sentence
from assistant.core.procedure import Procedure
from assistant.core.steps import Ask, Choose, Hold, Step, Tap, Tell


@dataclass(frozen=True)
class Prompt:
    id: str
    test: str
    kind: str
    """``tell ask confirm override hold tap choose``."""
    words: str


def prompts(procedure: Procedure) -> Iterator[Prompt]:
    for step in procedure.steps:
        for suffix, kind, words in _of_step(step):
            yield Prompt(step.id + suffix, procedure.test, kind, words)
    yield Prompt("scrap.confirm", procedure.test, "confirm", sentence("entry.scrap"))
    yield Prompt("scrap.why", procedure.test, "choose", sentence("scrap.ask"))
    yield Prompt("change.confirm", procedure.test, "confirm", sentence("entry.change_short"))


def _of_step(step: Step) -> Iterator[tuple[str, str, str]]:
    words = f"{step.caution} {step.say}".strip()
    match step:
        case Tell():
            yield "", "tell", words
        case Hold():
            yield "", "hold", words
        case Tap():
            yield "", "tap", f"{words} {step.go}".strip()
        case Choose():
            yield "", "choose", words
        case Ask():
            yield "", "ask", words
            yield ".confirm", "confirm", sentence("entry.right_reading")
            if step.entries == "two":
                yield ".again", "ask", sentence("entry.again")
                yield ".again.confirm", "confirm", sentence("entry.right_second")
            if step.band:
                yield ".override", "override", sentence("entry.override_short")
