"""What the sender tells of itself, as one line: for the check and for the crew's board. Nothing of the network or the key is read."""
from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from assistant.core.language import sentence
from assistant.send.place import Sent


def line(journal: Path, now: datetime | None = None) -> tuple[bool | None, str] | None:
    """Whether all is well (None: it will be once there is a signal), and the line. None: this record's station is not enrolled."""
    sent = Sent(journal)
    if sent.office() is None:
        return None
    told = sent.told()
    if not sent.taken():
        return False, sentence("sending.not_running")
    waiting, refused = _count(told.get("waiting")), _count(told.get("refused")) or 0
    if waiting is None or not told.get("record"):
        return None, sentence("sending.nothing_known")
    words = sentence("sending.one_waits") if waiting == 1 else sentence("sending.some_wait", count=waiting) if waiting else sentence("sending.all_sent")
    kind = told.get("kind")
    good: bool | None = True if not kind else None if kind == "signal" else False
    if kind == "signal":
        words = sentence("sending.no_signal", words=words, since=_since(str(told.get("since")), now or datetime.now().astimezone()))
    else:
        words = sentence("sending.trouble" if kind else "sending.well", words=words)
    if refused:
        good, words = False, sentence("sending.refused", words=words, count=refused)
    return good, words


def board_line(journal: Path) -> str:
    """Empty where there is nothing to tell."""
    found = line(journal)
    return found[1] if found else ""


def _count(value: Any) -> int | None:
    return value if type(value) is int and value >= 0 else None


def _since(text: str, now: datetime) -> str:
    """How long, in steps in which it does not change all the time."""
    try:
        minutes = max(0.0, (now - datetime.fromisoformat(text)).total_seconds() / 60)
    except (ValueError, TypeError):
        return sentence("sending.some_time")
    if minutes < 60:
        return sentence("sending.minutes", count=max(1, int(minutes // 5 * 5)))
    if minutes < 48 * 60:
        return sentence("sending.hours", count=int(minutes // 60))
    return sentence("sending.days", count=int(minutes // 1440))
