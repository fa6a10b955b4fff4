"""Every screen that a technician meets in a whole test of each method, at a small, an ordinary and a large size."""
from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from assistant.core.language import sentence
from assistant.station import view as view_of
from assistant.station.layout import NARROW, View, layout
from tests.screens import SIZES, TESTS, screens
from tests.unit.test_screen import shows_big

LEAST = 8
"""Screens of a test: its shortest has so many."""


def words(text: str) -> str:
    """As read from line to line, without what frames them."""
    return " ".join(re.sub(r"┃|■|!!|·(?!·)", " ", text).split())


def wrong(view: View, width: int, height: int) -> Iterator[str]:
    """What the screen does not show, or not whole."""
    lines = layout(view, width, height)
    screen, read = "\n".join(lines), words("\n".join(lines))
    if len(lines) != height or max(map(len, lines)) > width:
        yield "its size"
    wanted = {"what to do": view.do, "caution": view.caution, "clock of the round": view.deadline,
              "what is listened for": view.listens or view.waits, "legend": sentence("screen.keys_short")[:38] if width < NARROW else view.keys}
    if view.verdict and (height >= 20 or len(view.verdict) < 100):
        wanted["verdict"] = view.verdict
    if view.keys == "":
        wanted["legend"] = ""
    for what, text in wanted.items():
        if words(text) not in read:
            yield f"{what}: {text}"
    if view.clock_s is not None:
        whole = max(0, -int(-view.clock_s // 1))
        clock = f"{whole // 60}:{whole % 60:02d}"
        if clock not in screen and not any(shows_big(screen, clock, scale) for scale in (0.5, 1, 2)):
            yield f"clock {clock}"
    if view.check and not any(shows_big(screen, view.check, scale) for scale in (1, 2)):
        yield f"number to be checked {view.check}"
    typed = view.typed.replace("*", ".") + "_"
    if view.typed and typed not in screen and not any(shows_big(screen, typed, scale) for scale in (0.5, 1, 2)):
        yield f"what is typed {view.typed}"
    if view.messages and (height >= 20 or not (view.verdict or view.caution or view.waits or view.check)) and words(view.messages[-1])[:100] not in read:
        yield f"newest remark: {view.messages[-1]}"


@pytest.mark.parametrize("test", TESTS)
def test_all_that_matters_is_whole_on_every_screen(test: str) -> None:
    found = [f"{name} at {width} x {height}: {what}\n" + "\n".join(layout(view, width, height))
             for name, view in screens(test) for width, height in SIZES for what in wrong(view, width, height)]
    assert len(screens(test)) >= LEAST
    assert not found, f"{len(found)} are wrong; the first:\n" + "\n\n".join(found[:3])


def test_the_screens_are_those_of_a_whole_test() -> None:
    """Else there is nothing in what the test above looks at."""
    seen = {name for name, _ in screens("sequential")}
    assert {"leak.hold-hold", "charge.1.1-entry", "tap.2.3-tapping", "equilibrium.2.3.again.confirm-confirm", "finish.wash-tell",
            "scrap.confirm-scrap"} <= seen
    shown = [view for _, view in screens("sequential")]
    assert any(view.waits for view in shown) and any("trim" in view.hint for view in shown) and any(view.typed for view in shown)
    assert any(sentence("screen.paused") in view.listens for view in shown) and view_of.KEYS in {view.keys for view in shown}
