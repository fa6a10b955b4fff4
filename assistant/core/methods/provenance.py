"""Where a number or a rule comes from, and how far it can be trusted. Each room says it of its own.

Nothing here claims conformance to a standard: no clause of one was read in full. The text is shown beside every result.
"""
from __future__ import annotations

from dataclasses import dataclass

PUBLISHED = "published"
SECOND_HAND = "published, second-hand"
COMMON = "common practice, no source"
MEMORY = "from memory"
DERIVED = "derived"
KINDS = (PUBLISHED, SECOND_HAND, COMMON, MEMORY, DERIVED)


@dataclass(frozen=True)
class Provenance:
    kind: str
    """One of KINDS."""
    source: str
    """The title and clause, or in one phrase what it rests on."""
    sure: int | None = None
    """For what is from memory: a guess at the confidence, in percent."""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"{self.kind!r} is no provenance: it must be one of {', '.join(KINDS)}")

    def __str__(self) -> str:
        """One line, such as "from memory, about 90 % sure: E2.3 minus E1.3 ..."."""
        sure = f", about {self.sure} % sure" if self.sure is not None else ""
        return f"{self.kind}{sure}: {self.source}"


def published(source: str) -> Provenance:
    return Provenance(PUBLISHED, source)


def second_hand(source: str) -> Provenance:
    return Provenance(SECOND_HAND, source)


def common(source: str) -> Provenance:
    return Provenance(COMMON, source)


def memory(source: str, sure: int) -> Provenance:
    return Provenance(MEMORY, source, sure)


def derived(source: str) -> Provenance:
    return Provenance(DERIVED, source)
