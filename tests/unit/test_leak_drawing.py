"""The drawn leak hold: what is in the picture, read back from it."""
from __future__ import annotations

import io
import random
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from decimal import Decimal as D

import pytest

from assistant import leak_drawing
from assistant.core.leak_curve import fit
from tests.bench.leak_curve import hold

pytest.importorskip("matplotlib", reason="matplotlib is missing: pip install matplotlib")
HOLD, LIMIT = D(300), D("0.12")
CURVE = hold(0.02, 0.3, 45.0, 0.006, random.Random(8)).curve


def drawn(kind: str, curve=CURVE) -> bytes:
    out = io.BytesIO()
    leak_drawing.draw(curve, fit(curve), HOLD, LIMIT, out, kind)
    return out.getvalue()


def texts(svg: bytes) -> str:
    return "\n".join("".join(one.itertext()) for one in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"))


def test_the_drawing_says_the_readings_the_leak_the_cooling_and_the_limit() -> None:
    found, said = fit(CURVE), texts(drawn("svg"))
    first, last = CURVE[0][1], CURVE[-1][1]
    assert f"first {first} psi, last {last} psi, lost {first - last} psi" in said
    assert f"leak {found.leak_psi_per_min:.3f} ± {found.leak_error:.3f} psi/min" in said
    assert f"cooling {found.cooling_psi:.2f} psi ({found.cooling_psi / D('0.21'):.1f} °C)" in said
    assert "0.12 psi below the first reading" in said and "the leak alone" in said


def test_the_lines_lie_where_the_numbers_say() -> None:
    axes = leak_drawing.figure(CURVE, fit(CURVE), HOLD, LIMIT).axes[0]
    lines = {line.get_label(): line for line in axes.get_lines()}
    assert lines["0.12 psi below the first reading"].get_ydata()[0] == pytest.approx(float(CURVE[0][1]) - 0.12)
    assert list(lines["gauge"].get_ydata()) == [float(psi) for _, psi in CURVE]
    leak = lines["the leak alone"].get_ydata()
    assert leak[0] - leak[-1] == pytest.approx(5 * float(fit(CURVE).leak_psi_per_min), abs=1e-9)
    assert leak[0] < float(CURVE[0][1]) - 0.2  # what the cooling takes is above it


def test_the_readings_as_taken_win_over_the_wire() -> None:
    svg = io.BytesIO()
    leak_drawing.draw(CURVE, fit(CURVE), HOLD, LIMIT, svg, first_psi=D("45.60"), last_psi=D("45.10"))
    assert "first 45.60 psi, last 45.10 psi, lost 0.50 psi" in texts(svg.getvalue())


def test_a_hold_that_was_cut_does_not_look_whole() -> None:
    said = texts(drawn("svg", CURVE[:150]))
    assert "not over" in said and "lost" not in said


def test_a_still_gauge_is_not_blown_up() -> None:
    low, high = leak_drawing.figure([(float(s), D("45.20")) for s in range(301)], None, HOLD, LIMIT).axes[0].get_ylim()
    assert high - low >= 0.12


def test_a_small_drawing_keeps_its_words_inside() -> None:
    """Half a page wide: measured by matplotlib itself after it has laid out the figure."""
    drawing = leak_drawing.figure(CURVE, fit(CURVE), HOLD, LIMIT, size_in=(3.55, 2.1))
    drawing.savefig(io.BytesIO(), format="png")
    axes, page = drawing.axes[0], drawing.bbox
    for one in (axes.title, axes.get_legend(), axes.xaxis.label, axes.yaxis.label):
        box = one.get_window_extent()
        assert page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1


@pytest.mark.parametrize("kind, starts", [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_every_kind_is_what_it_says_and_the_same_twice(kind: str, starts: bytes, tmp_path) -> None:
    leak_drawing.draw(CURVE, fit(CURVE), HOLD, LIMIT, tmp_path / "hold", kind)
    assert (tmp_path / "hold").read_bytes().startswith(starts)
    assert (tmp_path / "hold").read_bytes() == drawn(kind)


def test_nothing_to_draw_and_an_unknown_kind_are_refused() -> None:
    with pytest.raises(ValueError, match="no reading to draw"):
        leak_drawing.figure([], None, HOLD, LIMIT)
    with pytest.raises(ValueError, match="must be svg, png, pdf"):
        drawn("jpg")


def test_matplotlib_is_not_loaded_before_something_is_drawn() -> None:
    """It costs a start half a second."""
    program = "import sys, assistant.leak_drawing; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
