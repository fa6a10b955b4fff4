"""Where a job leaves the method: said at the start of a test, told by `job check`, printed with its result.

Which values, and how far an agency may move them, each method says; what is used says what is told.
"""
from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from assistant.core import phrases
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.methods.method import OwnValue
from assistant.core.settings import METHOD, Settings


class Deviation(NamedTuple):
    name: str
    """Of METHOD."""
    words: str


def of(settings: Settings, test: str = "") -> list[Deviation]:
    """A sentence for each value that is not the method's own; only those that ``test`` uses, where one is named."""
    if test and test not in registry.METHODS:
        return []
    rows = registry.METHODS[test].values if test else METHOD.values()
    return [Deviation(row.name, _words(row.name, row, settings.used(row.name))) for row in rows
            if not row.own[0] <= settings.used(row.name) <= row.own[1]]


def recorded(header: Mapping[str, Any], settings: Settings, test: str) -> list[str]:
    """Those of a test in the record: as it began, else, for one from before they were told, by its settings."""
    told = header.get("deviations")
    if isinstance(told, list | tuple):
        return [str(one) for one in told]
    # In a round an instrument that stands in the sample did so before its test began: its setting is what was left to wait.
    stood = registry.ROUNDS[test].stands if header.get("round") and test in registry.ROUNDS else ""
    return [one.words for one in of(settings, test) if one.name != stood]


def _words(name: str, row: OwnValue, value: Decimal) -> str:
    own = _amount(name, row.own[1] if value > row.own[1] else row.own[0])
    if row.own[0] != row.own[1]:
        own = sentence("deviation.at_most" if value > row.own[1] else "deviation.at_least", value=own)
    return sentence("deviation.check" if row.check else "deviation.told", name=sentence(f"deviation.{name}"),
                    value=_amount(name, value), own=own)


def _amount(name: str, value: Decimal) -> str:
    field = Settings.__dataclass_fields__.get(name)
    unit = field.metadata["unit"] if field else "psi"
    return phrases.duration(float(value)) if unit == "s" else f"{value:f} {unit}" if unit in ("psi", "%") else f"{value:f}"
