"""What the check found: one line a device, and the page that ends it."""
from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from textwrap import wrap

from assistant.station.device_names import NAMES, listed

PINS, OFFICE = "pins", "office"
"""In place of a device: two of them are set to one pin; what leaves for the office."""
WIDTH = 100
FEW = 3
_MARKS = {True: "ok", False: "WRONG", None: "-"}


@dataclass(frozen=True)
class Finding:
    """What came of one device."""
    device: str
    """a key of NAMES, PINS or OFFICE"""
    good: bool | None
    """None: not judged, because none is configured or nobody checked it"""
    words: str
    """whole sentences: what is right, or what is wrong and what to do"""

    def plain(self) -> dict[str, object]:
        """For ``--json``."""
        return {"device": self.device, "good": self.good, "words": self.words}


def joined(device: str, parts: Sequence[tuple[bool, str]]) -> Finding:
    """One finding from several sentences: those that complain alone, where any does."""
    wrong = [words for good, words in parts if not good]
    return Finding(device, not wrong, " ".join(wrong or [words for _, words in parts]))


def none_wrong(findings: Iterable[Finding]) -> bool:
    return not any(finding.good is False for finding in findings)


def page(findings: Sequence[Finding]) -> str:
    """The summary, at most 100 columns wide: every device, what is wrong and what to do."""
    lines = [f"BOWLSIDE CHECK, {time.strftime('%Y-%m-%d %H:%M')}", ""]
    for finding in findings:
        head = f"{_MARKS[finding.good]:<6}{called(finding.device):<13}"
        body = wrap(finding.words, WIDTH - len(head)) or [""]
        lines += [head + body[0], *(" " * len(head) + more for more in body[1:])]
    wrong = [finding.device for finding in findings if finding.good is False]
    judged = sum(finding.good is not None for finding in findings)
    if wrong:
        again = [device for device in wrong if device not in (PINS, OFFICE)] if len(wrong) <= FEW else []
        lines += ["", *wrap(f"Wrong: {listed([called(device) for device in wrong])}. Mend that, then type:", WIDTH),
                  " ".join(["bowlside check", *again])]
    elif judged:
        lines += ["", f"Nothing wrong with {'what was checked' if judged < len(findings) else 'any device'}."]
    else:
        lines += ["", "Nothing was checked."]
    return "\n".join(lines)


def called(device: str) -> str:
    return NAMES.get(device, device)