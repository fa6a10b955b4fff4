"""What is said may differ from what is shown only in how it sounds."""
import re
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.cli import DEMO
from assistant.core import spoken
from assistant.files.jsonline import dumps, loads
from assistant.record import reading_out, summary
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from assistant.station.pronounce import pronounce


@pytest.mark.parametrize(("shown", "said"), [
    ("seven, point, two, five. Right?", "seven point two five. Right?"),
    ("three, one, point, eight, one.", "three one point eight one."),
    ("System air metric, zero, point, two, zero psi. Pass.", "System air metric, zero point two zero P S I. Pass."),
    ("Charge to 14.5 psi, trim it.", "Charge to one four point five P S I, trim it."),
    ("30.12. Over by 0.12: bleed.", "three zero point one two. Over by zero point one two: bleed."),
    ("4 minutes 30 left.", "four minutes three zero left."),
    ("It is -0.05 psi, 5.7 %.", "It is minus zero point zero five P S I, five point seven  percent."),
    ("repeat the test: equilibrium.1.3 entered again", "repeat the test: equilibrium, run one, step three entered again"),
    ("charge 2.3 is 45.13", "start pressure, run two, step three is four five point one three"),
    ("Test 12, 2026-11-25, 14:36.", "Test one two, two zero two six; one one; two five, one four; three six."),
    ("Density: 2327 kg/m3. Slump: 4.25 in., pass.", "Density: two three two seven kilograms a cubic meter. Slump: four point "
     "two five inches, pass."),
    ("-0.5 \u00b0C is too cold, 110 mm.", "minus zero point five degrees Celsius is too cold, one one zero millimeters."),
    ("Meter M-3 of T-07: mix TH-40A, C143.", "Meter M three of T zero seven: mix TH four zero A, C one four three."),
    ("about +0.03 psi, -0.03 psi (-0.03)", "about plus zero point zero three P S I, minus zero point zero three P S I (minus "
     "zero point zero three)"),
    ("Damp the O-ring, damp the lid.", "Damp the O ring, damp the lid."),
])
def test_examples(shown: str, said: str) -> None:
    assert pronounce(shown) == said


def test_to_be_written_down_each_digit_has_a_pause_after_it() -> None:
    assert pronounce("Start pressure: four, five, point, zero, zero.",
                     to_write=True) == "Start pressure: four, five, point, zero, zero."
    assert pronounce("over 0.20 by 0.01", to_write=True) == "over zero, point, two, zero by zero, point, zero, one"


@given(st.decimals(0, Decimal("59.99"), places=2))
def test_no_digit_is_lost_or_moved(value: Decimal) -> None:
    assert pronounce(spoken.digits(value)).replace(",", "").split() == spoken.digits(value).replace(",", "").split()



AMBIGUOUS = re.compile(r"\d|teen\b|\b(?:twen|thir|for|fif|six|seven|eigh|nine)ty\b")


def said_in(kind: str) -> list[tuple[str, str]]:
    """Prompt id and words as spoken, through a whole demo test, by wording."""
    said = []
    source = DEMO.read_text(encoding="utf-8").splitlines()
    source[0] = dumps({**loads(source[0]), "speech": kind})
    with TemporaryDirectory() as folder, Journal(Path(folder)) as journal:
        Rehearsal(read(source, "demo", DEMO.parent), journal, lambda line: said.append((line["id"], pronounce(line["text"])))
                  if line["kind"] == "said" else None, answer_rest=True).run()
        found = summary.of(journal, 1)
    return said + [(ident, pronounce(words)) for ident, words in reading_out.lines(found)]


@pytest.mark.parametrize("wording", ["terse", "normal", "coaching"])
def test_nothing_that_is_said_in_a_whole_test_and_its_reading_out_holds_a_number_that_sounds_like_another(wording: str) -> None:
    said = said_in(wording)
    assert any(ident.endswith(".confirm") for ident, _ in said)
    assert any("over by zero point one two" in words.lower() for _, words in said)
    assert any(ident == "system_air_metric" for ident, _ in said)
    assert [one for one in said if AMBIGUOUS.search(one[1])] == []


@given(st.from_regex(r"[a-z ,.:%]{0,5}-?[0-9]{1,5}(\.[0-9]{1,3})?[a-z ,.:%]{0,5}", fullmatch=True))
def test_no_figure_is_left_to_the_synthesiser(text: str) -> None:
    assert not AMBIGUOUS.search(pronounce(text))
