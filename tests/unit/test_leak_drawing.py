"""The drawn leak hold: what is in the picture, read back from it."""
from __future__ import annotations

import random
from decimal import Decimal as D

import pytest
from reportlab.graphics.shapes import String
from reportlab.pdfbase.pdfmetrics import stringWidth

from assistant.core.methods.leak_curve import fit
from assistant.report import axes, leak_drawing
from assistant.report.leak_drawing import SIZE
from tests.bench.leak_curve import hold

HOLD, LIMIT = D(300), D("0.12")
CURVE = hold(0.02, 0.3, 45.0, 0.006, random.Random(8)).curve


def drawn(curve=CURVE, **more) -> axes.Axes:
    return leak_drawing.axes(curve, fit(curve), HOLD, LIMIT, **more)


def test_the_drawing_says_the_readings_the_leak_the_cooling_and_the_limit() -> None:
    found, said = fit(CURVE), "\n".join(drawn().words)
    first, last = CURVE[0][1], CURVE[-1][1]
    assert f"first {first} psi, last {last} psi, lost {first - last} psi" in said
    assert f"leak {found.leak_psi_per_min:.3f} ± {found.leak_error:.3f} psi/min" in said
    assert f"cooling {found.cooling_psi:.2f} psi ({found.cooling_psi / D('0.21'):.1f} °C)" in said
    assert "0.12 psi below the first reading" in said and "the leak alone" in said


def test_the_lines_lie_where_the_numbers_say() -> None:
    lines = drawn().plotted
    assert lines["0.12 psi below the first reading"][0][1] == pytest.approx(float(CURVE[0][1]) - 0.12)
    assert [psi for _, psi in lines["gauge"]] == [float(psi) for _, psi in CURVE]
    leak = [psi for _, psi in lines["the leak alone"]]
    assert leak[0] - leak[-1] == pytest.approx(5 * float(fit(CURVE).leak_psi_per_min), abs=1e-9)
    assert leak[0] < float(CURVE[0][1]) - 0.2  # what the cooling takes is above it


def test_the_readings_as_taken_win_over_the_wire() -> None:
    assert "first 45.60 psi, last 45.10 psi, lost 0.50 psi" in "".join(drawn(first_psi=D("45.60"), last_psi=D("45.10")).words)


def test_a_hold_that_was_cut_does_not_look_whole() -> None:
    said = "".join(drawn(CURVE[:150]).words)
    assert "not over" in said and "lost" not in said


def test_a_still_gauge_is_not_blown_up() -> None:
    low, high = leak_drawing.axes([(float(s), D("45.20")) for s in range(301)], None, HOLD, LIMIT).up
    assert high - low >= 0.12


@pytest.mark.parametrize("curve", [CURVE, CURVE[:150], [(float(s), D("45.20")) for s in range(301)]])
def test_its_words_stay_inside_and_clear_of_the_curve(curve) -> None:
    found = drawn(curve)
    lowest = min(one.y for one in found.drawing.contents if isinstance(one, String) and one.text in found.plotted)
    assert max(found.y(psi) for _, psi in found.plotted["gauge"]) < lowest, "no name of a line lies over the readings"
    for one in found.drawing.contents:
        if isinstance(one, String):
            wide = stringWidth(one.text, axes.FONT, one.fontSize)
            left = one.x - {"start": 0, "middle": wide / 2, "end": wide}[one.textAnchor]
            assert 0 <= left and left + wide <= SIZE[0] and 0 <= one.y <= SIZE[1] - one.fontSize * 0.8, one.text


def test_nothing_to_draw_is_refused() -> None:
    with pytest.raises(ValueError, match="no reading to draw"):
        leak_drawing.axes([], None, HOLD, LIMIT)


@pytest.mark.parametrize("low, high, marks", [(0, 52, [0, 10, 20, 30, 40, 50]), (45.09, 45.27, [45.1, 45.15, 45.2, 45.25]),
                                              (0, 0.01, [0, 0.002, 0.004, 0.006, 0.008, 0.01]), (-3, 3, [-3, -2, -1, 0, 1, 2, 3])])
def test_round_numbers_stand_at_the_side(low: float, high: float, marks: list[float]) -> None:
    assert axes.ticks(low, high) == pytest.approx(marks)
