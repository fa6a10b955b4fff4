"""Tests of many stations as one history, for the charts and lots that a station draws of its own.

Two stations number their tests, rounds and samples alike. So each of these carries its station's name, and a round its record.
"""
from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from assistant.office.pages.frame import Row


def tests(rows: Iterable[Row]) -> list[dict[str, Any]]:
    """``rows``: oldest first, each with its ``brief``: as ``summary.of`` gives it, without what is long."""
    found = []
    for row in rows:
        whose = f"{row['station_name']} "
        brief = {**row["brief"], "id": f"{whose}{row['number']}"}
        brief |= {key: f"{whose}{brief[key]}" for key in ("sample",) if brief.get(key)}
        brief |= {key: f"{row['record']} {brief[key]}" for key in ("round",) if brief.get(key)}
        found.append(brief)
    return found
